"""The tables and the picture of the hearing benchmark; 80 columns."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from fieldassist.bench.speech_data import Sentence
from fieldassist.bench.speech_score import Score, Task, judge, noise_name, rate_interval, wilson

TITLES = {
    "ours": "ours", "sphinx": "pocketsphinx", "moonshine": "moonshine tiny", "whisper": "whisper base",
}  # fmt: skip
_ORDERS = {"orders": "whole", "orders_cut": "cut"}


def print_tables(report: dict[str, Any], tasks: Sequence[Task], talk_snr: float) -> None:
    """Print everything that was measured; `report` holds what `scored` gives for each engine."""
    cabin = [task for task in tasks if task.part == "cabin"]
    if cabin:
        print(f"\nFindings and commands in cabin noise: {len({t.sentence for t in cabin})} sentences, "
              f"{len({t.speaker for t in cabin})} synthetic speakers.")  # fmt: skip
        print("Per cent with the 95 % interval (Wilson); numbers and talk are counts.")
        print(f"{'engine':<15}{'noise':>6}{'right':>14}{'wrong':>13}{'missed':>13}{'numbers':>10}{'talk':>8}")
        print(f"{'':<61}{'wrong':>10}{'taken':>8}")
        for name, data in report.items():
            for noise, s in data["cabin"].items():
                print(f"{TITLES[name]:<15}{noise:>6}{share(s.right, s.meant):>14}{share(s.wrong, s.meant):>13}"
                      f"{share(s.missed, s.meant):>13}{f'{s.number_errors}/{s.numbers}':>10}"
                      f"{f'{s.talk_taken}/{s.talk}':>8}")  # fmt: skip
        _print_manners(report)
    print("\nCost, one thread. Latency from the end of speech, with the endpointer's pause.")
    print(f"{'engine':<15}{'p50 ms':>9}{'p95 ms':>9}{'CPU s/min':>12}{'memory MB':>12}{'start s':>10}")
    for name, data in report.items():
        latency = [f"{1000 * value:.0f}" for value in data["latency"] or ()] or ["-", "-"]
        print(f"{TITLES[name]:<15}{latency[0]:>9}{latency[1]:>9}{data['cpu_per_minute']:>12.2f}"
              f"{data['megabytes']:>12.0f}{data['start']:>10.2f}")  # fmt: skip
    if any(data["talk"] for data in report.values()):
        clips = sum(task.part == "talk" for task in tasks)
        print(f"\nUnrelated speech of people (LibriSpeech, VCTK) at {talk_snr:g} dB: {clips} clips.\n"
              "Per hour of speech, with the 95 % interval (Garwood); clips that our model was\n"
              "trained on, and clips of LibriSpeech speakers (and of VCTK) held out from it.")  # fmt: skip
        print(f"{'engine':<15}{'clips':<12}{'min':>5}{'false entries':>16}{'commands':>16}{'asked back':>16}")
        for name, data in report.items():
            for group, counts in sorted(data["talk"].items()):
                print(f"{TITLES[name]:<15}{group:<12}{counts['hours'] * 60:>5.0f}" + "".join(
                    f"{_rate(counts[key], counts['hours']):>16}" for key in ("entries", "commands", "asks")
                ))  # fmt: skip
    if any(data["orders"] for data in report.values()):
        _print_orders(report)


def share(part: int, whole: int) -> str:
    """Per cent with the interval: `93 (86-97)`."""
    if not whole:
        return "-"
    low, high = wilson(part, whole)
    return f"{100 * part / whole:.{0 if part == whole else 1}f} ({100 * low:.0f}-{100 * high:.0f})"


def _rate(count: float, hours: float) -> str:
    low, high = rate_interval(int(count), hours)
    return f"{count / hours:.1f} ({low:.0f}-{high:.0f})"


def _print_manners(report: dict[str, Any]) -> None:
    """Right by the manner of speaking."""
    noises = list(next(iter(report.values()))["cabin"])
    manners = next(iter(report.values()))["manners"]
    if len(manners) < 2:
        return
    print("\nRight, by manner: plain; hesitant (uh, restarts); loose (beyond any grammar)")
    print(f"{'engine':<15}{'manner':<16}" + "".join(f"{noise:>9}" for noise in noises))
    for name, data in report.items():
        for manner, by_noise in data["manners"].items():
            size = max(score.meant for score in by_noise.values())
            if size:
                cells = [f"{100 * by_noise[noise].right / size:.0f}" for noise in noises]
                print(f"{TITLES[name]:<15}{f'{manner} ({size})':<16}" + "".join(f"{cell:>9}" for cell in cells))


def _print_orders(report: dict[str, Any]) -> None:
    noises = list(next(iter(next(iter(report.values()))["orders"].values())))
    clips = next(iter(next(iter(report.values()))["orders"].values()))[noises[0]][1]
    print(f"\nSpoken orders, people, all slots right, kitchen noise, {clips} clips, %")
    print("Heard whole, or cut out by the endpointer first as on the road.")
    print(f"{'engine':<15}{'heard':<6}{'mean':>6}" + "".join(f"{noise:>6}" for noise in noises))
    for name, data in report.items():
        for part, counts in data["orders"].items():
            shares = {noise: 100 * right / whole for noise, (right, whole) in counts.items()}
            noisy = [value for noise, value in shares.items() if noise != noise_name(None)]
            mean = f"{sum(noisy) / len(noisy):.1f}" if noisy else "-"
            print(f"{TITLES[name]:<15}{_ORDERS[part]:<6}{mean:>6}"
                  + "".join(f"{value:>6.{0 if value == 100 else 1}f}" for value in shares.values()))  # fmt: skip
    print("The mean is that of the noisy ones. Published, of these levels and two noises:\n"
          "best 97.6, others 89.9, 86.8, 84.5, 77.6")  # fmt: skip


def errors(
    name: str, tasks: Sequence[Task], result: dict[str, Any], sentences: Sequence[Sentence]
) -> list[str]:
    """One line for everything that was not right."""
    out = []
    for task, outcome in zip(tasks, result["outcomes"], strict=True):
        heard = "; ".join(
            f"{h['decision']} {h['command'] or json.dumps(h['findings'])} {h['score']:.2f} {h['text']!r}"
            for h in outcome["heard"]
        )
        if task.part == "cabin":
            verdict = judge(outcome, sentences[task.sentence])
            if verdict not in ("right", "quiet"):
                s = sentences[task.sentence]
                wanted = s.command or json.dumps(list(s.findings))
                out.append(f"{name} {noise_name(task.snr)} {verdict} {task.step} {task.speaker} {s.text!r} -> "
                           f"{wanted}: {heard or 'no utterance'}")  # fmt: skip
        elif task.part == "talk" and any(h["decision"] == "accept" for h in outcome["heard"]):
            out.append(f"{name} talk taken {task.step} {task.speaker}: {heard}")
        elif task.part.startswith("orders") and outcome["slots"] != json.loads(task.slots):
            out.append(f"{name} {task.part} {noise_name(task.snr)} {task.speaker} {task.slots}: "
                       f"{json.dumps(outcome['slots'])} {heard}")  # fmt: skip
    return out


def draw(report: dict[str, Any], path: Path) -> None:
    """Accuracy over noise with its interval, one line an engine; markers differ too, for print and colour-blind
    eyes."""
    import matplotlib

    matplotlib.use("svg")
    from matplotlib import pyplot

    matplotlib.rcParams["svg.hashsalt"] = "fieldassist"
    figure, axes = pyplot.subplots(figsize=(7.2, 4.2), layout="constrained")
    names: list[str] = list(next(iter(report.values()))["cabin"])
    for number, ((name, data), marker) in enumerate(zip(report.items(), "osD^", strict=False)):
        scores: list[Score] = list(data["cabin"].values())
        shares = [100 * score.right / score.meant for score in scores]
        limits = [wilson(score.right, score.meant) for score in scores]
        places = [place + 0.05 * (number - (len(report) - 1) / 2) for place in range(len(shares))]
        below = [value - 100 * low for value, (low, _) in zip(shares, limits, strict=True)]
        above = [100 * high - value for value, (_, high) in zip(shares, limits, strict=True)]
        axes.errorbar(places, shares, yerr=[below, above], marker=marker, capsize=2, elinewidth=0.8,
                      label=f"{TITLES[name]} ({shares[0]:.0f} to {shares[-1]:.0f} %)")  # fmt: skip
    axes.set_xticks(range(len(names)), names)
    axes.set_xlabel("cabin noise, speech over noise")
    axes.set_ylabel("right findings and commands, %")
    axes.set_ylim(0, 102)
    axes.margins(x=0.08)
    axes.grid(alpha=0.3)
    axes.legend(loc="lower left")
    figure.savefig(path, format="svg", metadata={"Date": None})
    pyplot.close(figure)

"""Hearing, end to end: what is said in a moving car against the finding that comes out.

    python -m fieldassist.bench speech [--full] [--engines ours,sphinx,moonshine,whisper] [--model DIR]
                                       [--data DIR] [--svg FILE] [--errors FILE] [--json FILE]

Sentences in shop talk (`speech_sentences.toml`) are spoken by synthetic speakers that nothing was trained on,
set into generated cabin noise at a stated ratio (speech level by ITU-T P.56 Method B, noise by RMS over the
clip), and go the product's own way: endpointer, engine, matcher. Every engine has the same endpointer and
matcher around it and runs alone in a process with one thread. With a folder of speech (`--data`) read
sentences that are not for the tool are counted as false entries, and the public spoken orders as slots.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from fieldassist.acoustic.mixing import add_noise_by_peak_frame, to_float, to_int16
from fieldassist.bench.peers import PEERS, peer_missing
from fieldassist.bench.speech_data import (
    SENTENCES,
    Sentence,
    in_cabin,
    is_number_error,
    is_right,
    load_unrelated,
    read_sentences,
    say,
    unrelated,
    voices_of,
)
from fieldassist.bench.speech_worker import as_heard
from fieldassist.deduce import load_unit, steps_for
from fieldassist.errors import UserError
from fieldassist.finding import Finding
from fieldassist.phrases import Matcher, load_phrases
from fieldassist.sound.wave import read_wave
from fieldassist.words.models import find_model
from fieldassist.words.recognizer import SAMPLE_RATE, Samples

ENGINES = ("ours", "sphinx", *PEERS)
PARTS = ("cabin", "talk", "orders")
CABIN_SNRS: tuple[float | None, ...] = (None, 15.0, 10.0, 5.0, 0.0)
_QUICK_SNRS: tuple[float | None, ...] = (None, 10.0, 5.0)
ORDER_SNRS: tuple[float | None, ...] = (None, 24.0, 12.0, 6.0)
ORDERS_GRAMMAR = Path(__file__).resolve().parent / "spoken_orders.gram"
_QUICK = 3
"""Without --full every so many sentences are heard."""
_QUICK_TALK, _QUICK_ORDERS = 25, 60
_TALK_SNR = 10.0
_TALK_STEPS = (
    "upshift_1_2_light", "hold_3", "engage_drive", "kickdown_3_2", "fluid_level", "cruise", "pull_away_R",
)  # fmt: skip


@dataclass(frozen=True)
class Task:
    """A clip to be heard and what to compare the outcome with."""

    file: str
    step: str
    part: str
    """`cabin`, `talk` or `orders`"""
    snr: float | None
    sentence: int = -1
    speaker: str = ""
    speech_end: float = 0.0
    slots: str = ""
    """JSON of the slots of a spoken order."""


@dataclass
class Score:
    """Counts over the clips of one condition."""

    clips: int = 0
    meant: int = 0
    right: int = 0
    wrong: int = 0
    missed: int = 0
    asked: int = 0
    """Of the missed: asked back."""
    numbers: int = 0
    number_errors: int = 0
    talk: int = 0
    talk_taken: int = 0


def run(argv: Sequence[str]) -> int:
    """Run the benchmark; print its tables. Returns the exit code."""
    args = _arguments(argv)
    unit, sentences = read_sentences(args.sentences)
    engines = _installed(args.engines.split(","), args.model)
    with tempfile.TemporaryDirectory(prefix="fieldassist-speech-") as scratch:
        tasks = list(_prepare(sentences, args, Path(scratch)))
        results = {name: _hear(name, unit, tasks, args, Path(scratch)) for name in engines}
    _print_written(unit, sentences)
    if not results:
        return 1
    report = {name: _scored(tasks, result, sentences) for name, result in results.items()}
    _print_tables(report, tasks)
    if args.errors:
        lines = [line for name, result in results.items() for line in _errors(name, tasks, result, sentences)]
        args.errors.write_text("\n".join(lines) + "\n", encoding="utf-8")
        print(f"errors: {args.errors}")
    if args.json:
        args.json.write_text(json.dumps(report, indent=1, default=vars), encoding="utf-8")
    if args.svg and "cabin" in args.parts.split(","):
        _draw(report, args.svg)
        print(f"accuracy over noise: {args.svg}")
    return 0


def _arguments(argv: Sequence[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m fieldassist.bench speech", description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument("--full", action="store_true", help="every sentence by three voices, all talk, all peers")
    parser.add_argument("--engines", default="", help=f"of {', '.join(ENGINES)}; default ours,sphinx")
    parser.add_argument("--model", help="Vosk model folder for `ours`; default: the one that is found or shipped")
    parser.add_argument("--data", type=Path, help="folder with librispeech and spoken_orders "
                        "(FIELDASSIST_SPEECH_DATA, else ../shared/speech_data)")  # fmt: skip
    parser.add_argument("--parts", default="cabin,talk,orders", help="which of cabin,talk,orders to run")
    parser.add_argument("--snr", type=_noises, help="cabin noise in dB, such as clean,10,0; "
                        "default clean,10,5, with --full clean,15,10,5,0")  # fmt: skip
    parser.add_argument("--sentences", type=Path, default=SENTENCES, help="sentences of your own")
    parser.add_argument("--svg", type=Path, help="draw accuracy over noise into this file")
    parser.add_argument("--errors", type=Path, help="list everything that was not right in this file")
    parser.add_argument("--json", type=Path, help="write the counts to this file")
    args = parser.parse_args(argv)
    args.engines = args.engines or ("ours,sphinx,moonshine,whisper" if args.full else "ours,sphinx")
    for name in args.engines.split(","):
        if name not in ENGINES:
            raise UserError(f"engine {name!r}: expected some of {', '.join(ENGINES)}")
    if unknown := set(args.parts.split(",")) - set(PARTS):
        raise UserError(f"part {min(unknown)!r}: expected some of {', '.join(PARTS)}")
    if args.data is None:
        named = os.environ.get("FIELDASSIST_SPEECH_DATA")
        args.data = Path(named) if named else Path("../shared/speech_data")
    return args


def _noises(text: str) -> tuple[float | None, ...]:
    """Read `clean,10,0`."""
    try:
        return tuple(None if noise == "clean" else float(noise) for noise in text.split(","))
    except ValueError:
        raise argparse.ArgumentTypeError(f"expected decibels or clean, such as clean,10,0, not {text!r}") from None


def _installed(names: Sequence[str], model: str | None) -> list[str]:
    """Leave out what is not there, saying so."""
    out = []
    for name in names:
        if name in PEERS and (remedy := peer_missing(name)):
            print(f"{name}: left out, not installed ({remedy})")
        elif name == "ours" and find_model(model) is None:
            print("ours: left out, no model is shipped or named (--model DIR)")
        else:
            out.append(name)
    return out


def _print_written(unit: str, sentences: Sequence[Sentence]) -> None:
    """What the matcher makes of the sentences as written: no engine can do better than this with it."""
    matcher = Matcher(load_phrases())
    steps = {step.id: step for step in steps_for(load_unit(unit))}
    score = Score()
    for sentence in sentences:
        heard = asdict(as_heard(sentence.text, matcher.match(sentence.text, steps[sentence.step]), 0.0, 0.0))
        outcome = {"heard": [heard]}
        _count(score, judge(outcome, sentence), outcome, sentence)
    shares = [_share(part, score.meant) for part in (score.right, score.wrong, score.missed, score.asked)]
    print(f"\nThe matcher on the {len(sentences)} sentences as written, %: {shares[0]} right, {shares[1]} wrong, "
          f"{shares[2]} missed ({shares[3]} asked back); talk taken {score.talk_taken}/{score.talk}")  # fmt: skip


# --- clips -------------------------------------------------------------------------------------------------


def _prepare(sentences: Sequence[Sentence], args: argparse.Namespace, scratch: Path) -> list[Task]:
    tasks: list[Task] = []

    def keep(samples: Samples, **facts: Any) -> None:
        path = scratch / f"{len(tasks):05d}.flac"
        soundfile.write(path, samples, SAMPLE_RATE, subtype="PCM_16", compression_level=0.0)
        tasks.append(Task(str(path), **facts))

    parts = args.parts.split(",")
    if "cabin" in parts:
        snrs = args.snr or (CABIN_SNRS if args.full else _QUICK_SNRS)
        for number, (index, speaker, speed) in enumerate(voices_of(sentences, 3 if args.full else 1)):
            if not args.full and index % _QUICK:
                continue
            speech = say(sentences[index].text, speaker, speed)
            for snr in snrs:
                samples, end = in_cabin(speech, snr, number * 10 + (0 if snr is None else int(snr) // 5 + 1))
                keep(samples, step=sentences[index].step, part="cabin", snr=snr, sentence=index,
                     speaker=speaker.id, speech_end=end)  # fmt: skip
    if "talk" in parts and _there(args.data / "librispeech", "unrelated talk"):
        clips = unrelated(args.data, held_out_only=not args.full)
        for number, path in enumerate(clips if args.full else clips[:_QUICK_TALK]):
            step = _TALK_STEPS[number % len(_TALK_STEPS)]
            keep(load_unrelated(path, _TALK_SNR, 500_000 + number), step=step, part="talk", snr=_TALK_SNR,
                 speaker=path.stem)  # fmt: skip
    if "orders" in parts and _there(args.data / "spoken_orders", "spoken orders"):
        _prepare_orders(args.data, None if args.full else _QUICK_ORDERS, keep)
    return tasks


def _there(folder: Path, what: str) -> bool:
    if folder.is_dir():
        return True
    print(f"{what}: left out, {folder} is not there (--data names where it is)")
    return False


def _prepare_orders(data: Path, most: int | None, keep: Any) -> None:
    labels = json.loads((data / "spoken_orders" / "labels.json").read_text(encoding="utf-8"))
    kitchen = to_float(read_wave(data / "noise" / "kitchen.flac"))
    rng = np.random.default_rng(6)
    for file in sorted(labels)[:most]:
        speech = to_float(read_wave(data / "spoken_orders" / file))
        for snr in ORDER_SNRS:
            at = int(rng.integers(0, kitchen.size - speech.size))
            mixed = speech if snr is None else add_noise_by_peak_frame(speech, kitchen[at : at + speech.size], snr)
            keep(to_int16(mixed), step="", part="orders", snr=snr, speaker=Path(file).stem,
                 slots=json.dumps(labels[file], sort_keys=True))  # fmt: skip


def _hear(name: str, unit: str, tasks: Sequence[Task], args: argparse.Namespace, scratch: Path) -> dict[str, Any]:
    """Hear the clips in a process with one thread; sentences and spoken orders apart."""
    out: dict[str, Any] = {"outcomes": [None] * len(tasks), "cost": {}}
    for grammar, parts in ((None, ("cabin", "talk")), (str(ORDERS_GRAMMAR), ("orders",))):
        chosen = [index for index, task in enumerate(tasks) if task.part in parts]
        if not chosen:
            continue
        # By step, so that the phrases of a step are loaded once, as on the road.
        chosen.sort(key=lambda index: tasks[index].step)
        job, result = scratch / f"{name}-job.json", scratch / f"{name}-result.json"
        job.write_text(json.dumps({
            "engine": name, "model": args.model, "unit": unit, "grammar": grammar,
            "clips": [{"file": tasks[i].file, "step": tasks[i].step} for i in chosen],
        }))  # fmt: skip
        done = subprocess.run(
            [sys.executable, "-m", "fieldassist.bench.speech_worker", str(job), str(result)],
            env={**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
        )
        if done.returncode:
            raise UserError(f"{name}: the hearing process ended with exit code {done.returncode}")
        data = json.loads(result.read_text())
        for index, outcome in zip(chosen, data["outcomes"], strict=True):
            out["outcomes"][index] = outcome
        if grammar is None or not out["cost"]:
            out["cost"] = data["cost"]
    return out


# --- scores ------------------------------------------------------------------------------------------------


def judge(outcome: dict[str, Any], sentence: Sentence) -> str:
    """`right`, `wrong`, `asked` or `missed` for what is meant; `taken` or `quiet` for talk."""
    accepted = [heard for heard in outcome["heard"] if heard["decision"] == "accept"]
    if not sentence.meant:
        return "taken" if accepted else "quiet"
    good = [_fits(heard, sentence) for heard in accepted]
    if good and all(good):
        return "right"
    if good:
        return "wrong"
    return "asked" if any(heard["decision"] == "ask" for heard in outcome["heard"]) else "missed"


def _fits(heard: dict[str, Any], sentence: Sentence) -> bool:
    if sentence.command is not None:
        return bool(heard["command"] == sentence.command)
    findings = [Finding.from_json(finding) for finding in heard["findings"]]
    return bool(findings) and all(is_right(finding, sentence) for finding in findings)


def _scored(tasks: Sequence[Task], result: dict[str, Any], sentences: Sequence[Sentence]) -> dict[str, Any]:
    cabin: dict[str, Score] = {}
    orders: dict[str, list[int]] = {}
    latency: list[float] = []
    work: list[float] = []
    talk = {"hours": 0.0, "entries": 0, "commands": 0, "asks": 0}
    for task, outcome in zip(tasks, result["outcomes"], strict=True):
        if task.part == "cabin":
            sentence = sentences[task.sentence]
            score = cabin.setdefault(_named(task.snr), Score())
            _count(score, judge(outcome, sentence), outcome, sentence)
            if sentence.meant and outcome["heard"]:
                last = outcome["heard"][-1]
                latency.append(last["at"] - task.speech_end + last["work"])
                work.append(last["work"])
        elif task.part == "talk":
            talk["hours"] += outcome["seconds"] / 3600
            for heard in outcome["heard"]:
                if heard["decision"] == "accept":
                    talk["commands" if heard["command"] else "entries"] += 1
                talk["asks"] += heard["decision"] == "ask"
        else:
            count = orders.setdefault(_named(task.snr), [0, 0])
            count[0] += outcome["slots"] == json.loads(task.slots)
            count[1] += 1
    heard = [o for t, o in zip(tasks, result["outcomes"], strict=True) if t.part != "orders"] or result["outcomes"]
    minutes = sum(o["seconds"] for o in heard) / 60
    return {
        "cabin": cabin,
        "orders": orders,
        "talk": talk,
        "latency": _percentiles(latency),
        "work": _percentiles(work),
        "cpu_per_minute": sum(o["cpu"] for o in heard) / minutes,
        **result["cost"],
    }


def _count(score: Score, verdict: str, outcome: dict[str, Any], sentence: Sentence) -> None:
    score.clips += 1
    if not sentence.meant:
        score.talk += 1
        score.talk_taken += verdict == "taken"
        return
    score.meant += 1
    score.right += verdict == "right"
    score.wrong += verdict == "wrong"
    score.missed += verdict in ("missed", "asked")
    score.asked += verdict == "asked"
    if sentence.number:
        score.numbers += 1
        score.number_errors += any(
            is_number_error(Finding.from_json(finding), sentence)
            for heard in outcome["heard"] if heard["decision"] == "accept" for finding in heard["findings"]
        )  # fmt: skip


def _percentiles(values: Sequence[float]) -> tuple[float, float] | None:
    return (float(np.percentile(values, 50)), float(np.percentile(values, 95))) if values else None


def _named(snr: float | None) -> str:
    return "clean" if snr is None else f"{snr:g} dB"


# --- report ------------------------------------------------------------------------------------------------


def _print_tables(report: dict[str, Any], tasks: Sequence[Task]) -> None:
    cabin = [task for task in tasks if task.part == "cabin"]
    if cabin:
        speakers = len({task.speaker for task in cabin})
        print(f"\nFindings and commands in cabin noise: {len({t.sentence for t in cabin})} sentences, "
              f"{speakers} synthetic speakers, %")  # fmt: skip
        print(f"{'engine':<10}{'noise':>7}{'right':>8}{'wrong':>8}{'missed':>8}{'asked':>8}"
              f"{'numbers wrong':>15}{'talk taken':>13}")  # fmt: skip
        for name, data in report.items():
            for noise, s in data["cabin"].items():
                print(f"{name:<10}{noise:>7}{_share(s.right, s.meant):>8}{_share(s.wrong, s.meant):>8}"
                      f"{_share(s.missed, s.meant):>8}{_share(s.asked, s.meant):>8}"
                      f"{f'{s.number_errors}/{s.numbers}':>15}{f'{s.talk_taken}/{s.talk}':>13}")  # fmt: skip
        print("missed: nothing was taken; asked: of these, asked back. Numbers and talk are counts.")
    print("\nCost, one thread; latency from the end of speech, the endpointer's pause included")
    print(f"{'engine':<10}{'p50 ms':>8}{'p95 ms':>8}{'computing p95':>15}{'CPU s/min':>11}{'memory MB':>11}"
          f"{'start s':>9}")  # fmt: skip
    for name, data in report.items():
        p50, p95 = data["latency"] or (float("nan"), float("nan"))
        work = (data["work"] or (0.0, float("nan")))[1]
        print(f"{name:<10}{p50 * 1000:>8.0f}{p95 * 1000:>8.0f}{work * 1000:>15.0f}{data['cpu_per_minute']:>11.2f}"
              f"{data['megabytes']:>11.0f}{data['start']:>9.2f}")  # fmt: skip
    if any(data["talk"]["hours"] for data in report.values()):
        hours = next(iter(report.values()))["talk"]["hours"]
        print(f"\nRead speech that is not for the tool (LibriSpeech, people), {_TALK_SNR:g} dB cabin noise, "
              f"{hours * 60:.0f} min: per hour")  # fmt: skip
        print(f"{'engine':<10}{'false entries':>15}{'false commands':>16}{'asked back':>12}")
        for name, data in report.items():
            talk = data["talk"]
            print(f"{name:<10}" + "".join(f"{talk[key] / talk['hours']:>{width}.1f}" for key, width in
                                           (("entries", 15), ("commands", 16), ("asks", 12))))  # fmt: skip
    noises = [_named(snr) for snr in ORDER_SNRS]
    if any(data["orders"] for data in report.values()):
        clips = next(count[1] for data in report.values() for count in data["orders"].values())
        print(f"\nSpoken orders, people, all slots right, kitchen noise, {clips} clips, %")
        print(f"{'engine':<10}" + "".join(f"{noise:>9}" for noise in noises) + f"{'6-24 dB':>9}")
        for name, data in report.items():
            shares = [100 * data["orders"][noise][0] / data["orders"][noise][1] for noise in noises]
            print(f"{name:<10}" + "".join(f"{share:>9.1f}" for share in [*shares, float(np.mean(shares[1:]))]))
        print("published for 6-24 dB over two noises: best 97.6, others 89.9, 86.8, 84.5, 77.6")


def _share(part: int, whole: int) -> str:
    return f"{100 * part / whole:.1f}" if whole else "-"


def _errors(
    name: str, tasks: Sequence[Task], result: dict[str, Any], sentences: Sequence[Sentence]
) -> list[str]:
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
                out.append(f"{name} {_named(task.snr)} {verdict} {task.step} {task.speaker} {s.text!r} -> "
                           f"{wanted}: {heard or 'no utterance'}")  # fmt: skip
        elif task.part == "talk" and any(h["decision"] == "accept" for h in outcome["heard"]):
            out.append(f"{name} talk taken {task.step} {task.speaker}: {heard}")
        elif task.part == "orders" and outcome["slots"] != json.loads(task.slots):
            out.append(f"{name} order {_named(task.snr)} {task.speaker} {task.slots}: "
                       f"{json.dumps(outcome['slots'])} {heard}")  # fmt: skip
    return out


def _draw(report: dict[str, Any], path: Path) -> None:
    """Accuracy over noise, one line an engine; markers differ too, for print and colour-blind eyes."""
    import matplotlib

    matplotlib.use("svg")
    from matplotlib import pyplot

    matplotlib.rcParams["svg.hashsalt"] = "fieldassist"
    figure, axes = pyplot.subplots(figsize=(7.2, 4.2), layout="constrained")
    names: list[str] = list(next(iter(report.values()))["cabin"])
    for (name, data), marker in zip(report.items(), "osD^", strict=False):
        shares = [100 * score.right / score.meant for score in data["cabin"].values()]
        axes.plot(range(len(shares)), shares, marker=marker, label=name)
        last = (len(shares) - 1, shares[-1])
        axes.annotate(f"{shares[-1]:.0f}", last, xytext=(8, -3), textcoords="offset points")
    axes.set_xticks(range(len(names)), names)
    axes.set_xlabel("cabin noise, speech over noise")
    axes.set_ylabel("right findings and commands, %")
    axes.set_ylim(0, 102)
    axes.margins(x=0.08)
    axes.grid(alpha=0.3)
    axes.legend(loc="lower left")
    figure.savefig(path, format="svg", metadata={"Date": None})
    pyplot.close(figure)

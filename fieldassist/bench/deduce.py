"""Benchmark of the deduction.

`python -m fieldassist.bench deduce [--rows] [--drives N] [--steered N] [--speed] [--out DIR]`; without
arguments all parts, with 60 simulated drives and 6 steered ones for every unit.
"""

from __future__ import annotations

import argparse
import random
import statistics
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fieldassist.bench.chart import look_up
from fieldassist.bench.network import network_of, random_model, theirs
from fieldassist.bench.rows import PRACTICE, PUBLISHED, Verdict, judge_all, read_rows
from fieldassist.bench.simulation import Drive, build, draw_cause, observe, road_test
from fieldassist.deduce import Context, Unit, deduce, load_unit, steps_for, unit_names
from fieldassist.deduce.deduction import weigh
from fieldassist.deduce.nexttest import rank_steps, settled
from fieldassist.deduce.posterior import Posterior
from fieldassist.deduce.reading import evidence_of
from fieldassist.deduce.signature import Signature, signature_of
from fieldassist.deduce.silence import silence
from fieldassist.deduce.step import Step
from fieldassist.finding import Finding

SURE = 0.9


def run(argv: list[str]) -> int:
    """Print the parts asked for."""
    parser = argparse.ArgumentParser(prog="python -m fieldassist.bench deduce")
    parser.add_argument("--rows", action="store_true", help="published symptom rows")
    parser.add_argument("--drives", type=int, default=0, metavar="N", help="N simulated drives for every unit")
    parser.add_argument("--steered", type=int, default=0, metavar="N", help="N steered drives for every unit")
    parser.add_argument("--speed", action="store_true", help="time of an update, and against an exact network")
    parser.add_argument(
        "--out",
        type=Path,
        default=Path(tempfile.gettempdir()) / "fieldassist_bench",
        help="folder for the reliability diagram",
    )
    args = parser.parse_args(argv)
    everything = not (args.rows or args.drives or args.steered or args.speed)
    if args.rows or everything:
        symptom_rows()
    if args.drives or everything:
        simulated_drives(args.drives or 60, args.out)
    if args.steered or everything:
        steered_drives(args.steered or 6)
    if args.speed or everything:
        speed()
    return 0


# -------------------------------------------------------------------- (a) published rows


def symptom_rows() -> None:
    """The published rows, the remembered ones and common practice, apart."""
    published = list(judge_all(read_rows(PUBLISHED)))
    _rate("published rows", [v for v in published if not v.row.remembered])
    _rate("remembered rows", [v for v in published if v.row.remembered])
    _rate("common practice, no source", list(judge_all(read_rows(PRACTICE))))


def _rate(title: str, verdicts: list[Verdict]) -> None:
    rows = {v.row.id for v in verdicts}
    three = sum(v.in_three for v in verdicts) / len(verdicts)
    first = sum(v.first for v in verdicts) / len(verdicts)
    print(f"{title}: {len(rows)} rows, {len(verdicts)} on units; in the top three {three:.1%}, first {first:.1%}")
    for v in verdicts:
        if not v.first:
            mark = "second or third" if v.in_three else "MISSED"
            print(f"  {v.row.id:>4} {v.unit:<27} {mark:<15} rank {v.rank or '-'}: {', '.join(v.top)}")


# -------------------------------------------------------------------- (b) simulated drives


@dataclass
class Tally:
    """Results of one method."""

    ranks: list[int]
    confidence: list[float]
    """Probability given to the top suspect."""
    right: list[bool]
    """The top suspect is the fault."""
    brier: list[float]

    def add(self, probabilities: dict[str, float], cause: str) -> None:
        """Score one drive."""
        ranked = sorted(probabilities, key=lambda c: -probabilities[c])
        self.ranks.append(ranked.index(cause) + 1)
        self.confidence.append(probabilities[ranked[0]])
        self.right.append(ranked[0] == cause)
        self.brier.append(sum((p - (c == cause)) ** 2 for c, p in probabilities.items()))

    def line(self) -> str:
        """Top 1, top 3, Brier score."""
        n = len(self.ranks)
        return (
            f"top 1 {sum(r == 1 for r in self.ranks) / n:6.1%}  top 3 {sum(r <= 3 for r in self.ranks) / n:6.1%}"
            f"  Brier {statistics.fmean(self.brier):.3f}"
        )


def simulated_drives(count: int, out: Path) -> None:
    """Top-1, top-3, Brier score and calibration for every unit, against the chart."""
    print(f"\nsimulated drives, {count} for every unit (missed steps 10 %, unnoticed 10 %, wrong entries 10 %)")
    ours, chart = Tally([], [], [], []), Tally([], [], [], [])
    for name in unit_names():
        unit = load_unit(name)
        signature = signature_of(unit)
        mine, base = Tally([], [], [], []), Tally([], [], [], [])
        rng = random.Random(f"drives {name}")
        for _ in range(count):
            cause, findings, done = road_test(unit, rng)
            after = _after(signature, findings, done)
            probabilities = {c.id: float(p) for c, p in zip(signature.causes, after.cause, strict=True)}
            for tally in (mine, ours):
                tally.add(probabilities, cause)
            for tally in (base, chart):
                tally.add(look_up(unit, findings), cause)
        print(f"  {name:<27} {mine.line()}   chart: {base.line()}")
    print(f"  {'all':<27} {ours.line()}   chart: {chart.line()}")
    path = reliability_diagram(ours, chart, out)
    print(
        f"  reliability diagram: {path}; expected calibration error {calibration_error(ours):.3f}"
        f" (chart {calibration_error(chart):.3f})"
    )


def _after(signature: Signature, findings: Sequence[Finding], done: frozenset[str]) -> Posterior:
    context = Context()
    evidence = [evidence_of(signature, f, context) for f in findings]
    quiet = silence(signature, steps_for(signature.unit), findings, done)
    return weigh(signature, [*evidence, *quiet], context)


def _bins(tally: Tally, count: int = 10) -> list[tuple[float, float, int]]:
    out = []
    for low in np.linspace(0.0, 1.0, count + 1)[:-1]:
        rows = [
            i for i, p in enumerate(tally.confidence) if low <= p < low + 1.0 / count or (p >= 1.0 and low >= 0.9)
        ]
        if rows:
            mean = statistics.fmean(tally.confidence[i] for i in rows)
            out.append((mean, sum(tally.right[i] for i in rows) / len(rows), len(rows)))
    return out


def calibration_error(tally: Tally) -> float:
    """Expected calibration error of the top suspect over ten bins."""
    return sum(n * abs(p - right) for p, right, n in _bins(tally)) / len(tally.right)


def reliability_diagram(ours: Tally, chart: Tally, out: Path) -> Path:
    """Draw how often the top suspect is right against its probability; return the PNG's path."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(6, 6), dpi=120)
    axes = figure.subplots()
    axes.plot([0, 1], [0, 1], color="0.5", linestyle="--", label="perfect")
    for tally, label, marker in ((ours, "deduction", "o"), (chart, "chart look-up", "s")):
        bins = _bins(tally)
        axes.plot([b[0] for b in bins], [b[1] for b in bins], marker=marker, label=label)
        for p, right, n in bins:
            axes.annotate(str(n), (p, right), textcoords="offset points", xytext=(5, -9), fontsize=7)
    axes.set(xlabel="probability of the top suspect", ylabel="share of drives in which it is the fault",
             xlim=(0, 1), ylim=(0, 1),
             title="Simulated drives, all units (numbers: drives in the bin)")  # fmt: skip
    axes.legend()
    out.mkdir(parents=True, exist_ok=True)
    path = out / "reliability.png"
    figure.savefig(path)
    return path


# -------------------------------------------------------------------- (c) steps until certainty

Policy = Callable[[Signature, Posterior, list[Step], list[Finding], random.Random], Step]


def _next_test(
    signature: Signature, after: Posterior, left: list[Step], findings: list[Finding], rng: random.Random
) -> Step:
    ranked = rank_steps(signature, left, after)
    return ranked[0].step if ranked else left[0]


def _fixed(
    signature: Signature, after: Posterior, left: list[Step], findings: list[Finding], rng: random.Random
) -> Step:
    return left[0]


def _random(
    signature: Signature, after: Posterior, left: list[Step], findings: list[Finding], rng: random.Random
) -> Step:
    return rng.choice(left)


POLICIES: dict[str, Policy] = {"next test": _next_test, "fixed order": _fixed, "random order": _random}


def steered_drives(count: int) -> None:
    """Steps and minutes until the work to be done is certain, for each way of choosing the next step."""
    print(
        f"\nsteps until {SURE:.0%} certainty of the work, {count} drives for every unit (road and look, no gauge)"
    )
    steps: dict[str, list[int]] = {name: [] for name in POLICIES}
    minutes: dict[str, list[float]] = {name: [] for name in POLICIES}
    reached: dict[str, list[bool]] = {name: [] for name in POLICIES}
    right: dict[str, list[bool]] = {name: [] for name in POLICIES}
    for name in unit_names():
        unit = load_unit(name)
        draws = random.Random(f"steered {name}")
        for number in range(count):
            cause = draw_cause(unit, draws)
            for policy, choose in POLICIES.items():
                rng = random.Random(f"{name} {number}")
                taken, spent, sure, good = _steer(unit, cause, choose, rng)
                steps[policy].append(taken)
                minutes[policy].append(spent)
                reached[policy].append(sure)
                right[policy].append(good)
    for policy in POLICIES:
        n = len(steps[policy])
        certain = [i for i in range(n) if reached[policy][i]]
        correct = sum(right[policy][i] for i in certain) / max(len(certain), 1)
        print(
            f"  {policy:<13} median {statistics.median(steps[policy]):4.0f} steps,"
            f" mean {statistics.fmean(steps[policy]):5.1f},"
            f" median {statistics.median(minutes[policy]):5.1f} min; certain in {len(certain) / n:.0%} of drives,"
            f" of these right {correct:.0%}"
        )


def _steer(unit: Unit, cause: str, choose: Policy, rng: random.Random) -> tuple[int, float, bool, bool]:
    signature = signature_of(unit)
    drive = Drive(unit, build(unit, cause, rng), rng)
    left = [s for s in steps_for(unit) if s.depth in ("look", "road") and s.procedure != "stall"]
    findings: list[Finding] = []
    done: set[str] = set()
    spent = 0.0
    wanted = next(c for c in signature.causes if c.id == cause)
    while True:
        after = _after(signature, findings, frozenset(done))
        work, share = settled(signature, after)
        good = work == ("removal" if wanted.depth == "removal" else wanted.work)
        if share >= SURE or not left:
            return len(done), spent, share >= SURE, good
        step = choose(signature, after, left, findings, rng)
        left.remove(step)
        done.add(step.id)
        spent += step.minutes
        findings += observe(drive, step, rng)


# -------------------------------------------------------------------- (d) speed


def speed() -> None:
    """Time of a full update of the eight-speed unit, and the ratio to an exact network on the same small model."""
    unit = load_unit("eight_speed_four_sets")
    signature = signature_of(unit)
    rng = random.Random("speed")
    _, findings, done = road_test(unit, rng)
    findings = (findings * 20)[:20]
    context = Context()

    def update(pairs: bool) -> Posterior:
        evidence = [evidence_of(signature, f, context) for f in findings]
        quiet = silence(signature, steps_for(unit), findings, done)
        return weigh(signature, [*evidence, *quiet], context, pairs=pairs)

    print("\nspeed: median processor time on one core, tables built and kept")
    for label, work in (
        ("single causes", lambda: update(False)),
        ("with all pairs", lambda: update(True)),
        ("whole answer with reasons and next test", lambda: deduce(unit, findings, context, done)),
    ):
        print(
            f"  eight-speed unit, {len(signature.causes)} causes, 20 findings, {len(done)} steps done, {label}:"
            f" {1000 * _median_time(work):.2f} ms"
        )
    model = random_model(8, 10, np.random.default_rng(1))
    _, inference = network_of(model)
    flip = [True]

    def network() -> None:
        flip[0] = not flip[0]  # other evidence each time, or the library answers from its cache
        seen = (flip[0], *model.present[1:])
        theirs(type(model)(model.prior, model.absent, seen), inference)

    ours, exact = _median_time(model.ours), _median_time(network)
    worst = float(np.abs(model.ours().cause - theirs(model, inference)).max())
    print(
        f"  8 causes in 3 degrees and their pairs, 10 findings: exact network {1000 * exact:.2f} ms, ours"
        f" {1000 * ours:.2f} ms, ratio {exact / ours:.1f}; largest difference of a posterior {worst:.1e}"
    )


def _median_time(work: Callable[[], object], repeats: int = 30) -> float:
    times = []
    for _ in range(repeats):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return statistics.median(times)

"""The next test: expected information gain per minute, with depth and risk as cost, and the rules of safety."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from fieldassist.deduce.causes import DEGREES, Cause
from fieldassist.deduce.outcomes import outcomes, step_absent
from fieldassist.deduce.posterior import Posterior
from fieldassist.deduce.reading import state_word
from fieldassist.deduce.shopwords import kind_words
from fieldassist.deduce.signature import Signature
from fieldassist.deduce.step import Step
from fieldassist.finding import Finding

DEPTH_COST: Mapping[str, float] = {"look": 0.0, "road": 0.0, "gauge": 5.0, "pan": 15.0, "removal": 240.0}
"""Extra minutes for setting up and for what may be spoilt."""
KEPT = 400
"""Hypotheses (single causes, pairs) over which the gain is reckoned: the most probable ones."""
SURE = 0.95
"""Probability of one kind of work from which further tests are idle."""
LEAST_GAIN = 0.02
"""Bits about the work to be done below which a test is idle."""
STARVED = 0.12
"""Probability of low fluid or low line pressure from which no stall test is proposed."""
PROPOSED = 5

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Proposal:
    """A test worth doing next."""

    step: str
    title: str
    gain_bits: float
    """Expected information about the cause."""
    minutes: float
    depth: str
    why: str
    cautions: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """As JSON."""
        return {
            "step": self.step, "title": self.title, "gain_bits": round(self.gain_bits, 3), "minutes": self.minutes,
            "depth": self.depth, "why": self.why, "cautions": list(self.cautions),
        }  # fmt: skip


@dataclass(frozen=True)
class Plan:
    """What to test next, and why not."""

    proposals: tuple[Proposal, ...]
    stop: str | None
    withheld: Mapping[str, str]
    """Step -> reason why it must not be done now."""


CAUTIONS: Mapping[str, tuple[str, ...]] = {
    "stall": (
        "Only where the vehicle's service information allows it, fluid hot, at most 5 seconds at full throttle.",
        "Parking brake and foot brake on, wheels blocked, nobody in front or behind.",
        "Lift off at once if the engine passes the specified speed; then cool it in N.",
    ),
    "pressure": (
        "Hot fluid under pressure: gauge and hose rated for it, hands and hose clear of hot and moving parts.",
    ),
    "pan_inspection": ("Hot fluid: let it cool, wear gloves and eye protection; support the car on stands.",),
    "kickdown": ("Clear road, within the speed limit.",),
    "acceleration": ("Clear road, within the speed limit.",),
}  # fmt: skip
"""Procedure -> usual cautions (published stall-test instructions; common practice for the rest)."""


@dataclass(frozen=True, eq=False)
class Ranked:
    """A test with what it is expected to tell."""

    step: Step
    rate: float
    """Bits about the cause for each minute of cost."""
    gain: float
    """Bits about the cause."""
    about_work: float
    """Bits about the work to be done."""
    outcome: Array
    """P(outcome, hypothesis); the first outcome is "normal"."""


def propose(
    signature: Signature,
    steps: Sequence[Step],
    after: Posterior,
    findings: Sequence[Finding],
    done: frozenset[str],
) -> Plan:
    """Rank the tests that are left."""
    withheld = _withheld(signature, steps, after, findings, done)
    left = [s for s in steps if s.id not in done and s.id not in withheld and not _known(s, findings)]
    joint = _Joint(signature, after)
    if joint.work_share >= SURE:
        return Plan((), f"the work is settled: {joint.work} ({joint.work_share:.0%})", withheld)
    useful = [r for r in _rank(joint, left) if r.about_work >= LEAST_GAIN]
    if not useful:
        return Plan(
            (), f"no test that is left would change the work: {joint.work} ({joint.work_share:.0%})", withheld
        )
    proposals = tuple(
        Proposal(
            r.step.id, r.step.title, r.gain, r.step.minutes, r.step.depth, joint.why(r.step, r.outcome),
            CAUTIONS.get(r.step.procedure, ()),
        )
        for r in useful[:PROPOSED]
    )  # fmt: skip
    return Plan(proposals, None, withheld)


def rank_steps(signature: Signature, steps: Sequence[Step], after: Posterior) -> list[Ranked]:
    """Steps by expected information about the cause for each minute of cost, best first."""
    return _rank(_Joint(signature, after), steps)


def settled(signature: Signature, after: Posterior) -> tuple[str, float]:
    """The likeliest work to be done and its probability."""
    joint = _Joint(signature, after)
    return joint.work, joint.work_share


def _rank(joint: _Joint, steps: Sequence[Step]) -> list[Ranked]:
    out = []
    for step in steps:
        gain, about_work, outcome = joint.gain(step)
        cost = step.minutes + step.risk + DEPTH_COST[step.depth]
        out.append(Ranked(step, gain / cost, gain, about_work, outcome))
    return sorted(out, key=lambda r: (-r.rate, r.step.id))


class _Joint:
    """The most probable hypotheses, single and paired, with the work that each of them means."""

    def __init__(self, signature: Signature, after: Posterior) -> None:
        self.signature = signature
        degrees = len(DEGREES)
        good = signature.count - 1
        single = after.hypothesis
        flat = after.pair_hypothesis.ravel()
        rows = [(float(single[h]), h, good) for h in np.argsort(-single)[:KEPT] if single[h] > 0.0]
        if flat.size:
            size = len(after.pair_hypothesis)
            count = min(KEPT, flat.size - 1)
            for k in np.argpartition(-flat, count)[:count]:
                if flat[k] > 0.0:
                    rows.append((float(flat[k]), int(k) // size, int(k) % size))
        rows.sort(key=lambda row: -row[0])
        rows = rows[:KEPT]
        self.weight = np.array([row[0] for row in rows])
        self.weight /= self.weight.sum()
        self.first = np.array([row[1] for row in rows])
        self.second = np.array([row[2] for row in rows])
        names = [c.id for c in signature.causes]
        pairs = [(int(a) // degrees, int(b) // degrees) for a, b in zip(self.first, self.second, strict=True)]
        what = [tuple(sorted(names[i] for i in pair if i < len(names))) for pair in pairs]
        self.groups, self.group = _number(what)
        works, self.work_of = _number([_work(signature, pair) for pair in pairs])
        shares = np.bincount(self.work_of, self.weight)
        self.work, self.work_share = str(works[int(shares.argmax())]), float(shares.max())

    def gain(self, step: Step) -> tuple[float, float, Array]:
        """Expected gain in bits about the causes, and about the work; and P(outcome, hypothesis)."""
        absent = step_absent(self.signature, step)
        both = absent[:, self.first] * absent[:, self.second]
        # The good unit stands in as the second of a single cause: its own false reports must not count twice.
        single = self.second == self.signature.count - 1
        both[:, single] = absent[:, self.first[single]]
        normal = both.prod(axis=0)
        seen = 1.0 - both
        seen *= (1.0 - normal) / np.maximum(seen.sum(axis=0), 1e-12)
        outcome = np.vstack([normal, seen]) * self.weight
        return _information(outcome, self.group), _information(outcome, self.work_of), outcome

    def why(self, step: Step, outcome: Array) -> str:
        """What the test would separate, as a sentence."""
        names = {c.id: c.name for c in self.signature.causes}
        shares = outcome.sum(axis=1)
        telling = 1 + int(shares[1:].argmax()) if len(shares) > 1 else 0
        kind = kind_words(outcomes(self.signature.unit, step)[telling - 1][0]) if telling else "something"
        by_group = np.zeros((2, len(self.groups)))
        for row, n in ((outcome[telling], 0), (outcome[0], 1)):
            by_group[n] = np.bincount(self.group, row, len(self.groups)) / max(float(row.sum()), 1e-12)
        yes, no = (self.groups[int(row.argmax())] for row in by_group)
        said = [" and ".join(names[i] for i in group) or "nothing wrong" for group in (yes, no)]
        if said[0] == said[1]:
            rise, fall = by_group[0].max(), by_group[1].max()
            text = f"{said[0]}: {rise:.0%} if it shows {kind}, {fall:.0%} if all is normal"
        else:
            text = f"{kind} points to {said[0]}; normal to {said[1]}"
        return f"{text[0].upper()}{text[1:]}."


def _number(items: Sequence[Any]) -> tuple[list[Any], npt.NDArray[np.int_]]:
    index: dict[Any, int] = {}
    numbers = np.array([index.setdefault(item, len(index)) for item in items])
    return list(index), numbers


def _work(signature: Signature, pair: tuple[int, int]) -> str:
    """What will be done: once the unit comes out, the teardown shows the rest."""
    causes = [signature.causes[i] for i in pair if i < len(signature.causes)]
    if any(c.depth == "removal" for c in causes):
        return "removal"
    return " and ".join(sorted({c.work for c in causes})) or "nothing"


def _information(outcome: Array, group: npt.NDArray[np.int_]) -> float:
    """Mutual information in bits between outcome (rows) and group of hypotheses."""
    count = int(group.max()) + 1
    joint = np.array([np.bincount(group, row, count) for row in outcome])
    expected = joint.sum(axis=1, keepdims=True) * joint.sum(axis=0, keepdims=True)
    some = joint > 1e-15
    return max(0.0, float((joint[some] * np.log2(joint[some] / expected[some])).sum()))


def _known(step: Step, findings: Sequence[Finding]) -> bool:
    """The findings already tell what the step would show."""
    for f in findings:
        if f.kind not in step.kinds:
            continue
        said = ((step.shift, f.shift), (step.gear, f.gear), (step.range, f.range), (step.throttle, f.throttle))
        if f.kind == "normal" and all(value is None for _, value in said):
            continue
        if all(asked is None or asked == value for asked, value in said) and step.where in (None, f.where):
            return True
    return False


def _withheld(
    signature: Signature,
    steps: Sequence[Step],
    after: Posterior,
    findings: Sequence[Finding],
    done: frozenset[str],
) -> dict[str, str]:
    stalls = [s for s in steps if s.procedure == "stall" and s.id not in done]
    if not stalls:
        return {}
    reason = _no_stall(signature, after, findings, done)
    return {s.id: reason for s in stalls} if reason is not None else {}


def _starves(cause: Cause) -> bool:
    """The cause takes a quarter of line pressure or of the fluid away at its worst."""
    lost = 1.0 - min(cause.acts.get("line", (1.0,)))
    return max(lost, max(cause.acts.get("fade", (0.0,))), -min(cause.acts.get("level", (0.0,)))) > 0.25


def _no_stall(
    signature: Signature, after: Posterior, findings: Sequence[Finding], done: frozenset[str]
) -> str | None:
    for f in findings:
        words = (f.where or "").replace("_", " ").split()
        if f.kind == "fluid_level" and f.present and state_word(f) in ("low", None):
            return "fluid level is low: set it first"
        if f.kind == "pressure" and f.present and state_word(f) in ("low", "falls"):
            return "line pressure is low: mend that first"
        if f.kind == "fluid_condition" and f.present and {"milky", "foamy"} & set(words):
            return "the fluid is not fit for a stall test"
    starved = np.array([_starves(cause) for cause in signature.causes])
    if float(after.cause[starved].sum()) >= STARVED:
        return "low fluid or low line pressure is not ruled out: check both first"
    looked = "fluid_level" in done or any(f.kind == "fluid_level" for f in findings)
    return None if looked else "check the fluid level first"

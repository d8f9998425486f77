"""Why a cause is suspected: weights of the findings, what would clear it, what contradicts what."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from fieldassist.deduce.causes import DEGREES
from fieldassist.deduce.outcomes import nothing_there
from fieldassist.deduce.posterior import Posterior
from fieldassist.deduce.reading import Evidence
from fieldassist.deduce.shopwords import describe
from fieldassist.deduce.signature import Signature
from fieldassist.deduce.step import Step
from fieldassist.finding import MEASURED_KINDS, Finding

SURPRISE = 0.12
"""A finding that even the surviving hypotheses give less than this is reported as unexplained."""


@dataclass(frozen=True)
class Weight:
    """What one finding says about one cause."""

    finding: int
    """Position in the list of findings."""
    text: str
    decibans: float
    """10 log10 of how much likelier the finding is with the cause than with its rivals, given all others."""

    def to_json(self) -> dict[str, Any]:
        """As JSON."""
        return {"finding": self.finding, "text": self.text, "decibans": round(self.decibans, 1)}


@dataclass(frozen=True)
class Clearing:
    """A step that would speak against a cause if nothing is wrong there."""

    step: str
    title: str
    decibans: float
    """Weight of "normal" there (negative)."""

    def to_json(self) -> dict[str, Any]:
        """As JSON."""
        return {"step": self.step, "title": self.title, "decibans": round(self.decibans, 1)}


@dataclass(frozen=True)
class Contradiction:
    """Findings that nothing explains together."""

    findings: tuple[int, ...]
    """Positions in the list of findings."""
    text: str
    repeat: str | None
    """Step to repeat."""

    def to_json(self) -> dict[str, Any]:
        """As JSON."""
        return {"findings": list(self.findings), "text": self.text, "repeat": self.repeat}


def weights(
    signature: Signature, after: Posterior, evidence: Sequence[Evidence], findings: Sequence[Finding], cause: int
) -> tuple[Weight, ...]:
    """Weight of every finding for one cause against its rivals, heaviest first."""
    mine = _mine(signature, cause)
    out = []
    for number, item in enumerate(evidence):
        like = item.likelihood()
        rest = after.hypothesis / (like if like.shape == after.hypothesis.shape else like[0])
        with_it, without = rest[mine], rest[~mine]
        if with_it.sum() <= 0.0 or without.sum() <= 0.0:
            continue
        like = np.broadcast_to(like, after.hypothesis.shape)
        for_cause = float(with_it @ like[mine]) / float(with_it.sum())
        for_rivals = float(without @ like[~mine]) / float(without.sum())
        decibans = 10.0 * float(np.log10(for_cause / for_rivals))
        out.append(Weight(number, describe(findings[number]), decibans))
    return tuple(sorted(out, key=lambda w: -w.decibans))


def clearings(
    signature: Signature,
    steps: tuple[Step, ...],
    after: Posterior,
    cause: int,
    done: frozenset[str],
    withheld: Mapping[str, str],
) -> tuple[Clearing, ...]:
    """The three steps whose "normal" would speak most against a cause."""
    mine = _mine(signature, cause)
    weight = after.hypothesis
    if weight[mine].sum() <= 0.0 or weight[~mine].sum() <= 0.0:
        return ()
    normal = _nothing_there(signature, steps)
    for_cause = normal[:, mine] @ weight[mine] / weight[mine].sum()
    for_rivals = normal[:, ~mine] @ weight[~mine] / weight[~mine].sum()
    decibans = 10.0 * np.log10(for_cause / for_rivals)
    out: list[Clearing] = []
    for n in np.argsort(decibans, kind="stable"):
        step = steps[int(n)]
        if decibans[n] > -3.0 or len(out) == 3:
            break
        if step.id not in done and step.id not in withheld:
            out.append(Clearing(step.id, step.title, float(decibans[n])))
    return tuple(out)


@lru_cache(maxsize=32)
def _nothing_there(signature: Signature, steps: tuple[Step, ...]) -> npt.NDArray[np.float64]:
    """Probability that each step shows nothing out of the ordinary, shape (steps, H)."""
    return np.array([nothing_there(signature, step) for step in steps])


def contradictions(
    signature: Signature, steps: Sequence[Step], after: Posterior, evidence: Sequence[Evidence],
    findings: Sequence[Finding],
) -> tuple[Contradiction, ...]:  # fmt: skip
    """Findings that deny each other, and findings that no surviving hypothesis explains."""
    out: list[Contradiction] = []
    taken: set[int] = set()
    for i, a in enumerate(findings):
        for j in range(i + 1, len(findings)):
            b = findings[j]
            if _deny(a, b):
                taken |= {i, j}
                text = f"“{describe(a)}” against “{describe(b)}”"
                out.append(Contradiction((i, j), text, _step_for(steps, a)))
    for i, item in enumerate(evidence):
        if i in taken or not item.terms:
            continue
        expected = _expected(after, item)
        if expected < SURPRISE:
            text = f"nothing that fits the rest explains “{describe(findings[i])}”"
            out.append(Contradiction((i,), text, _step_for(steps, findings[i])))
    return tuple(out)


def _expected(after: Posterior, item: Evidence) -> float:
    """Mean likelihood of a finding over what is believed now, pairs included."""
    like = item.likelihood()
    out = float(after.hypothesis @ like)
    size = len(after.pair_hypothesis)
    if size:
        pairs = item.base * float(after.pair_hypothesis.sum())
        for factor, absent in item.terms:
            pairs += factor * float(absent[:size] @ after.pair_hypothesis @ absent[:size])
        out += pairs
    known = float(after.hypothesis.sum() + after.pair_hypothesis.sum())
    return out / known if known > 0.0 else 0.0


def _deny(a: Finding, b: Finding) -> bool:
    """One says that it is there, the other that it is not, in the same condition."""
    if a.kind == b.kind and a.present == b.present:
        return False
    if a.kind != b.kind and "normal" not in (a.kind, b.kind):
        return False
    keys = ("shift", "range", "gear", "throttle", "temperature", "where")
    if "normal" in (a.kind, b.kind):
        fault, normal = (b, a) if a.kind == "normal" else (a, b)
        if not fault.present or fault.kind == "normal" or fault.kind in MEASURED_KINDS:
            return False  # a number is no fault by itself
        named = [key for key in keys if getattr(normal, key) is not None]
        return bool(named) and all(getattr(normal, key) == getattr(fault, key) for key in named)
    return all(getattr(a, key) == getattr(b, key) for key in keys)


def _step_for(steps: Sequence[Step], finding: Finding) -> str | None:
    """The step in which a finding is best looked for again."""
    best, score = None, -1.0
    for step in steps:
        if finding.kind not in step.kinds and not (finding.kind == "normal" and len(step.kinds) > 1):
            continue
        points = 0.0
        for key in ("shift", "gear", "range", "throttle", "where"):
            asked, said = getattr(step, key), getattr(finding, key)
            if said is not None and asked is not None:
                points += 1.0 if said == asked else -2.0
        if finding.kind in step.kinds and finding.kind != "normal":
            points += 0.5
        if points > score:
            best, score = step.id, points
    return best


def _mine(signature: Signature, cause: int) -> npt.NDArray[np.bool_]:
    mine = np.zeros(signature.count, dtype=bool)
    mine[len(DEGREES) * cause : len(DEGREES) * (cause + 1)] = True
    return mine

"""From findings to suspects, contradictions, the work to be done and the next test."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from fieldassist.deduce.belief import TWO_FAULTS, prior_of
from fieldassist.deduce.causes import WORK_DEPTHS
from fieldassist.deduce.computed import computed
from fieldassist.deduce.context import Context
from fieldassist.deduce.explain import Clearing, Contradiction, Weight, clearings, contradictions, weights
from fieldassist.deduce.nexttest import Proposal, propose
from fieldassist.deduce.posterior import LeftOut, Posterior, posterior
from fieldassist.deduce.priors import ShopPriors
from fieldassist.deduce.reading import Evidence, evidence_of
from fieldassist.deduce.signature import Signature, signature_of
from fieldassist.deduce.silence import left_out, silence
from fieldassist.deduce.steps import steps_for
from fieldassist.deduce.unit import Unit
from fieldassist.finding import Finding

SHOWN = 8
"""Suspects that are explained."""
LEAST = 0.005
"""Probability below which a suspect is not shown."""


@dataclass(frozen=True)
class Suspect:
    """One cause with what speaks for and against it."""

    cause: str
    name: str
    probability: float
    """That it is there, alone or with another."""
    for_: tuple[Weight, ...]
    """Findings that speak for it, heaviest first."""
    against: tuple[Weight, ...]
    clears: tuple[Clearing, ...]
    """Steps that would clear it if they turn out normal."""
    depth: str
    """One of causes.WORK_DEPTHS."""
    work: str
    cautions: tuple[str, ...]
    shipped_rate: float
    """Base rate in the shipped file, per 1000 complaints."""
    used_rate: float
    """Rate with the shop's confirmed cases."""

    def to_json(self) -> dict[str, Any]:
        """As JSON."""
        return {
            "cause": self.cause,
            "name": self.name,
            "probability": round(self.probability, 4),
            "for": [w.to_json() for w in self.for_],
            "against": [w.to_json() for w in self.against],
            "clears": [c.to_json() for c in self.clears],
            "depth": self.depth,
            "work": self.work,
            "cautions": list(self.cautions),
            "base_rate": {"shipped": self.shipped_rate, "used": round(self.used_rate, 3)},
        }


@dataclass(frozen=True)
class Deduction:
    """What the findings say about one unit."""

    unit: str
    suspects: tuple[Suspect, ...]
    """Most probable first."""
    unknown: float
    """Probability of something that is not among the causes."""
    good: float
    """Probability that nothing is wrong."""
    pairs: tuple[tuple[str, str, float], ...]
    """Most probable pairs of causes."""
    contradictions: tuple[Contradiction, ...]
    next_tests: tuple[Proposal, ...]
    """Best first; empty when more tests would not change the work."""
    stop: str | None
    """Why no further test is proposed."""
    withheld: Mapping[str, str]
    """Step that must not be done now -> reason."""
    work: Mapping[str, float]
    """Depth of the work to be done -> probability."""
    computed: tuple[str, ...] = ()
    """What follows from the numbers alone, in sentences."""
    probabilities: Mapping[str, float] = field(default_factory=dict)
    """Every cause of the unit -> probability."""

    def to_json(self) -> dict[str, Any]:
        """As JSON."""
        return {
            "unit": self.unit,
            "suspects": [s.to_json() for s in self.suspects],
            "unknown": round(self.unknown, 4),
            "good": round(self.good, 4),
            "pairs": [{"causes": [a, b], "probability": round(p, 4)} for a, b, p in self.pairs],
            "contradictions": [c.to_json() for c in self.contradictions],
            "next_tests": [t.to_json() for t in self.next_tests],
            "computed": list(self.computed),
            "stop": self.stop,
            "withheld": [{"step": step, "why": why} for step, why in self.withheld.items()],
            "work": {depth: round(p, 4) for depth, p in self.work.items()},
        }


def deduce(
    unit: Unit,
    findings: Sequence[Finding],
    context: Context = Context(),  # noqa: B008 (frozen)
    done: frozenset[str] = frozenset(),
    priors: ShopPriors | None = None,
    pairs: bool = True,
) -> Deduction:
    """Weigh every cause, and every pair of causes, against the findings.

    `done`: ids of the steps that were carried out; what was not reported there counts as not there. Without any,
    the findings are taken as a complaint: what it does not mention weighs only a little.
    `priors`: the shop's confirmed cases. `pairs`: two causes at once (set False on a slow machine).
    """
    signature = signature_of(unit)
    evidence = [evidence_of(signature, finding, context) for finding in findings]
    quiet = silence(signature, steps_for(unit), findings, done)
    after = weigh(signature, [*evidence, *quiet], context, priors, pairs, left_out(signature, findings, done))
    probability = after.cause
    rates = priors.rates(signature.causes) if priors is not None else {}
    order = np.argsort(-probability, kind="stable")
    shown = [int(i) for i in order[:SHOWN] if probability[i] >= LEAST or i in order[:3]]
    tests = propose(signature, steps_for(unit), after, findings, done)
    causes = signature.causes
    suspects = []
    for i in shown:
        spoken = weights(signature, after, evidence, findings, i)
        suspects.append(
            Suspect(
                cause=causes[i].id, name=causes[i].name, probability=float(probability[i]),
                for_=tuple(w for w in spoken if w.decibans >= 0.5)[:6],
                against=tuple(w for w in reversed(spoken) if w.decibans <= -0.5)[:6],
                clears=clearings(signature, steps_for(unit), after, i, done, tests.withheld),
                depth=causes[i].depth, work=causes[i].work, cautions=causes[i].cautions,
                shipped_rate=causes[i].base_rate, used_rate=rates.get(causes[i].id, causes[i].base_rate),
            )
        )  # fmt: skip
    return Deduction(
        unit=unit.name,
        suspects=tuple(suspects),
        unknown=after.unknown,
        good=after.good,
        pairs=_pairs(signature, after),
        contradictions=contradictions(signature, steps_for(unit), after, evidence, findings),
        next_tests=tests.proposals,
        stop=tests.stop,
        withheld=tests.withheld,
        work=_work(signature, after),
        computed=computed(unit, findings, context),
        probabilities={cause.id: float(p) for cause, p in zip(causes, probability, strict=True)},
    )


def weigh(
    signature: Signature,
    evidence: Sequence[Evidence],
    context: Context,
    priors: ShopPriors | None = None,
    pairs: bool = True,
    told: LeftOut | None = None,
) -> Posterior:
    """Posterior over all hypotheses of a signature."""
    rates = priors.rates(signature.causes) if priors is not None else None
    two = priors.two_faults() if priors is not None else TWO_FAULTS
    prior = prior_of(signature.causes, context, rates, two)
    typical = np.append((prior.cause[:, None] * prior.degree).ravel(), 0.0)
    typical /= typical.sum()
    return posterior(prior, evidence, [unknown_likelihood(item, typical) for item in evidence], pairs, told)


def unknown_likelihood(item: Evidence, typical: np.ndarray[Any, np.dtype[np.float64]]) -> float:
    """Likelihood of a finding when its cause is none that we know: half as typical as among the known ones."""
    out = item.base
    for factor, absent in item.terms:
        present = float(typical @ (1.0 - absent))
        out += factor * (1.0 - min(0.5 * present + 0.02, 0.3))
    return max(out, 1e-9)


def _pairs(signature: Signature, after: Posterior) -> tuple[tuple[str, str, float], ...]:
    flat = np.argsort(-after.pair, axis=None, kind="stable")[:5]
    ids = [cause.id for cause in signature.causes]
    out = []
    for a, b in zip(*np.unravel_index(flat, after.pair.shape), strict=True):
        if after.pair[a, b] >= 0.01:
            out.append((ids[a], ids[b], float(after.pair[a, b])))
    return tuple(out)


def _work(signature: Signature, after: Posterior) -> dict[str, float]:
    """Probability of each depth; two causes are mended at the deeper one."""
    rank = np.array([_rank(cause.depth) for cause in signature.causes])
    out = dict.fromkeys(WORK_DEPTHS, 0.0)
    for depth in WORK_DEPTHS:
        out[depth] = float(after.single[rank == _rank(depth)].sum())
    deeper = np.maximum(rank[:, None], rank[None, :])
    for depth in WORK_DEPTHS:
        out[depth] += float(after.pair[deeper == _rank(depth)].sum())
    out["none"] = after.good
    out["unknown"] = after.unknown
    return out


def _rank(depth: str) -> int:
    """Order of depth: work outside the transmission is the least."""
    return ("not_transmission", "adjust", "fluid_and_filter", "in_vehicle", "removal").index(depth)

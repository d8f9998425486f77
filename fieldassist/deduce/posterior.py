"""Exact posterior over the good unit, every single cause, every pair of causes and "something else".

Under two causes an event is absent when neither of them (at its degree) causes it, independently (noisy-or). All
findings are independent given causes and degrees. Everything is one sum over hypotheses (cause, degree) and, for
pairs, over the square of them, in the log domain.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fieldassist.deduce.reading import Evidence

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Prior:
    """What is believed before any finding."""

    cause: Array
    """Probability of each cause being the only one, shape (C,)."""
    degree: Array
    """Share of each degree within its cause, shape (C, 3)."""
    good: float
    """Probability that nothing is wrong."""
    unknown: float
    """Probability of something that is not among the causes."""
    two: float
    """Probability of two causes at once; shared over the pairs by the product of their base rates."""


@dataclass(frozen=True, eq=False)
class LeftOut:
    """Events that a complaint leaves out: with m of them expected, it is (1 + m / scale) ** -weight as likely."""

    absent: Array
    """Probability that each event is absent, shape (events, H)."""
    weight: float
    scale: float

    def log_single(self) -> Array:
        """Log likelihood under every single hypothesis, shape (H,)."""
        return np.asarray(-self.weight * np.log1p((1.0 - self.absent).sum(axis=0) / self.scale))

    def log_pairs(self, size: int) -> Array:
        """Log likelihood under every pair of the first `size` hypotheses, shape (size, size)."""
        absent = self.absent[:, :size]
        expected = len(absent) - absent.T @ absent
        return np.asarray(-self.weight * np.log1p(expected / self.scale))


@dataclass(frozen=True, eq=False)
class Posterior:
    """What is believed after the findings."""

    single: Array
    """P(cause is there alone), shape (C,)."""
    pair: Array
    """P(both causes are there), shape (C, C), upper triangle."""
    good: float
    unknown: float
    log_evidence: float
    """Natural log of the probability of all findings."""
    hypothesis: Array
    """P(single cause and degree), then the good unit, shape (H,); sums to `single.sum() + good`."""
    pair_hypothesis: Array
    """P(pair of causes and degrees), shape (H - 1, H - 1), upper triangle by cause; empty without pairs."""

    @property
    def cause(self) -> Array:
        """P(cause is there, alone or with another), shape (C,)."""
        return np.asarray(self.single + self.pair.sum(axis=0) + self.pair.sum(axis=1))


def posterior(
    prior: Prior,
    evidence: Sequence[Evidence],
    unknown: Sequence[float],
    pairs: bool = True,
    left_out: LeftOut | None = None,
) -> Posterior:
    """Weigh all hypotheses. `unknown`: likelihood of each finding when it is something else."""
    causes, degrees = prior.degree.shape
    size = causes * degrees
    start = np.append((prior.cause[:, None] * prior.degree).ravel(), prior.good)
    with np.errstate(divide="ignore"):
        log_single = np.log(start)
        log_unknown = float(np.log(prior.unknown)) if prior.unknown > 0 else -np.inf
    for item in evidence:
        log_single = log_single + np.log(item.likelihood())
    log_unknown += float(np.sum(np.log(unknown))) if len(unknown) else 0.0
    if left_out is not None:
        told = left_out.log_single()
        log_single = log_single + told
        log_unknown += float(np.log(np.exp(told) @ start / start.sum()))
    if pairs and prior.two > 0.0:
        log_pair = _log_pairs(prior, evidence, size, degrees)
        if left_out is not None:
            log_pair += left_out.log_pairs(size)
        top = max(float(log_single.max()), log_unknown, float(log_pair.max()))
        weight_pair = np.exp(log_pair - top)
    else:
        top = max(float(log_single.max()), log_unknown)
        weight_pair = np.zeros((0, 0))
    weight_single, weight_unknown = np.exp(log_single - top), float(np.exp(log_unknown - top))
    total = float(weight_single.sum() + weight_unknown + weight_pair.sum())
    hypothesis = weight_single / total
    pair_hypothesis = weight_pair / total
    pair = np.zeros((causes, causes))
    if pair_hypothesis.size:
        pair = pair_hypothesis.reshape(causes, degrees, causes, degrees).sum(axis=(1, 3))
    return Posterior(
        single=hypothesis[:size].reshape(causes, degrees).sum(axis=1),
        pair=pair,
        good=float(hypothesis[size]),
        unknown=weight_unknown / total,
        log_evidence=top + float(np.log(total)),
        hypothesis=hypothesis,
        pair_hypothesis=pair_hypothesis,
    )


def _log_pairs(prior: Prior, evidence: Sequence[Evidence], size: int, degrees: int) -> Array:
    """Log weight of every pair of (cause, degree), shape (size, size); -inf outside the upper triangle."""
    share = prior.cause / prior.cause.sum()
    upper = np.triu(np.ones((len(share), len(share))), 1)
    product = np.outer(share, share) * upper
    product *= prior.two / product.sum()
    start = np.repeat(np.repeat(product, degrees, axis=0), degrees, axis=1) * np.outer(
        prior.degree.ravel(), prior.degree.ravel()
    )
    with np.errstate(divide="ignore"):
        log = np.log(start)
    running, value, term = np.ones((size, size)), np.empty((size, size)), np.empty((size, size))
    for number, item in enumerate(evidence, start=1):
        for n, (factor, absent) in enumerate(item.terms):
            np.multiply.outer(factor * absent[:size], absent[:size], out=term if n else value)
            if n:
                value += term
        if not item.terms:
            value.fill(0.0)
        value += item.base
        if len(item.terms) != 1 or item.base <= 0.0:  # a single term on a base stays above 0 by itself
            np.maximum(value, 1e-9, out=value)
        running *= value
        if number % 16 == 0:  # products of likelihoods stay far from underflow between two logs
            log += np.log(running)
            running.fill(1.0)
    with np.errstate(divide="ignore"):
        log += np.log(running)
    return log

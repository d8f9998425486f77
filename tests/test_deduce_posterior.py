"""The inference is exact: against a general-purpose Bayesian-network library, and against plain enumeration."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldassist.bench.network import SmallModel, network_of, random_model, theirs
from fieldassist.deduce.posterior import LeftOut, Prior, posterior
from fieldassist.deduce.reading import Evidence


@pytest.mark.parametrize("seed", range(4))
def test_same_posteriors_as_an_exact_bayesian_network(seed: int) -> None:
    """pyAgrum (LazyPropagation, exact) on the same noisy-or model of single causes and pairs."""
    pytest.importorskip("pyagrum")
    rng = np.random.default_rng(seed)
    model = random_model(causes=4 + seed, findings=6, rng=rng)
    _, inference = network_of(model)
    for _ in range(3):
        seen = tuple(bool(b) for b in rng.random(6) < 0.5)
        asked = SmallModel(model.prior, model.absent, seen)
        assert asked.ours().cause == pytest.approx(theirs(asked, inference), abs=1e-12)


def _enumerated(prior: Prior, evidence: list[Evidence], unknown: list[float]) -> dict[object, float]:
    """The definition, written out: loops over hypotheses, plain products."""
    causes, degrees = prior.degree.shape
    weight: dict[object, float] = {}

    def like(absent_of: list[int]) -> float:
        out = 1.0
        for item in evidence:
            out *= item.base + sum(f * float(np.prod([a[h] for h in absent_of])) for f, a in item.terms)
        return out

    for c in range(causes):
        for d in range(degrees):
            weight[c, d] = prior.cause[c] * prior.degree[c, d] * like([degrees * c + d])
    weight["good"] = prior.good * like([causes * degrees])
    weight["unknown"] = prior.unknown * float(np.prod(unknown))
    share = prior.cause / prior.cause.sum()
    pairs = list(itertools.combinations(range(causes), 2))
    total = sum(share[a] * share[b] for a, b in pairs)
    for a, b in pairs:
        for d, e in itertools.product(range(degrees), repeat=2):
            p = prior.two * share[a] * share[b] / total * prior.degree[a, d] * prior.degree[b, e]
            weight[a, d, b, e] = p * like([degrees * a + d, degrees * b + e])
    whole = sum(weight.values())
    return {key: w / whole for key, w in weight.items()}


@settings(max_examples=30, deadline=None)
@given(st.integers(2, 5), st.integers(0, 8), st.integers(0, 10_000))
def test_same_as_enumeration(causes: int, findings: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    prior = Prior(rng.dirichlet(np.ones(causes)) * 0.8, rng.dirichlet(np.ones(3), size=causes), 0.05, 0.05, 0.1)
    evidence = []
    for _ in range(findings):
        a, b = rng.uniform(0.01, 0.99, size=(2, 3 * causes + 1))
        x, y = rng.uniform(0.0, 1.0, size=2)
        evidence.append(
            Evidence(1.0, ((-x, a),)) if rng.random() < 0.5 else Evidence(0.1, ((0.4 * x, a), (0.4 * y, b)))
        )
    unknown = list(rng.uniform(0.05, 0.9, size=findings))
    after = posterior(prior, evidence, unknown)
    wanted = _enumerated(prior, evidence, unknown)
    for c in range(causes):
        assert after.single[c] == pytest.approx(sum(wanted[c, d] for d in range(3)), abs=1e-10)
    for a, b in itertools.combinations(range(causes), 2):
        pair = sum(wanted[a, d, b, e] for d, e in itertools.product(range(3), repeat=2))
        assert after.pair[a, b] == pytest.approx(pair, abs=1e-10)
    assert after.good == pytest.approx(wanted["good"], abs=1e-10)
    assert after.unknown == pytest.approx(wanted["unknown"], abs=1e-10)
    assert after.single.sum() + after.pair.sum() + after.good + after.unknown == pytest.approx(1.0)


def test_many_findings_do_not_underflow() -> None:
    rng = np.random.default_rng(0)
    prior = Prior(np.full(3, 0.3), np.full((3, 3), 1 / 3), 0.03, 0.03, 0.04)
    evidence = [Evidence(1e-8, ((0.0, rng.uniform(0.0, 1.0, 10)),)) for _ in range(400)]
    after = posterior(prior, evidence, [1e-8] * 400)
    assert np.isfinite(after.log_evidence) and after.single.sum() + after.pair.sum() > 0.9


def test_what_a_complaint_leaves_out_counts_the_same_for_pairs() -> None:
    """Expected number of events left out: by hand for one pair."""
    absent = np.array([[0.2, 0.9, 1.0], [0.5, 0.5, 1.0]])
    left = LeftOut(absent, weight=1.5, scale=2.0)
    expected = (1 - 0.2 * 0.9) + (1 - 0.5 * 0.5)
    assert left.log_pairs(2)[0, 1] == pytest.approx(-1.5 * np.log(1 + expected / 2.0))
    assert left.log_single()[0] == pytest.approx(-1.5 * np.log(1 + (0.8 + 0.5) / 2.0))

"""The same small model as an exact Bayesian network of a general-purpose library (pyAgrum)."""

from __future__ import annotations

import importlib
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from fieldassist.deduce.posterior import Posterior, Prior, posterior
from fieldassist.deduce.reading import Evidence

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class SmallModel:
    """A few causes of a unit and a few findings."""

    prior: Prior
    absent: Array
    """P(finding absent), shape (findings, H)."""
    present: tuple[bool, ...]
    """What was observed."""

    @property
    def evidence(self) -> tuple[Evidence, ...]:
        """As our inference takes it."""
        return tuple(
            Evidence(1.0, ((-1.0, row),)) if seen else Evidence(0.0, ((1.0, row),))
            for row, seen in zip(self.absent, self.present, strict=True)
        )

    def ours(self) -> Posterior:
        """Posterior by our inference."""
        return posterior(self.prior, self.evidence, [1.0] * len(self.present), pairs=True)


def random_model(causes: int, findings: int, rng: np.random.Generator) -> SmallModel:
    """A model with random numbers; without "something else", which a network has no name for."""
    weights = rng.dirichlet(np.ones(causes))
    degree = rng.dirichlet(np.ones(3), size=causes)
    prior = Prior(weights * 0.85, degree, good=0.05, unknown=0.0, two=0.10)
    absent = rng.uniform(0.02, 0.999, size=(findings, 3 * causes + 1))
    # The good unit is also what stands in for "no second cause": it adds nothing of its own there.
    return SmallModel(prior, absent, tuple(bool(b) for b in rng.random(findings) < 0.5))


def network_of(model: SmallModel) -> tuple[Any, Any]:
    """(network, inference): two variables, first and second cause with degree, and one node per finding."""
    gum: Any = importlib.import_module("pyagrum")  # only this benchmark and its test need it

    size = model.absent.shape[1] - 1
    causes = size // 3
    bn = gum.BayesNet("causes")
    first = bn.add(gum.LabelizedVariable("first", "first cause and degree", size + 1))
    second = bn.add(gum.LabelizedVariable("second", "second cause and degree", size + 1))
    bn.addArc(first, second)
    joint = _joint(model.prior, size, causes)
    at_first = joint.sum(axis=1)
    bn.cpt(first).fillWith(at_first.tolist())
    given = joint / np.maximum(at_first[:, None], 1e-300)
    for state in range(size + 1):
        bn.cpt(second)[{"first": state}] = given[state].tolist()
    for number, row in enumerate(model.absent):
        node = bn.add(gum.LabelizedVariable(f"finding{number}", "seen or not", 2))
        bn.addArc(first, node)
        bn.addArc(second, node)
        for a in range(size + 1):
            for b in range(size + 1):
                absent = row[a] if b == size else row[b] if a == size else row[a] * row[b]
                bn.cpt(node)[{"first": a, "second": b}] = [absent, 1.0 - absent]
    return bn, gum.LazyPropagation(bn)


def _joint(prior: Prior, size: int, causes: int) -> Array:
    """P(first, second): the last state is "none"; pairs stand in the upper triangle."""
    joint = np.zeros((size + 1, size + 1))
    joint[:size, size] = (prior.cause[:, None] * prior.degree).ravel()
    joint[size, size] = prior.good
    share = prior.cause / prior.cause.sum()
    product = np.triu(np.outer(share, share), 1)
    product *= prior.two / product.sum()
    degree = prior.degree
    for a in range(causes):
        for b in range(a + 1, causes):
            joint[3 * a : 3 * a + 3, 3 * b : 3 * b + 3] = product[a, b] * np.outer(degree[a], degree[b])
    return joint


def theirs(model: SmallModel, inference: Any) -> Array:
    """P(cause is there) by the network, shape (causes,)."""
    inference.setEvidence({f"finding{n}": int(seen) for n, seen in enumerate(model.present)})
    inference.addJointTarget({"first", "second"})
    inference.makeInference()
    joint = inference.jointPosterior({"first", "second"}).toarray()
    size = model.absent.shape[1] - 1
    by_state = joint[:size].sum(axis=1) + joint[:, :size].sum(axis=0)  # whichever axis is the first cause
    return np.asarray(by_state.reshape(-1, 3).sum(axis=1))

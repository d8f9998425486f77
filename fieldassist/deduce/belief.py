"""Priors: shipped base rates, moved by circumstances and by the shop's own confirmed cases."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from fieldassist.deduce.causes import Cause
from fieldassist.deduce.context import Context
from fieldassist.deduce.posterior import Prior

GOOD = 0.03
"""Share of cars with a complaint and nothing wrong (common practice, no source)."""
UNKNOWN = 0.03
"""Share of causes that are not in the file (common practice, no source)."""
TWO_FAULTS = 0.08
"""Share of cars with two faults at once (common practice, no source; the shop's cases move it)."""


def prior_of(
    causes: tuple[Cause, ...],
    context: Context,
    rates: Mapping[str, float] | None = None,
    two_faults: float = TWO_FAULTS,
) -> Prior:
    """The prior for one car. `rates`: cause id -> rate that replaces the shipped base rate."""
    rate = np.array([(rates or {}).get(c.id, c.base_rate) * _factor(c, context) for c in causes])
    share = rate / rate.sum()
    return Prior(
        cause=share * (1.0 - GOOD - UNKNOWN - two_faults),
        degree=np.array([c.weights for c in causes]),
        good=GOOD,
        unknown=UNKNOWN,
        two=two_faults,
    )


def _factor(cause: Cause, context: Context) -> float:
    out = 1.0
    for circumstance in context.circumstances:
        out *= cause.context.get(circumstance, 1.0)
    return out

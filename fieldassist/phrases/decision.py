"""When a reading is taken, asked back or dropped: the thresholds, all in one place.

Costs are those of `search`: about 1 for a badly mistaken sound, a passed-over content word 1, a small word 0.1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Evidence:
    """What speaks for and against one reading."""

    cost: float
    """Cost of the alignment, priors included."""
    content: int
    """Heard words that carry a tag in the reading (shift, kind, number ...)."""
    skipped: int
    """Heard content words that found no place in the reading."""
    confidence: float
    """Mean word confidence of the engine, 0..1."""


ACCEPT_SCORE = 0.6
"""Score at which a reading is taken, if nothing comes near it."""
ASK_SCORE = 0.4
"""Score at which it is worth a question; below, the utterance was not meant for the tool."""
ACCEPT_MARGIN = 0.25
"""Cost by which the best reading has to beat the best one with another finding, else the two are asked back."""

_BASE = 3.6
_PER_COST = 1.9
_PER_CONTENT = 0.55
_PER_SKIPPED = 0.9
_CONTENT_WORTH = 5


def score(evidence: Evidence) -> float:
    """Return the estimated probability that a reading is what was meant, 0..1 (logistic)."""
    z = (
        _BASE
        - _PER_COST * evidence.cost
        + _PER_CONTENT * (min(evidence.content, _CONTENT_WORTH) - 2)
        - _PER_SKIPPED * max(0, evidence.skipped - 1)
    )
    return (0.5 + 0.5 * evidence.confidence) / (1.0 + math.exp(-z))


def decide(best: float, margin: float, doubt: bool) -> str:
    """Return `accept`, `ask` or `ignore`."""
    if best < ASK_SCORE:
        return "ignore"
    if best < ACCEPT_SCORE or margin < ACCEPT_MARGIN or doubt:
        return "ask"
    return "accept"

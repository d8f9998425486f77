"""When a reading is taken, asked back or dropped: the thresholds, all in one place.

Costs are those of `search`: about 1 for a badly mistaken sound, a passed-over content word 1, a small word 0.1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Evidence:
    """What speaks for and against one reading."""

    misfit: float
    """Cost of the alignment without the grammar's own weights; what is not expected at the step counts."""
    content: float
    """Heard words that carry the sense of the reading, each counted as much as the engine trusts it."""
    skipped: float
    """Heard content words that found no place in the reading, counted likewise."""
    odd: int
    """Slots that found no use or do not go together."""
    confidence: float
    """Mean word confidence of the engine, 0..1."""
    bare: bool
    """The reading says only that something is good, or one word of some kind, and not of what."""
    expected: bool = False
    """The step at hand is about such a finding."""


ACCEPT_SCORE = 0.5
"""Score at which a reading is taken, if nothing comes near it."""
ASK_SCORE = 0.3
"""Score at which it is worth a question; below, the utterance was not meant for the tool."""
DOUBT_SCORE = 0.8
"""Score that a reading with an impossible value needs to be worth a question."""
ACCEPT_MARGIN = 0.25
"""Cost by which the best reading has to beat the best one with another finding, else the two are asked back."""

# Logistic weights, from a fit over the tuning half of the corpus against stretches of read speech and talk in
# the car, then softened (the fit alone would trust the sentences of one author too much).
_BASE = -2.2
_PER_MISFIT = -4.0
_PER_CONTENT = 2.6
_CONTENT_WORTH = 5
_BARE_SKIPPED = -2.5
_EXPECTED = 1.0
_PER_ODD = -1.2


def score(evidence: Evidence) -> float:
    """Return the estimated probability that a reading is what was meant, 0..1 (logistic)."""
    z = (
        _BASE
        + _PER_MISFIT * evidence.misfit
        + _PER_CONTENT * min(evidence.content, _CONTENT_WORTH)
        + _EXPECTED * evidence.expected
        + _PER_ODD * evidence.odd
        + _BARE_SKIPPED * (evidence.bare and not evidence.expected) * min(1.0, evidence.skipped)
    )
    return (0.5 + 0.5 * evidence.confidence) / (1.0 + math.exp(-z))


def command_score(misfit: float, confidence: float) -> float:
    """Return the estimated probability that a command was meant: said alone, and nearly as it stands."""
    return (0.5 + 0.5 * confidence) / (1.0 + math.exp(-(3.0 - 7.0 * misfit)))


def decide(best: float, margin: float, doubt: bool, expected: bool = False) -> str:
    """Return `accept`, `ask` or `ignore`. `doubt`: the value is one that it can hardly have."""
    if best < (DOUBT_SCORE if doubt and not expected else ASK_SCORE):
        return "ignore"
    if best < ACCEPT_SCORE or margin < ACCEPT_MARGIN or doubt:
        return "ask"
    return "accept"

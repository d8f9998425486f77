"""When a reading is taken, asked back or dropped: the thresholds, all in one place.

Costs are those of `search`: about 1 for a badly mistaken sound or a passed-over content word.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Evidence:
    """What speaks for and against one reading."""

    misfit: float
    """Cost of the alignment without the grammar's own weights; what is not expected at the step counts."""
    content: int
    """Heard words that carry the sense of the reading."""
    skipped: float
    """Heard content words that found no place in the reading, each counted as much as the engine trusts it."""
    odd: int
    """Slots that found no use or do not go together."""
    confidence: float
    """Mean confidence of the engine in the words that carry the sense, 0..1."""
    total_doubt: float
    """Sum of 1 - confidence over all heard words."""
    bare: bool
    """The reading says only that something is good, or one word of some kind, and not of what."""
    expected: bool = False
    """The step at hand is about such a finding."""


ACCEPT_SCORE = 0.6
"""Score at which a reading is taken, if nothing comes near it."""
ASK_SCORE = 0.35
"""Score at which it is worth a question; below, the utterance was not meant for the tool."""
DOUBT_SCORE = 0.8
"""Score that a reading with an impossible value needs to be worth a question."""
ACCEPT_MARGIN = 0.25
"""Cost by which the best reading has to beat the best one with another finding, else the two are asked back."""

# Logistic weights. Fitted over the tuning half of the corpus and recorded observations in noise against stretches
# of read speech, as text and as a closed grammar takes them when pocketsphinx listens: the words of a wanted
# utterance are sure in the median to 0.96, those that a grammar forces on other speech to 0.5.
_BASE = -0.5
_PER_MISFIT = -4.5
_PER_CONTENT = 2.0
_CONTENT_WORTH = 3
_PER_DOUBT = -6.0
_PER_TOTAL_DOUBT = -0.6
_PER_ODD = -1.6
_BARE_SKIPPED = -1.7
_EXPECTED = 0.7


def score(evidence: Evidence) -> float:
    """Return the estimated probability that a reading is what was meant, 0..1 (logistic)."""
    z = (
        _BASE
        + _PER_MISFIT * evidence.misfit
        + _PER_CONTENT * min(evidence.content, _CONTENT_WORTH)
        + _EXPECTED * evidence.expected
        + _PER_ODD * evidence.odd
        + _PER_DOUBT * (1.0 - evidence.confidence)
        + _PER_TOTAL_DOUBT * evidence.total_doubt
        + _BARE_SKIPPED * (evidence.bare and not evidence.expected) * min(1.0, evidence.skipped)
    )
    return 1.0 / (1.0 + math.exp(-max(-30.0, z)))


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

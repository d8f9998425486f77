"""When a reading is taken, asked back or dropped: the thresholds, all in one place.

Costs are those of `search`: about 1 for a badly mistaken sound or a passed-over content word.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
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
    other_talk: float | None = None
    """Share of the engine's readings that take it for other talk, 0..1; None where the engine weighs no such."""


ACCEPT_SCORE = 0.6
"""Score at which a reading is taken, if nothing comes near it."""
ASK_SCORE = 0.35
"""Score at which it is worth a question; below, the utterance was not meant for the tool."""
DOUBT_SCORE = 0.8
"""Score that a reading with an impossible value needs to be worth a question."""
OWN_WORDS_ACCEPT, OWN_WORDS_ASK, OWN_WORDS_COMMAND = 0.5, 0.4, 0.7
"""Probability by the words alone at which what no grammar holds is taken, asked back, or taken for a command.
With 0.6 for the first, and less than that asked back of what the grammars made too, 1,334 of 1,551 hard sentences
that are tuned on, typed, are right and 96 wrong, now 1,341 and 105; of 1,235 plainer ones as many as now."""
OWN_WORDS_SURER = 0.65
"""The same for taking it that all is well, and for taking a number: read speech is taken for these most of all."""
AGAINST_DOUBT, GOOD_AGAINST_DOUBT, GOOD_PER_DOUBT = 1.5, 3.0, 10.0
"""Nats by which what the words speak for has to be surer than the engine is that they are other talk; the same
where all that they say is that all is well, and further nats there for doubt about the words, times 1 - their mean
confidence."""
TOGETHER_ACCEPT, TOGETHER_ASK, TOGETHER_COMMAND = 0.35, 0.3, 0.65
"""Probability over the engine's readings, each understood as if it was typed, at which what most of them mean is
taken, asked back, or taken for a command."""
TOGETHER_AGAINST_DOUBT, TOGETHER_GOOD_AGAINST_DOUBT = 3.0, 4.5
"""Nats by which that has to be surer than the engine is that it was other talk; the same where all that it says is
that all is well."""
PLAIN_SCORE, PLAIN_MARGIN = 0.85, 2.0
"""Score and margin beyond which the readings are not asked one by one: it takes as long as all of them at once."""
SURE, SURE_POWER = 0.92, 4.0
"""Mean confidence of the words, as the engine states it, from which on they count in full; steepness below."""
ACCEPT_MARGIN = 0.25
"""Cost by which the best reading has to beat the best one with another finding, else the two are asked back."""

@dataclass(frozen=True)
class Weights:
    """Weights of the evidence in the log odds that a reading was meant."""

    base: float
    misfit: float
    content: float
    doubt: float
    total_doubt: float
    odd: float
    bare_skipped: float
    expected: float
    other_talk: float = 0.0
    """For each nat of the log odds of other talk."""
    lone: float = 0.0
    """For a single word that carries the sense."""
    lone_good: float = 0.0
    """The same where all it says is that what was asked is good: the commonest answer of all."""


GRAMMAR_ONLY = Weights(-0.5, -4.5, 2.0, -6.0, -0.6, -1.6, -1.7, 0.7)
"""For text, and for an engine that forces all it hears into the grammar. Fitted over the tuning half of the
corpus and recorded observations in noise against stretches of read speech as pocketsphinx hears them: the words
of a wanted utterance are sure in the median to 0.96, those that the grammar forces on other speech to 0.5."""
AGAINST_TALK = Weights(-0.5, -4.5, 2.0, -3.0, -1.0, -1.6, -1.7, 0.7, -0.8, -3.0, -1.2)
"""For an engine that weighs the grammar against other talk. Over an hour of read speech most of what was taken was
a lone word ("click", "low") cut out of a sentence, or a sentence with several words in doubt; of 474 observations
and commands heard rightly none is lost by that: a lone word that is heard without any doubt still passes."""
_COMMAND_TALK, _COMMAND_ODDS, _COMMAND_DOUBT = 1.0, -0.5, 2.0
"""Steepness, and log odds of other talk at which half of what sounds like a command is one; weight of doubt about
what else was said."""
_CONTENT_WORTH = 3
_LEAST_SHARE = 0.005
"""Shares of other talk below this, or this near to 1, are as good as none, or all: the list of readings ends."""


def score(evidence: Evidence) -> float:
    """Return the estimated probability that a reading is what was meant, 0..1 (logistic)."""
    weights = GRAMMAR_ONLY if evidence.other_talk is None else AGAINST_TALK
    z = (
        weights.base
        + weights.misfit * evidence.misfit
        + weights.content * min(evidence.content, _CONTENT_WORTH)
        + weights.expected * evidence.expected
        + weights.odd * evidence.odd
        + weights.doubt * (1.0 - evidence.confidence)
        + weights.total_doubt * evidence.total_doubt
        + weights.bare_skipped * (evidence.bare and not evidence.expected) * min(1.0, evidence.skipped)
        + weights.other_talk * talk_odds(evidence.other_talk)
        + (weights.lone_good if evidence.bare and evidence.expected else weights.lone) * (evidence.content <= 1)
    )
    return 1.0 / (1.0 + math.exp(-max(-30.0, z)))


def needed_odds(other_talk: float | None, confidences: Sequence[float], good: bool) -> float:
    """Return the log odds, in nats, that what the words speak for must have where the engine may have heard other
    talk; confidences: of the words, 0..1; good: they say that all is well."""
    if other_talk is None:
        return -math.inf
    if not good:
        return talk_odds(other_talk) + AGAINST_DOUBT
    return talk_odds(other_talk) + GOOD_AGAINST_DOUBT + GOOD_PER_DOUBT * (1.0 - mean_confidence(confidences))


def against_talk(share: float, other_talk: float | None, confidences: Sequence[float], good: bool) -> float:
    """Return what a probability by the words alone, 0..1, comes to where the engine may have heard other talk; as
    for `needed_odds`."""
    needed = needed_odds(other_talk, confidences, good)
    return share if needed <= 0.0 else share / (share + (1.0 - share) * math.exp(needed))


def talk_odds(other_talk: float | None) -> float:
    """Return the log odds of other talk in nats; 0 where the engine does not weigh it."""
    if other_talk is None:
        return 0.0
    share = min(1.0 - _LEAST_SHARE, max(_LEAST_SHARE, other_talk))
    return math.log(share / (1.0 - share))


def together(probability: float, other_talk: float, command: bool, good: bool) -> str:
    """Return `accept`, `ask` or `ignore` for what readings mean together with some probability, 0..1."""
    if command:
        return "accept" if probability >= TOGETHER_COMMAND and other_talk < 0.5 else "ignore"
    needed = talk_odds(other_talk) + (TOGETHER_GOOD_AGAINST_DOUBT if good else TOGETHER_AGAINST_DOUBT)
    if probability < TOGETHER_ASK or math.log(probability / (1.0 - probability)) < needed:
        return "ignore"
    return "accept" if probability >= TOGETHER_ACCEPT else "ask"


def sureness(confidences: Sequence[float]) -> float:
    """Return by how much an engine's doubt about the words lowers what they speak for, 0..1.

    Of observations the mean confidence is hardly ever below SURE, of other talk heard as words it mostly is.
    """
    return float(min(1.0, mean_confidence(confidences) / SURE) ** SURE_POWER)


def mean_confidence(confidences: Sequence[float]) -> float:
    """Return the mean confidence in the words, 0..1; 0 where there are none."""
    return sum(confidences) / len(confidences) if confidences else 0.0


def command_score(evidence: Evidence) -> float:
    """Return the estimated probability that a command was meant: said alone, and nearly as it stands."""
    alone = 0.5 + 0.5 * evidence.confidence
    fit = 3.0 - 7.0 * evidence.misfit
    if evidence.other_talk is not None:
        alone /= 1.0 + math.exp(_COMMAND_TALK * (talk_odds(evidence.other_talk) - _COMMAND_ODDS))
        fit -= _COMMAND_DOUBT * evidence.total_doubt
    return alone / (1.0 + math.exp(-fit))


def decide(best: float, margin: float, doubt: bool, expected: bool = False) -> str:
    """Return `accept`, `ask` or `ignore`. `doubt`: the value is one that it can hardly have."""
    if best < (DOUBT_SCORE if doubt and not expected else ASK_SCORE):
        return "ignore"
    if best < ACCEPT_SCORE or margin < ACCEPT_MARGIN or doubt:
        return "ask"
    return "accept"

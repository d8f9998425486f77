"""Which of an engine's readings was said: pure functions on what it heard and how likely the words are.

An engine weighs its readings by their sound and by which word follows which other two. What reads whole utterances
knows better which words belong together; the two are added up (A. Salazar et al., "Masked Language Model Scoring",
ACL 2020, of scores of such a network beside an engine's).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from rapidfuzz.distance import Levenshtein

from fieldassist.phrases.encoder import Said
from fieldassist.phrases.search import Floats
from fieldassist.phrases.sense import spoken, surely
from fieldassist.words.recognizer import Hypothesis, Word

BY_ENGINE, BY_WORDS = 1.11, 0.7
"""Weights of the engine's log share of a reading and of how likely its words are. The first was learned with the
second at 1; of 1,713 utterances that are tuned on, in noise at 40 to 0 dB, 1,044 are then heard word for word,
1,031 with 0.4, 1,034 with 1, and 953 by the engine alone."""
LEAST_RIVAL = 0.05
"""Share of the likeliest reading's that another must have to be weighed by its words. Of the same utterances one
fewer is heard word for word than with all readings, and 4.0 readings of each are to be read instead of 11.2."""


def rivals(heard: Hypothesis) -> list[tuple[str, float]]:
    """Return the likeliest reading and those that may have been said instead, with their shares."""
    if heard.confidence <= 0.0:  # an engine may give nothing but zeros
        return [(heard.text, heard.confidence)]
    likely = [each for each in heard.alternatives if each[1] >= LEAST_RIVAL * heard.confidence]
    return [(heard.text, heard.confidence), *likely]


def as_said(text: str) -> Said:
    """Return the words of a reading without hesitations and without what stands for unknown words."""
    return spoken(surely(text.split()))


def reordered(heard: Hypothesis, likeness: Floats) -> Hypothesis:
    """Return what was heard with the shares and the order that its rivals have with the likeness of their words,
    (rivals,); together they keep the share that they had, and other readings theirs.

    A word is as sure as the share of the readings that have it there; when it was said is left out.
    """
    weighed = rivals(heard)
    texts, shares = zip(*weighed, strict=True)
    odds = BY_ENGINE * np.log(shares) + BY_WORDS * likeness
    powers = np.exp(odds - odds.max())
    fresh = (powers / powers.sum() * sum(shares)).tolist()
    others = [each for each in heard.alternatives if each not in weighed]
    ordered = sorted([*zip(texts, fresh, strict=True), *others], key=lambda reading: -reading[1])
    text, share = ordered[0]
    sure = _sureness(text.split(), [(reading.split(), part) for reading, part in ordered])
    words = tuple(Word(word, 0.0, 0.0, each) for word, each in zip(text.split(), sure, strict=True))
    return replace(heard, text=text, words=words, confidence=share, alternatives=tuple(ordered[1:]))


def _sureness(first: Sequence[str], readings: Sequence[tuple[Sequence[str], float]]) -> list[float]:
    """Of each word of the first reading: the share of the readings that have it there."""
    sure = [0.0] * len(first)
    total = sum(share for _, share in readings)
    for words, share in readings:
        for part in Levenshtein.opcodes(first, words):
            if part.tag == "equal":
                for at in range(part.src_start, part.src_end):
                    sure[at] += share / total
    return [min(1.0, each) for each in sure]

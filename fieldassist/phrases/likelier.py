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
_LEAST = 1e-6


def readings_of(heard: Hypothesis) -> list[tuple[str, float]]:
    """Return the readings with their shares, the likeliest first."""
    return [(heard.text, heard.confidence), *heard.alternatives]


def as_said(text: str) -> Said:
    """Return the words of a reading without hesitations and without what stands for unknown words."""
    return spoken(surely(text.split()))


def reordered(heard: Hypothesis, likeness: Floats) -> Hypothesis:
    """Return what was heard with the shares and the order that its readings have with the likeness of their words,
    (readings,); together they keep the share that they had.

    A word is as sure as the share of the readings that have it there; when it was said is left out.
    """
    texts, shares = zip(*readings_of(heard), strict=True)
    odds = BY_ENGINE * np.log(np.maximum(shares, _LEAST)) + BY_WORDS * likeness
    powers = np.exp(odds - odds.max())
    fresh = (powers / powers.sum() * sum(shares)).tolist()
    order = sorted(range(len(texts)), key=lambda at: -fresh[at])
    first = texts[order[0]].split()
    sure = _sureness(first, [(texts[at].split(), fresh[at]) for at in order])
    words = tuple(Word(word, 0.0, 0.0, each) for word, each in zip(first, sure, strict=True))
    others = tuple((texts[at], fresh[at]) for at in order[1:])
    return replace(heard, text=texts[order[0]], words=words, confidence=fresh[order[0]], alternatives=others)


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

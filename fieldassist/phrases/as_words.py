"""What was heard or typed, as words: which readings there are to understand, and how surely each was heard."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Sequence

from fieldassist.phrases import decision
from fieldassist.phrases.not_meant import not_meant
from fieldassist.phrases.numbers import TEENS, TENS, UNITS, ZEROS, spell_out
from fieldassist.phrases.search import HESITATIONS, SMALL_WORDS, UNKNOWN, HeardWord
from fieldassist.words.recognizer import Hypothesis

MOST_WORDS = 30
"""Words of an utterance that are looked at; the longest of 84,000 examples of observations has 30."""
HARDLY_HEARD = 0.7
"""Mean confidence in the words below which a finding is asked back: of what was heard rightly at 5 dB 2 in 100
are, of what was taken from read speech a third."""
MOST_ALTERNATIVES, LEAST_ALTERNATIVE = 8, 0.04
"""Further readings of the engine that are looked at, and the share that each must have: most of the time it takes
to understand goes into them."""
MOST_ALONE, LEAST_ALONE = 2, 0.1
"""The same for readings that are understood one by one: with eight, from 0.04 on, two fewer of 1,501 that are
tuned on were wrong, and nearly twice as many were to be understood."""
NUMBER_WORDS = frozenset((*UNITS, *TEENS, *TENS))
NO_ZEROS = HESITATIONS - {*ZEROS}
"""Hesitations that cannot be a digit: "one oh five"."""
Version = tuple[tuple[HeardWord, ...], float]
"""Heard words, and the share of the engine's readings that have them."""


def hardly_heard(heard: str | Hypothesis) -> bool:
    """Tell whether an engine that weighs other talk doubts most of what it heard, or rather takes it for such."""
    if isinstance(heard, str) or heard.other_talk is None:
        return False
    return heard.text == UNKNOWN or decision.mean_confidence(confidences(heard)) < HARDLY_HEARD


def mostly_talk(heard: str | Hypothesis) -> bool:
    """Tell whether an engine rather takes it for other talk."""
    return not isinstance(heard, str) and (heard.other_talk or 0.0) > 0.5


def confidences(heard: str | Hypothesis) -> list[float]:
    """The confidences of the words, 0..1; nothing for text."""
    return [] if isinstance(heard, str) else [word.confidence for word in heard.words]


def plain_text(heard: str | Hypothesis, without: frozenset[str] = HESITATIONS) -> list[str]:
    """The words of the likeliest reading `without` some."""
    text = heard if isinstance(heard, str) else heard.text
    return [word for word in normalise(text).split() if word not in without]


def meant_words(heard: str | Hypothesis) -> list[str]:
    """The words without hesitations and numbers that are not meant."""
    said = plain_text(heard, NO_ZEROS)
    unmeant = not_meant(said)
    return [word for at, word in enumerate(said) if at not in unmeant]


def normalise(text: str) -> str:
    """Return typed or recognised text as plain lower-case words: figures and signs spelt out."""
    text = text.lower().replace("’", "'")
    text = re.sub(r"\bkm/h\b|\bkmh\b", " kilometers per hour ", text)
    text = re.sub(r"(?<=\d)\s*(sec|secs|s)\b\.?", " seconds ", text)
    text = spell_out(text)
    text = re.sub(r"[^a-z'\[\] ]+", " ", text)
    return " ".join(word.strip("'") for word in text.split() if word.strip("'"))


def versions_of(heard: str | Hypothesis, whole: frozenset[str]) -> list[Version]:
    """Return what to search.

    Readings that differ in hesitations only are one. A word of a further reading is as sure as the share of all
    readings in which it occurs.
    """
    if isinstance(heard, str):
        typed = _split(tuple(HeardWord(w) for w in normalise(heard).split()), whole)
        return [(typed, 1.0)] if typed else []
    first = tuple(HeardWord(w.text.lower(), min(1.0, max(0.0, w.confidence))) for w in heard.words)
    if not first:
        first = tuple(HeardWord(w, heard.confidence) for w in normalise(heard.text).split())
    texts = [(normalise(text).split(), min(1.0, max(0.0, share))) for text, share in heard.alternatives]
    holds: dict[str, float] = defaultdict(float)
    for words, share in (([word.text for word in first], heard.confidence), *texts):
        for word in set(words):
            holds[word] += share
    out: dict[tuple[str, ...], Version] = {}
    others = [(tuple(HeardWord(word, min(1.0, holds[word])) for word in words), share) for words, share in texts]
    others = [(version, share) for version, share in others[:MOST_ALTERNATIVES] if share >= LEAST_ALTERNATIVE]
    for version, share in ((first, heard.confidence), *others):
        split = _split(version, whole)
        key = tuple(word.text for word in split if word.text not in HESITATIONS)
        if split and set(key) != {UNKNOWN}:
            kept = out.get(key)
            out[key] = (split, share) if kept is None else (kept[0], kept[1] + share)
    return list(out.values())


def as_typed(heard: Hypothesis) -> dict[str, float]:
    """Return the engine's likeliest readings without what stands for unknown words, each with its share."""
    further = [each for each in heard.alternatives[:MOST_ALONE] if each[1] >= LEAST_ALONE]
    out: dict[str, float] = defaultdict(float)
    same: dict[tuple[str, ...], str] = {}
    for text, share in ((heard.text, heard.confidence), *further):
        words = [word for word in text.split() if word != UNKNOWN]
        out[same.setdefault(tuple(word for word in words if word not in HESITATIONS), " ".join(words))] += share
    return out


def _split(words: Sequence[HeardWord], whole: frozenset[str]) -> tuple[HeardWord, ...]:
    """Split `fluid's` into `fluid is` unless it is a word of the grammar; leave out what is said twice in a row;
    keep to the first MOST_WORDS words."""
    out: list[HeardWord] = []
    for word in _without_repeats(words):
        if word.text.endswith("'s") and word.text not in whole and word.text not in SMALL_WORDS:
            out += [HeardWord(word.text[:-2], word.confidence), HeardWord("is", word.confidence)]
        else:
            out.append(word)
    return tuple(out[:MOST_WORDS])


def _without_repeats(words: Sequence[HeardWord]) -> list[HeardWord]:
    """Leave out the first of up to three words that are said twice in a row: "it's, um, it's slipping".

    Numbers are left as they are: "two two fifty"."""
    out: list[HeardWord] = []
    for word in words:
        out.append(word)
        if word.text in HESITATIONS or word.text in NUMBER_WORDS:
            continue
        said = [i for i, kept in enumerate(out) if kept.text not in HESITATIONS]
        for length in (3, 2, 1):
            again, before = said[-length:], said[-2 * length : -length]
            if len(before) == length and [out[i].text for i in again] == [out[i].text for i in before]:
                out = [kept for i, kept in enumerate(out) if i not in before]
                break
    return out

"""Words of numbers that are said and not meant: one that is denied beside the right one, digits that spell it."""

from __future__ import annotations

from collections.abc import Sequence

from fieldassist.phrases.numbers import TEENS, TENS, UNITS, WORDS, ZEROS, read_number, stretches

_DENIES = ("not", "isn't", "wasn't")
_BETWEEN = ("the", "a", "at", "that", "quite", "exactly")
"""What may stand between such a word and its number."""
COUNTS = frozenset((*TEENS, *TENS, "hundred", "thousand", "grand"))
"""One of these is in every number that is read off; without one it names gears: "not one two, two three"."""
_DIGITS = {**UNITS, **dict.fromkeys(ZEROS, 0)}


def not_meant(words: Sequence[str]) -> frozenset[int]:
    """Return the places of words that are no part of what is meant.

    Those of a number that is denied where another one is said ("it isn't sixty, it's seventy", "thirty, not
    thirteen"), with the word that denies it; and digits that spell the number before them ("fifty, five oh").
    """
    spelt = {place for at in range(len(words)) for place in _spelling(words, at)}
    runs = _runs(words, spelt)
    denied = [(start, begin, end) for begin, end in runs if (start := _denied_from(words, begin)) is not None]
    if len(denied) == len(runs):
        denied = [(start, begin, cut) for start, begin, end in denied if (cut := _ends_before(words, begin, end))]
    return frozenset(spelt | {place for start, _, end in denied for place in range(start, end)})


def _runs(words: Sequence[str], without: set[int]) -> list[tuple[int, int]]:
    """Numbers that can be read off, as places (from, to)."""
    return [
        (begin, end)
        for begin, end in stretches(words, without)
        if COUNTS & {*words[begin:end]} and read_number(words[begin:end]) is not None
    ]


def _denied_from(words: Sequence[str], begin: int) -> int | None:
    """Where the denial of the number that begins there begins."""
    at = begin - 1
    while at > 0 and words[at] in _BETWEEN:
        at -= 1
    return at if at >= 0 and words[at] in _DENIES else None


def _ends_before(words: Sequence[str], begin: int, end: int) -> int | None:
    """Where a second number begins of two below a hundred that are said in one breath: "not fifteen, fifty"."""
    for cut in range(begin + 1, end):
        parts = words[begin:cut], words[cut:end]
        if all(COUNTS & {*part} and (read_number(part) or 100) < 100 for part in parts):
            return cut
    return None


def _spelling(words: Sequence[str], at: int) -> range:
    """The places of two digits that spell the number before them, with nothing more in numbers behind. An "oh"
    before more words is rather none: "fifty five, oh, and it slips"."""
    value = {**TEENS, **TENS}.get(words[at])
    behind = words[at + 3 : at + 4]
    if value is None or (behind and (behind[0] in WORDS or words[at + 2] == "oh")):
        return range(0)
    digits = [_DIGITS.get(word) for word in words[at + 1 : at + 3]]
    return range(at + 1, at + 3) if digits == [value // 10, value % 10] else range(0)

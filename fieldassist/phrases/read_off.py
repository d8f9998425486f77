"""The number that somebody reads off, taken from the words as they stand: for what no grammar holds.

The grammars bind a number to the words round it. Where the whole utterance speaks for a measurement in words of
one's own ("band came back on at eleven"), any number in it that the measurement can have is the one, if there is
one only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from fieldassist.deduce.step import Step
from fieldassist.finding import Finding
from fieldassist.phrases.compose import SISTER, UNIT_OF
from fieldassist.phrases.not_meant import COUNTS
from fieldassist.phrases.numbers import UNITS, begun_again, read_number, stretches
from fieldassist.phrases.plausibility import implausible, is_close

_UNITS: tuple[tuple[tuple[str, ...], str], ...] = (
    (("k", "p", "a"), "kPa"), (("kpa",), "kPa"), (("kilopascals",), "kPa"),
    (("kilometers",), "km/h"), (("kilometres",), "km/h"), (("k",), "km/h"), (("klicks",), "km/h"),
    (("miles",), "mph"), (("mile",), "mph"), (("m", "p", "h"), "mph"), (("mph",), "mph"),
    (("rpm",), "rpm"), (("r", "p", "m"), "rpm"), (("revs",), "rpm"), (("turns",), "rpm"),
    (("p", "s", "i"), "psi"), (("psi",), "psi"), (("pounds",), "psi"), (("pound",), "psi"),
    (("seconds",), "s"), (("second",), "s"),
)  # fmt: skip
"""What may follow a number; the first that fits."""
_TAKES_BACK = frozenset(("no", "nope", "nah", "sorry", "wait", "rather", "correction", "mean", "lie", "about"))
"""Words that leave only what is said behind them: "hang about", "tell a lie", "i mean"."""
_BEFORE_DIGIT = frozenset(("at", "was", "about", "of", "to", "around", "say", "it's", "that's", "took"))
"""A digit by itself is read off behind one of these; elsewhere it may name a gear."""
_EDGES = frozenset(("a", "and", "oh", "point", "quarter", "quarters", "half"))
"""Words of numbers with which none begins or ends by itself."""
_THOUSANDS = 1000
"""Revolutions for each of "two six": nobody says less than a thousand."""


def with_number(finding: Finding, words: Sequence[str], step: Step | None) -> Finding | None:
    """Return a measurement with the number that the words tell, None where they tell none that it can have, or
    more than one. words: without hesitations, and without what is not meant."""
    usual = UNIT_OF[finding.kind]
    fitting = []
    for said, unit in _told(words):
        if unit not in (None, usual, *SISTER.get(usual, ())):
            continue
        for number in _ways_to_read(said, usual == "rpm"):
            read = replace(finding, value=number, unit=unit or usual)
            too_close = unit is None and is_close(read) and finding.kind == "engine_speed"  # it may be a year
            if implausible(read, step) is None and not too_close:
                fitting.append(read)
                break
    distinct = list(dict.fromkeys(fitting))
    return distinct[0] if len(distinct) == 1 else None


def _ways_to_read(words: str, in_thousands: bool) -> list[float]:
    """Return what the words of a number can be, the likelier first."""
    digits = words.split()
    bare = len(digits) == 2 and all(word in UNITS for word in digits)
    if bare and in_thousands:
        return [_THOUSANDS * UNITS[digits[0]] + _THOUSANDS / 10 * UNITS[digits[1]]]
    heard_in = " ".join(word for word in digits if word != "oh")  # "seventy oh five"
    found = [read_number(words), read_number(begun_again(words) or ""), read_number(heard_in)]
    return [] if bare else [number for number in found if number is not None]


def _told(words: Sequence[str]) -> list[tuple[str, str | None]]:
    """The numbers that are read off, in words, with the unit behind them; without what is taken back."""
    out: list[tuple[str, str | None]] = []
    end = 0
    for begin, stop in _runs(words):
        if out and _TAKES_BACK & {*words[end:begin]}:
            out.clear()
        end = stop
        unit = _unit_behind(words[stop:])
        run = words[begin:stop]
        if COUNTS & {*run} or unit is not None or len(run) > 1 or words[max(0, begin - 1)] in _BEFORE_DIGIT:
            out.append((" ".join(run), unit))
    return out


def _runs(words: Sequence[str]) -> list[tuple[int, int]]:
    """The places (from, to) of words that make a number."""
    out = []
    for begin, end in stretches(words):
        while begin < end and words[begin] in _EDGES:
            begin += 1
        while begin < end and words[end - 1] in _EDGES and read_number(words[begin:end]) is None:
            end -= 1
        if begin < end and read_number(words[begin:end]) is not None:
            out.append((begin, end))
    return out


def _unit_behind(words: Sequence[str]) -> str | None:
    return next((unit for spelt, unit in _UNITS if tuple(words[: len(spelt)]) == spelt), None)

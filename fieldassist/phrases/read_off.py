"""The number that somebody reads off, taken from the words as they stand: for what no grammar holds.

The grammars bind a number to the words round it. Where the whole utterance speaks for a measurement in words of
one's own ("band came back on at eleven"), any number in it that the measurement can have is the one, if there is
one only.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from fieldassist.deduce.step import Step
from fieldassist.finding import MEASURED_KINDS, Finding
from fieldassist.phrases.automaton import Arc
from fieldassist.phrases.compose import SISTER, UNIT_OF, Composed, in_units_kept
from fieldassist.phrases.not_meant import COUNTS
from fieldassist.phrases.numbers import UNITS, WORDS, begun_again, read_number, stretches
from fieldassist.phrases.plausibility import implausible, is_close

_UNITS: tuple[tuple[tuple[str, ...], str], ...] = (
    (("k", "p", "a"), "kPa"), (("kpa",), "kPa"), (("kilopascals",), "kPa"), (("bar",), "bar"),
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
_MOST_THOUSANDS, _LEAST_TENS, _MOST_TENS = 8, 11, 70
"""Short numbers that can stand for thousands ("two point one") or hundreds ("twenty two") of revolutions."""
_THOUSANDS = 1000
"""Revolutions for each of "two six": nobody says less than a thousand."""


def with_number(finding: Finding, words: Sequence[str], step: Step | None) -> Finding | None:
    """Return a measurement with the number that the words tell, None where they tell none that it can have, or
    more than one. words: without hesitations, and without what is not meant."""
    told = _told(words)
    fitting = _fitting(finding, told, step, _ways_to_read)
    alone = finding.kind == "engine_speed" and all(word in WORDS for word in words)  # it may be a road speed
    if not fitting and UNIT_OF[finding.kind] == "rpm" and not alone:
        fitting = _fitting(finding, told, step, _in_thousands)
    return fitting[0] if len(fitting) == 1 else None


def _fitting(
    finding: Finding, told: Sequence[tuple[str, str | None]], step: Step | None,
    ways: Callable[[str, bool], list[float]],
) -> list[Finding]:  # fmt: skip
    """The measurement with each of the numbers that it can have."""
    usual = UNIT_OF[finding.kind]
    fitting = []
    for said, unit in told:
        for way in ways(said, usual == "rpm"):
            number, kept = in_units_kept(way, unit)
            if kept not in (None, usual, *SISTER.get(usual, ())):
                break
            read = replace(finding, value=number, unit=kept or usual)
            too_close = kept is None and is_close(read) and finding.kind == "engine_speed"  # it may be a year
            if implausible(read, step) is None and not too_close:
                fitting.append(read)
                break
    return list(dict.fromkeys(fitting))


def as_told(composed: Composed, arcs: Sequence[Arc], words: Sequence[str], step: Step | None) -> Composed:
    """Return the same with the number that the words tell as they stand, where the grammar took less of them for
    it or none: "two four fifty" for "to four fifty", "not a lot, fourteen" for nothing. words: as above."""
    if len(composed.findings) != 1 or composed.findings[0].kind not in MEASURED_KINDS:
        return composed
    finding = composed.findings[0]
    if finding.value is None or finding.value % 1:
        return composed
    read = with_number(finding, words, step)
    if read is None or read.value is None or read.value % 1 or read.value == finding.value:
        return composed
    taken = sum("value" in arc.slots for arc in arcs)
    told = max(len(said.split()) for said, _ in _told(words))
    return replace(composed, findings=(read,), doubt=None) if told > taken or finding.value == 0 else composed


def _ways_to_read(words: str, in_thousands: bool) -> list[float]:
    """Return what the words of a number can be, the likelier first."""
    digits = words.split()
    bare = len(digits) == 2 and all(word in UNITS for word in digits)
    if bare and in_thousands:
        return [_THOUSANDS * UNITS[digits[0]] + _THOUSANDS / 10 * UNITS[digits[1]]]
    heard_in = " ".join(word for word in digits if word != "oh")  # "seventy oh five"
    found = [read_number(words), read_number(begun_again(words) or ""), read_number(heard_in)]
    return [] if bare else [number for number in found if number is not None]


def _in_thousands(words: str, _: bool) -> list[float]:
    """Return the revolutions that a short number stands for: "two point one", "twenty two"."""
    number = read_number(words)
    if number is None:
        return []
    if number % 1:
        return [round(number * _THOUSANDS, 3)] if number < _MOST_THOUSANDS else []
    return [number * _THOUSANDS / 10] if _LEAST_TENS <= number < _MOST_TENS and len(words.split()) <= 2 else []


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

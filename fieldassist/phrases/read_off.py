"""The number that somebody reads off, taken from the words as they stand: for what no grammar holds.

The grammars bind a number to the words round it. Where the whole utterance speaks for a measurement in words of
one's own ("band came back on at eleven"), any number in it that the measurement can have is the one, if there is
one only.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from fieldassist.deduce.step import Step
from fieldassist.finding import MEASURED_KINDS, UNITS_OF, Finding
from fieldassist.phrases.automaton import Arc
from fieldassist.phrases.compose import Composed, in_units_kept
from fieldassist.phrases.not_meant import COUNTS
from fieldassist.phrases.numbers import UNITS, begun_again, read_number, stretches
from fieldassist.phrases.plausibility import implausible, is_close

_UNITS: tuple[tuple[tuple[str, ...], str], ...] = (
    (("k", "p", "a"), "kPa"), (("kpa",), "kPa"), (("kilopascals",), "kPa"), (("bar",), "bar"), (("bars",), "bar"),
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
_OF_THE_ENGINE = frozenset((
    "tach", "tacho", "tachometer", "needle", "dial", "clock", "counter", "rev", "revs", "engine", "motor",
    "spinning", "turning", "revving",
))  # fmt: skip
"""Words of which one is said where a short number is an engine speed."""
_COUNT_BEFORE = frozenset(("for", "took", "by", "up"))
_COUNT_BEHIND = frozenset((
    "minute", "minutes", "second", "seconds", "time", "times", "years", "up", "over", "under", "more", "less",
    "higher", "lower", "percent", "feet", "yards",
))  # fmt: skip
"""Words before and behind a number that is none of these."""
_NOUGHTS = frozenset((
    "zero", "nought", "nothing", "no", "nil", "none", "zip", "zilch", "dead", "move", "moved", "budge", "budged",
    "pound",
))  # fmt: skip
"""Words of which one is said where a pressure of none is."""
_THOUSANDS = 1000
"""Revolutions for each of "two six": nobody says less than a thousand."""


@dataclass(frozen=True)
class _Number:
    """A number that is told."""

    words: tuple[str, ...]
    unit: str | None
    """Said behind it."""
    before: str
    behind: str
    """The words beside it, empty at the ends."""


def with_number(finding: Finding, words: Sequence[str], step: Step | None) -> Finding | None:
    """Return a measurement with the number that the words tell, None where they tell none that it can have, or
    more than one. words: without hesitations, and without what is not meant.

    Of stall speeds, and of engine speeds where the instrument is named, short numbers count too where no other
    does: "topped out at nineteen" is 1,900 rpm.
    """
    found = _read(finding, words, step)
    return None if found is None else found[0]


def as_told(composed: Composed, arcs: Sequence[Arc], words: Sequence[str], step: Step | None) -> Composed:
    """Return the same with the number that the words tell as they stand, where the grammar took less of them for
    it or none: "two four fifty" for "to four fifty", "not a lot, fourteen" for nothing. words: as above."""
    if len(composed.findings) != 1 or composed.findings[0].kind not in MEASURED_KINDS:
        return composed
    finding = composed.findings[0]
    if finding.value is None or finding.value % 1:
        return composed
    found = _read(finding, words, step)
    if found is None or found[0].value in (None, finding.value) or (found[0].value or 0.0) % 1:
        return composed
    read, number = found
    if finding.value:
        more = len(number.words) > _taken(arcs, finding)
    else:
        more = number.unit is not None or not _NOUGHTS & {*words}
    return replace(composed, findings=(read,), doubt=None) if more else composed


def tells_unit(words: Sequence[str]) -> bool:
    """Tell whether a number is told with its unit. words: as above."""
    return any(number.unit is not None for number in _told(words))


def _read(finding: Finding, words: Sequence[str], step: Step | None) -> tuple[Finding, _Number] | None:
    """The measurement with the one number that it can have, and that number as it is told."""
    told = _told(words)
    of_rpm = "rpm" in UNITS_OF[finding.kind]
    fitting = _fitting(finding, told, step, _ways_to_read_rpm if of_rpm else _ways_to_read)
    if not fitting and _can_be_short(finding, words):
        fitting = _fitting(finding, told, step, _in_thousands)
    return next(iter(fitting.items())) if len(fitting) == 1 else None


def _fitting(
    finding: Finding, told: Sequence[_Number], step: Step | None, ways: Callable[[_Number], list[float]]
) -> dict[Finding, _Number]:
    """The measurement with each of the numbers that it can have, and the number as it is told first."""
    units = UNITS_OF[finding.kind]
    fitting: dict[Finding, _Number] = {}
    for number in told:
        for way in ways(number):
            value, unit = in_units_kept(way, number.unit)
            if unit not in (None, *units):
                break
            read = replace(finding, value=value, unit=unit or units[0])
            too_close = unit is None and is_close(read) and finding.kind == "engine_speed"  # it may be a year
            if implausible(read, step) is None and not too_close:
                fitting.setdefault(read, number)
                break
    return fitting


def _taken(arcs: Sequence[Arc], finding: Finding) -> int:
    """How many words the grammar took for a measurement's number; of the longest, where it is none of them."""
    runs: list[list[str]] = []
    for arc in arcs:
        if any(tag.key == "value" for tag in arc.tags):
            runs.append([])
        if "value" in arc.slots and arc.word is not None and runs:
            runs[-1].append(arc.word)
    own = [run for run in runs if read_number(run) == finding.value]
    return max((len(run) for run in own or runs), default=0)


def _ways_to_read(number: _Number) -> list[float]:
    """Return what the words of a number can be, the likelier first; two digits may be a gear and a number."""
    if _is_two_digits(number):
        return []
    words = " ".join(number.words)
    heard_in = " ".join(word for word in number.words if word != "oh")  # "seventy oh five"
    found = [read_number(words), read_number(begun_again(words) or ""), read_number(heard_in)]
    return [value for value in found if value is not None]


def _ways_to_read_rpm(number: _Number) -> list[float]:
    """The same of revolutions: "two six" is 2,600."""
    if not _is_two_digits(number):
        return _ways_to_read(number)
    thousands, hundreds = (UNITS[word] for word in number.words)
    return [_THOUSANDS * thousands + _THOUSANDS / 10 * hundreds]


def _is_two_digits(number: _Number) -> bool:
    return len(number.words) == 2 and all(word in UNITS for word in number.words)


def _can_be_short(finding: Finding, words: Sequence[str]) -> bool:
    """Tell whether a short number is an engine speed: at a stall the car stands, elsewhere the instrument is
    named, as it may be a road speed."""
    return finding.kind == "stall_speed" or (finding.kind == "engine_speed" and bool(_OF_THE_ENGINE & {*words}))


def _in_thousands(number: _Number) -> list[float]:
    """Return the revolutions that a short number stands for: "two point one", "twenty two"."""
    value = read_number(number.words)
    counted = number.before in _COUNT_BEFORE or number.behind in _COUNT_BEHIND
    if value is None or counted or number.unit is not None:
        return []
    if value % 1:
        return [round(value * _THOUSANDS, 3)] if value < _MOST_THOUSANDS else []
    return [value * _THOUSANDS / 10] if _LEAST_TENS <= value < _MOST_TENS and len(number.words) <= 2 else []


def _told(words: Sequence[str]) -> list[_Number]:
    """The numbers that are read off; without what is taken back."""
    out: list[_Number] = []
    end = 0
    for begin, stop in _runs(words):
        if out and _TAKES_BACK & {*words[end:begin]}:
            out.clear()
        end = stop
        unit = _unit_behind(words[stop:])
        run = words[begin:stop]
        if COUNTS & {*run} or unit is not None or len(run) > 1 or words[max(0, begin - 1)] in _BEFORE_DIGIT:
            before, behind = "".join(words[max(0, begin - 1) : begin]), "".join(words[stop : stop + 1])
            out.append(_Number(tuple(run), unit, before, behind))
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
    """The unit that follows a number; one of pressure also in "six point two on the bar scale"."""
    further = [word for word in words[:4] if word not in ("in", "on", "the")]
    of_pressure = [(spelt, unit) for spelt, unit in _UNITS if unit in ("psi", "kPa", "bar")]
    for told, units in ((words, _UNITS), (further, of_pressure)):
        for spelt, unit in units:
            if tuple(told[: len(spelt)]) == spelt:
                return unit
    return None

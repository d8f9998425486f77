"""A number in words of one's own: read as num2words (an independent library) says it, and where it is the one.

Which sentences tell a reading, and which of their numbers is none, is common practice, no source.
"""

from __future__ import annotations

import pytest
from num2words import num2words

from fieldassist.deduce import load_unit, steps_for
from fieldassist.finding import Finding
from fieldassist.phrases.automaton import Arc, Tag
from fieldassist.phrases.compose import Composed, corrected
from fieldassist.phrases.read_off import as_told, tells_unit, with_number

STEPS = {step.id: step for step in steps_for(load_unit("three_speed_simpson"))}


def told(kind: str, text: str, step: str = "stall_D", shift: str | None = None) -> tuple[float, str] | None:
    read = with_number(Finding(kind, shift=shift), text.split(), STEPS[step])
    return None if read is None or read.value is None or read.unit is None else (read.value, read.unit)


@pytest.mark.parametrize("value", [*range(850, 4500, 50)])
def test_engine_speeds_as_num2words_says_them(value: int) -> None:
    for way in (num2words(value), num2words(value, to="year")):
        said = way.replace(",", "").replace("-", " ")
        assert told("stall_speed", f"second go came in at {said} and stayed there") == (value, "rpm")


@pytest.mark.parametrize("value", [*range(10, 70)])
def test_road_speeds_as_num2words_says_them(value: int) -> None:
    said = num2words(value).replace("-", " ")
    assert told("shift_speed", f"popped into the next one at {said}", "upshift_1_2_full", "1-2") == (value, "mph")
    assert told("shift_speed", f"oh {said} k when it went", "upshift_2_3_full", "2-3") == (value, "km/h")


@pytest.mark.parametrize(
    ("kind", "text", "expected"),
    [
        ("stall_speed", "one six on the tach", (1600.0, "rpm")),
        ("stall_speed", "stopped at two two fifty in reverse fifty more than drive", (2250.0, "rpm")),
        ("engine_speed", "hovering round about two two", (2200.0, "rpm")),
        ("engagement_time", "took two and a half seconds to bite", (2.5, "s")),
        ("engagement_time", "i make that one point nine seconds until it squats", (1.9, "s")),
        ("pressure", "call it one oh five", (105.0, "psi")),
        ("pressure", "five hundred k p a near enough", (500.0, "kPa")),
        ("pressure", "settled at seventy oh five", (75.0, "psi")),
        # taken back
        ("pressure", "ninety no hang about eighty eight", (88.0, "psi")),
        ("pressure", "sixty sixty two pounds", (62.0, "psi")),
        # none, or not which
        ("pressure", "the needle sits where it should", None),
        ("pressure", "eighty with a swing up to ninety five", None),
        ("stall_speed", "second go on three wheels", None),
        # short: hundreds or thousands of revolutions
        ("stall_speed", "twenty three on a cold day", (2300.0, "rpm")),
        ("stall_speed", "just over two point one", (2100.0, "rpm")),
        ("stall_speed", "twenty two for five seconds", (2200.0, "rpm")),
        ("engine_speed", "two point seven on the dial", (2700.0, "rpm")),
        ("engine_speed", "twenty four hundred at fifty", (2400.0, "rpm")),
        ("pressure", "five point two bar", (520.0, "kPa")),
        ("pressure", "six point two on the bar scale", (620.0, "kPa")),
        ("engine_speed", "it's forty", None),  # a road speed
        ("engine_speed", "dropped about thirty revs", None),
        ("stall_speed", "held it for twenty minutes", None),
        ("stall_speed", "about twenty up on last time", None),
        ("engine_speed", "sixteen sixty five", None),
        ("engine_speed", "sixteen sixty five revs", (1665.0, "rpm")),
        ("stall_speed", "max revs two zero eight zero", (2080.0, "rpm")),
        ("stall_speed", "one eight hundred steady", (1800.0, "rpm")),
        ("engine_speed", "sitting at two thousand two fifty r p m", (2250.0, "rpm")),
        ("engine_speed", "holding grand no slip", None),
        ("engagement_time", "thirty miles an hour", None),
        ("engagement_time", "about a second try", None),
    ],
)
def test_the_number_that_is_read_off(kind: str, text: str, expected: tuple[float, str] | None) -> None:
    assert told(kind, text) == expected


def test_a_gear_is_no_reading() -> None:
    assert told("shift_speed", "it went into two on its own", "coast_down_3_2", "3-2") is None
    assert told("shift_speed", "it came down at nine", "coast_down_3_2", "3-2") == (9.0, "mph")


@pytest.mark.parametrize(
    ("kind", "found", "taken", "text", "value"),
    [
        ("engine_speed", 450.0, ("four", "fifty"), "tacho says two four fifty", 2450.0),
        ("engine_speed", 450.0, ("four", "fifty"), "tacho says two four fifty at sixty miles an hour", 2450.0),
        ("pressure", 0.0, ("nought",), "not a lot just fourteen", 14.0),
        # none is said, and the number is a road speed
        ("pressure", 0.0, ("zero",), "zero at thirty", 0.0),
        ("pressure", 0.0, ("nought",), "no pressure till twenty five", 0.0),
        ("pressure", 0.0, ("nought",), "needle didn't move at thirty", 0.0),
        ("pressure", 0.0, ("nought",), "nothing much fourteen pounds", 14.0),
        # as many words as the grammar took, or a fraction that it read
        ("pressure", 80.0, ("eighty",), "eighty with a swing up to ninety five", 80.0),
        ("engagement_time", 1.5, ("a", "second", "and", "a", "half"), "one second no a second and a half", 1.5),
    ],
)  # fmt: skip
def test_words_as_they_stand_overrule_a_number_that_the_grammar_took_less_of_them_for(
    kind: str, found: float, taken: tuple[str, ...], text: str, value: float
) -> None:
    unit = {"engine_speed": "rpm", "pressure": "psi", "engagement_time": "s"}[kind]
    composed = Composed((Finding(kind, value=found, unit=unit),))
    arcs = [Arc(0, 0, word, tags=(Tag("value", None),) * (word == taken[0]), slots=("value",)) for word in taken]
    (told,) = as_told(composed, arcs, text.split(), None).findings
    assert told.value == value


@pytest.mark.parametrize(
    ("before", "now", "text", "expected"),
    [
        (500.0, 6.0, "no six", (600.0, "kPa")),  # in bar
        (500.0, 520.0, "no five twenty", (520.0, "kPa")),
        (200.0, 25.0, "no twenty five", (25.0, "kPa")),  # no bar: 2,500 kPa
        (500.0, 60.0, "no sixty pounds", (60.0, "psi")),
    ],
)
def test_a_corrected_number_keeps_what_was_not_said_anew(
    before: float, now: float, text: str, expected: tuple[float, str]
) -> None:
    last = Finding("pressure", value=before, unit="kPa", where="line")
    heard = Finding("pressure", value=now, unit="psi", where="servo")
    read = corrected(heard, last, ("where",), tells_unit(text.split()))
    assert (read.value, read.unit, read.where) == (*expected, "line")
    assert corrected(heard, Finding("shift_speed", value=30.0, unit="km/h"), (), False) == heard

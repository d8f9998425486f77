"""Spoken numbers against num2words (an independent library), and round trips."""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from num2words import num2words

from fieldassist.phrases.automaton import compile_grammar
from fieldassist.phrases.jsgf import read_grammar
from fieldassist.phrases.not_meant import not_meant
from fieldassist.phrases.numbers import WORDS, begun_again, read_number, say_number, spell_out, standing
from fieldassist.resources import shipped


def by_num2words(value: int, to: str = "cardinal") -> str:
    return num2words(value, to=to).replace(",", "").replace("-", " ")


def test_reads_every_cardinal_of_num2words() -> None:
    wrong = [n for n in [*range(3000), *range(3000, 100_000, 97)] if read_number(by_num2words(n)) != n]
    assert wrong == []


def test_reads_pairs_as_num2words_says_years() -> None:
    # "eighteen fifty", "twenty twenty-four", "nineteen oh-five": the pair form is the year form.
    wrong = [n for n in range(1000, 10_000, 7) if read_number(by_num2words(n, "year")) != n]
    assert wrong == []


def test_says_what_num2words_says() -> None:
    for n in range(0, 10_000, 13):
        assert by_num2words(n) in say_number(n)


@given(st.integers(0, 99_999))
def test_every_way_of_saying_reads_back(value: int) -> None:
    ways = say_number(value)
    assert ways and len(set(ways)) == len(ways)
    assert all(read_number(way) == value and set(way.split()) <= WORDS for way in ways)


@given(st.integers(0, 30_000), st.sampled_from([1, 2, 3]))
def test_decimals_read_back(units: int, places: int) -> None:
    value = round(units / 10**places, places)
    assert all(read_number(way) == pytest.approx(value, abs=1e-9) for way in say_number(value))


@given(st.lists(st.sampled_from(sorted(WORDS)), max_size=7))
@example(["eight", "eighteen", "point", "five", "thousand"])
def test_any_words_give_a_number_or_none(words: list[str]) -> None:
    value = read_number(words)
    assert value is None or 0 <= value <= 100_000


@pytest.mark.parametrize(
    ("said", "value"),
    [
        ("twenty one hundred", 2100), ("two thousand four hundred", 2400), ("eighteen fifty", 1850),
        ("twenty-four hundred", 2400), ("a hundred and five", 105), ("one oh five", 105), ("one fifty", 150),
        ("point five", 0.5), ("two point five", 2.5), ("one and a half", 1.5), ("half a", 0.5),
        ("double five", 55),
        ("two one double oh", 2100), ("four five", 45), ("nineteen oh five", 1905), ("a thousand", 1000),
        ("oh", 0), ("nought", 0), ("three grand", 3000), ("four and a half grand", 4500),
        ("two point one thousand", 2100), ("one and a quarter", 1.25), ("one and three quarters", 1.75),
        ("forty", 40), ("two thousand and fifty", 2050),
    ],
)  # fmt: skip
def test_ways_of_the_shop(said: str, value: float) -> None:
    assert read_number(said) == value


@pytest.mark.parametrize(
    "said",
    ["", "hundred hundred", "and", "point", "fifty thousand thousand", "five apples", "one point",
     "twenty zero hundred"],
)
def test_what_is_no_number(said: str) -> None:
    assert read_number(said) is None


def test_typed_figures_become_words() -> None:
    assert spell_out("2-3 at 45") == "two three at forty five"
    assert spell_out("2,100 rpm in 3rd") == "twenty one hundred rpm in third"
    assert spell_out("1.5s") == "one point five s"


@pytest.mark.parametrize(
    ("rule", "values"),
    [("speed", range(1, 131)), ("rpm", range(300, 6000, 50)), ("psi", range(1, 400)),
     ("bare_seconds", range(1, 31))],
)
def test_the_grammar_has_the_usual_way_of_every_likely_value(rule: str, values: range) -> None:
    automaton = compile_grammar(read_grammar(shipped("grammars") / "numbers.gram"), rule)
    missing = [value for value in values if not automaton.accepts(say_number(value)[0])]
    assert missing == []


def test_a_number_begun_again_is_the_last_one() -> None:
    assert begun_again("twenty twenty two") == "twenty two"
    assert begun_again("eighteen fifty") is None and begun_again("thirty nine forty") == "forty"
    assert standing([("seventeen seventeen", None), ("fifty", "rpm")]) == [["seventeen fifty", "rpm"]]
    assert standing([("one seventy one", None), ("seventy five", "psi")]) == [["one seventy five", "psi"]]
    assert standing([("sixty", None), ("sixty two", "psi")]) == [("sixty two", "psi")]
    assert standing([("twenty four", None), ("twenty five", "mph")]) == [("twenty five", "mph")]
    assert len(standing([("sixty", "mph"), ("twenty eight hundred", "rpm")])) == 2


@pytest.mark.parametrize(
    ("said", "left"),
    [
        ("it isn't sixty like last time seventy two now", "it like last time seventy two now"),
        ("ten not the hundred and twenty i called out", "ten i called out"),
        ("not twenty two twenty four", "twenty four"),
        ("not twenty two hundred", "not twenty two hundred"),
        ("not thirty", "not thirty"),  # no other number is meant
        ("flares not one two two three", "flares not one two two three"),  # gears
        ("won't change under thirty did at forty", "won't change under thirty did at forty"),
        ("fifteen no fifty five oh", "fifteen no fifty"),
        ("thirteen one three mph", "thirteen mph"),
        ("fifty five oh and it slips", "fifty five oh and it slips"),
        ("forty four oh oh", "forty four oh oh"),
        ("thirteen one four", "thirteen one four"),
        ("", ""),
    ],
)
def test_words_of_numbers_that_are_not_meant_are_found(said: str, left: str) -> None:
    """Common practice, no source."""
    words = said.split()
    unmeant = not_meant(words)
    assert [word for at, word in enumerate(words) if at not in unmeant] == left.split()


@given(st.integers(10, 99))
def test_digits_behind_a_number_spell_it_or_are_left(value: int) -> None:
    """num2words says the digits; those of another number stay."""
    tens = by_num2words(value)
    for other in (value, value + 100):
        digits = [by_num2words(int(digit)) for digit in str(other)[-2:]]
        words = [tens, *digits] if other == value else [tens, *reversed(digits)]
        spelt = value <= 19 or value % 10 == 0
        same = words[1:] == [by_num2words(int(digit)) for digit in str(value)]
        assert bool(not_meant(words)) == (spelt and same)

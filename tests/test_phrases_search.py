"""The search with arcs shut out, against the search in a grammar that never had them."""

from __future__ import annotations

import pytest

from fieldassist.phrases.automaton import compile_grammar
from fieldassist.phrases.jsgf import parse_grammar
from fieldassist.phrases.search import Costs, Lattice, Searcher, heard_words

HEAD = "#JSGF V1.0;\ngrammar test;\n"
ALL = "turn the (lamp {what: lamp} | lamb {what: lamb} | ramp {what: ramp}) (low {how: low} | slow {how: slow})"


def searcher(rule: str) -> Searcher:
    return Searcher(compile_grammar(parse_grammar(f"{HEAD}public <a> = {rule};")), Costs())


@pytest.mark.parametrize("said", ["turn the lamp low", "turn the lamb slow", "turn a lamp blow"])
@pytest.mark.parametrize("value", ["lamp", "lamb", "low"])
def test_shutting_out_is_the_same_as_never_having_had_it(said: str, value: str) -> None:
    word = next(part for part in ALL.replace("(", "|").replace(")", "|").split("|") if f": {value}}}" in part)
    without = ALL.replace(f"{word}|", "").replace(f"|{word}", "")
    assert f": {value}}}" not in without
    whole, less = Lattice(searcher(ALL), heard_words(said)), Lattice(searcher(without), heard_words(said))
    tags = {tag for arc in whole.searcher.automaton.arcs for tag in arc.tags if tag.value == value}
    found, expected = whole.best(tags), less.best()
    assert found is not None and expected is not None
    assert found.words == expected.words
    assert found.misfit == pytest.approx(expected.misfit, abs=1e-5)
    assert tags


def test_a_single_arc_shut_out_leaves_its_twin_elsewhere() -> None:
    there = searcher("shift (two {a: x} three | the two {a: x} three)")
    lattice = Lattice(there, heard_words("shift two three"))
    best = lattice.best()
    assert best is not None and best.words == ("shift", "two", "three")
    twin = next(arc for arc in best.arcs if arc.word == "two")
    assert len([arc for arc in there.automaton.arcs if arc.word == "two"]) == 2
    other = lattice.best(without=(twin,))
    assert other is not None and other.words == ("shift", "the", "two", "three")
    assert lattice.best(twin.tags) is None


def test_the_words_of_a_number_are_shut_out_where_they_are_of_one() -> None:
    there = searcher("gear (/3/ two {value=$} | /1/ two {a: x})")
    lattice = Lattice(there, heard_words("gear two"))
    best, other = lattice.best(), lattice.best({"two"})
    assert best is not None and other is not None
    assert [tag.key for tag in best.tags] == ["value"] and other.tags == (("a", "x"),)


def test_kinds_tell_arcs_apart_by_all_but_their_place() -> None:
    there = searcher(ALL)
    kinds, of_arc = there.kinds
    for arc, kind in zip(there.automaton.arcs, of_arc, strict=True):
        assert kinds[kind] == (arc.word, arc.tags, arc.slots)
    assert len(set(kinds)) == len(kinds)

"""Compiled grammars on disk: found again, made again when anything changed or broke, never in the way."""

from __future__ import annotations

import math
import os
import shutil
import struct
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldassist.phrases import PhraseSet, load_phrases
from fieldassist.phrases import phrase_set as phrase_set_module
from fieldassist.phrases.automaton import Automaton, compile_grammar
from fieldassist.phrases.compiled import KEPT_FOLDERS, Compiled, from_bytes, to_bytes
from fieldassist.phrases.jsgf import parse_grammar
from fieldassist.resources import shipped

GRAMMAR = """#JSGF V1.0;
grammar small;
public <said> = [well] (slips {kind=slip} | flares {kind=flare}) [in <gear>] | <speed> miles an hour {kind=$};
<gear> = (first | low) {gear=1} | second {gear=2};
<speed> = (ten | twenty)+ {value=$};
"""


def small(text: str = GRAMMAR) -> Automaton:
    return compile_grammar(parse_grammar(text))


class Counted:
    """Makes an automaton and counts how often."""

    def __init__(self, automaton: Automaton) -> None:
        self.automaton = automaton
        self.times = 0

    def __call__(self) -> Automaton:
        self.times += 1
        return self.automaton


@pytest.fixture
def grammar(tmp_path: Path) -> Path:
    path = tmp_path / "small.gram"
    path.write_text(GRAMMAR)
    return path


def test_an_automaton_comes_back_the_same() -> None:
    for automaton in (small(), small().without_tags(), load_phrases().rule("commands.note")):
        again = from_bytes(to_bytes(automaton))
        assert again == automaton
        assert again.words == automaton.words
        assert to_bytes(again) == to_bytes(automaton)


def test_it_is_compiled_once(tmp_path: Path, grammar: Path) -> None:
    make = Counted(small())
    for _ in range(3):
        assert Compiled(tmp_path / "compiled", [grammar]).get("a / b: \N{SNOWMAN}", make) == make.automaton
    assert make.times == 1


def test_another_name_and_another_grammar_are_not_mixed_up(tmp_path: Path, grammar: Path) -> None:
    one, two = Counted(small()), Counted(small().without_tags())
    assert Compiled(tmp_path / "compiled", [grammar]).get("one", one) == one.automaton
    assert Compiled(tmp_path / "compiled", [grammar]).get("two", two) == two.automaton
    grammar.write_text(GRAMMAR.replace("first", "bottom"))
    changed = Counted(small(grammar.read_text()))
    assert Compiled(tmp_path / "compiled", [grammar]).get("one", changed) == changed.automaton
    assert (one.times, two.times, changed.times) == (1, 1, 1)


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-40])


def empty(path: Path) -> None:
    path.write_bytes(b"")


def other_number(path: Path) -> None:
    weight = struct.pack("<d", round(math.log(2), 9))
    assert weight in path.read_bytes()
    path.write_bytes(path.read_bytes().replace(weight, struct.pack("<d", 0.19)))


def not_text(path: Path) -> None:
    path.write_bytes(bytes(range(256)))


def folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


@pytest.mark.parametrize("damage", [cut, empty, other_number, not_text, folder])
def test_a_broken_file_costs_time_only(tmp_path: Path, grammar: Path, damage: Callable[[Path], None]) -> None:
    make = Counted(small())
    Compiled(tmp_path / "compiled", [grammar]).get("one", make)
    (kept,) = (tmp_path / "compiled").rglob("*.kept")
    before = kept.read_bytes()
    damage(kept)
    assert kept.is_dir() or kept.read_bytes() != before
    assert Compiled(tmp_path / "compiled", [grammar]).get("one", make) == make.automaton
    assert make.times == 2
    if damage is not folder:
        assert kept.read_bytes() == before
    assert not list(kept.parent.glob("*.new"))


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=80), st.integers(0, 10_000))
def test_whatever_a_file_holds_is_told_by_one_kind_of_error(junk: bytes, at: int) -> None:
    whole = to_bytes(small())
    at %= len(whole)
    text = whole[:at] + junk + whole[at + len(junk) :]
    if text != whole:
        with pytest.raises(ValueError, match="digest"):
            from_bytes(text)


def test_a_place_that_cannot_be_written_costs_time_only(tmp_path: Path, grammar: Path) -> None:
    (tmp_path / "compiled").write_text("a file where the folder should be")
    make = Counted(small())
    for _ in range(2):
        assert Compiled(tmp_path / "compiled", [grammar]).get("one", make) == make.automaton
    assert make.times == 2


def test_old_ones_go(tmp_path: Path, grammar: Path) -> None:
    for number in range(KEPT_FOLDERS + 3):
        grammar.write_text(GRAMMAR + f"<more{number}> = more;\n")
        Compiled(tmp_path / "compiled", [grammar]).get("one", small)
        newest = max((tmp_path / "compiled").iterdir(), key=lambda each: each.stat().st_mtime_ns)
        os.utime(newest, (number, number))
    assert len(list((tmp_path / "compiled").iterdir())) == KEPT_FOLDERS


def test_the_second_drive_compiles_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    grammars = tmp_path / "grammars"
    shutil.copytree(shipped("grammars"), grammars)
    monkeypatch.setattr(phrase_set_module, "home", lambda: tmp_path / "home")
    (grammars / "sentence.gram").write_text(
        '#JSGF V1.0;\ngrammar sentence;\npublic <sentence> = (slips | "slips bad") {kind=slip} [<at_speed>];\n'
        "<at_speed> = (in first {gear=1} | in second {gear=2});\n"
    )
    whole = PhraseSet(grammars).listening(3)

    def refuse(*_: object) -> Automaton:
        raise AssertionError("compiled again")

    monkeypatch.setattr(phrase_set_module, "compile_for_engine", refuse)
    assert PhraseSet(grammars).listening(3) == whole
    with pytest.raises(AssertionError):
        PhraseSet(grammars).listening(2)

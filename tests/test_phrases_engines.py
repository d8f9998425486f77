"""What engines get: step grammars, JSGF text and covering phrases, on the real pocketsphinx."""

from __future__ import annotations

import math
from collections import defaultdict
from itertools import pairwise
from pathlib import Path

import pytest
from pocketsphinx import Decoder

from fieldassist.deduce import load_unit, steps_for
from fieldassist.errors import DataFileError, UserError
from fieldassist.phrases import Matcher, PhraseSet, automaton, load_phrases
from fieldassist.phrases.automaton import Automaton, compile_grammar, union
from fieldassist.phrases.covering import covering_sentences
from fieldassist.phrases.jsgf import parse_grammar
from fieldassist.phrases.phonemes import pronunciations
from fieldassist.phrases.pruning import to_text

STEPS = {step.id: step for step in steps_for(load_unit("three_speed_simpson"))}
STEP = STEPS["upshift_2_3_light"]


@pytest.fixture(scope="module")
def phrases() -> PhraseSet:
    return load_phrases()


def probability(automaton: Automaton, sentence: str) -> float:
    """Probability of a sentence over all its paths."""
    states = {automaton.start: 1.0}
    for word in sentence.split():
        following: dict[int, float] = defaultdict(float)
        for state, p in states.items():
            for arc in automaton.leaving[state]:
                if arc.word == word:
                    following[arc.target] += p * math.exp(-arc.weight)
        states = following
    finals = automaton.finals
    return sum(p * math.exp(-finals[state].weight) for state, p in states.items() if state in finals)


def test_what_is_about_the_step_is_likelier_and_nothing_is_shut_out(phrases: PhraseSet) -> None:
    plain, here = phrases.listening(None, 3), phrases.listening(STEP, 3)
    for sentence in ("two three at twenty six", "flares on the two three", "harsh"):
        assert probability(here, sentence) > 2 * probability(plain, sentence)
    for sentence in ("slips in reverse", "one two was late", "strike that"):
        assert 0 < probability(here, sentence) < probability(plain, sentence)


def test_a_car_does_not_hear_of_gears_that_it_lacks(phrases: PhraseSet) -> None:
    assert compile_grammar(phrases.sentences).accepts("harsh six seven")
    assert not phrases.listening(None, 3).accepts("harsh six seven")
    assert phrases.listening(None, 3).accepts("harsh two three")


def test_dropping_tags_keeps_every_probability(phrases: PhraseSet) -> None:
    grammar = phrases.of_step(STEP, 3)
    tagged = compile_grammar(grammar)
    plain = tagged.without_tags()
    assert plain.states < tagged.states
    for sentence in ("flares", "harsh on the two three under full throttle", "two three at forty", "no flare"):
        assert probability(plain, sentence) == pytest.approx(probability(tagged, sentence), rel=1e-6)


LOOPED = """#JSGF V1.0;
grammar t;
public <a> = (/3/ up | /1/ down)* (left | right [again] | up again) | <b> | over;
<b> = (up | down | over) (/1/ and <b> | /0.01/ out);
"""


def test_states_with_equal_pasts_become_one_and_every_probability_stays() -> None:
    tagged = compile_grammar(parse_grammar(LOOPED))
    plain = tagged.without_tags()
    sentences = [
        "left", "up down up left", "down right again", "up up again", "over", "over out", "up out",
        "down and over and up out", "over and over and over and over out",
    ]  # fmt: skip
    for sentence in sentences:
        assert 0 < probability(plain, sentence) == pytest.approx(probability(tagged, sentence), rel=1e-9)
    for sentence in ("", "again", "up and", "over left"):
        assert probability(plain, sentence) == 0
    prefixes = compile_grammar(parse_grammar("#JSGF V1.0; grammar t; public <a> = (a b | c b) x | (a b | c b) y;"))
    # b, and what follows it, are reached in the same ways with the same chances
    assert prefixes.states == 6 and prefixes.without_tags().states == 4


@pytest.mark.parametrize("weight", ["1e-12", "1e-300"])
def test_a_loop_that_is_hardly_ever_left_is_left_as_it_is(weight: str) -> None:
    text = f"#JSGF V1.0; grammar t; public <a> = again <a> | /{weight}/ out;".replace("= again", "= /1/ again")
    plain = compile_grammar(parse_grammar(text)).without_tags()
    assert plain.accepts("again again out") and not plain.accepts("again again")


def test_union_shares_probability() -> None:
    head = "#JSGF V1.0; grammar t; public <a> = "
    a, b = (compile_grammar(parse_grammar(head + body)) for body in ("x | y;", "y | z;"))
    both = union(((a, 0.75), (b, 0.25)))
    assert [probability(both, w) for w in "xyz"] == pytest.approx([0.375, 0.5, 0.125])


def test_text_form_says_the_same(phrases: PhraseSet, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(automaton, "MAX_ARCS", 1_000_000)  # without its tags, the text unfolds further at first
    text = phrases.jsgf(STEP, 3)
    assert len(text) < 200_000 and "import" not in text and "{" not in text
    # A tag anywhere: else every rule's name would be a slot.
    again = compile_grammar(parse_grammar(text + "<tagged> = tagged {slot=none};\n"))
    plain = phrases.listening(STEP, 3)
    assert again.words == plain.words
    assert all(again.accepts(s) == plain.accepts(s) for s in covering_sentences(plain, 200))


def test_phrases_cover_the_words_and_stay_few(phrases: PhraseSet) -> None:
    automaton = phrases.listening(None, 3)
    found = covering_sentences(automaton, 4000)
    assert len(found) <= 4000 and len(set(found)) == len(found)
    assert {word for phrase in found for word in phrase.split()} == set(automaton.words)
    assert all(automaton.accepts(phrase) for phrase in found[::20])
    pairs = {pair for phrase in found for pair in pairwise(phrase.split())}
    assert ("two", "three") in pairs and ("light", "throttle") in pairs


def test_pocketsphinx_loads_the_text(phrases: PhraseSet) -> None:
    decoder = Decoder(lm=None, bestpath=False, loglevel="FATAL")
    for word in compile_grammar(phrases.of_step(STEP, 3)).words:
        if decoder.lookup_word(word) is None:
            decoder.add_word(word, " ".join(pronunciations(word)[0]), False)
    decoder.add_jsgf_string("step", to_text(phrases.of_step(STEP, 3)))
    decoder.activate_search("step")
    decoder.start_utt()
    decoder.process_raw(bytes(32_000), full_utt=True)
    decoder.end_utt()


def test_a_shop_adds_its_own_words(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "grammars"
    folder.mkdir()
    (folder / "ours.gram").write_text(
        "#JSGF V1.0;\ngrammar ours;\npublic <moan> = (moans | moaning like a cow) {kind=noise} {where=hum};\n"
    )
    monkeypatch.setenv("FIELDASSIST_HOME", str(tmp_path))
    phrases = load_phrases()
    match = Matcher(phrases).match("moaning like a cow in reverse")
    assert match.finding is not None
    assert (match.finding.kind, match.finding.where, match.finding.range) == ("noise", "hum", "R")
    assert compile_grammar(phrases.sentences).accepts("moans in reverse")
    (folder / "ours.gram").write_text("#JSGF V1.0;\ngrammar ours;\npublic <moan> = (moans;\n")
    with pytest.raises(DataFileError, match=r"ours\.gram:3: expected '\)' to close '\('"):
        Matcher(load_phrases())


def test_a_folder_without_grammars_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"expected a folder of grammars with utterance\.gram in it"):
        load_phrases(tmp_path)

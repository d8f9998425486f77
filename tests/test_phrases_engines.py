"""What engines get: the automaton of all that can be said, and phrases that cover it."""

from __future__ import annotations

import math
from collections import defaultdict
from itertools import pairwise
from pathlib import Path

import pytest

from fieldassist.deduce import load_unit, steps_for
from fieldassist.errors import DataFileError, UserError
from fieldassist.phrases import Matcher, PhraseSet, load_phrases
from fieldassist.phrases.automaton import Automaton, compile_for_engine, compile_grammar
from fieldassist.phrases.covering import covering_sentences
from fieldassist.phrases.jsgf import Grammar, parse_grammar

STEPS = {step.id: step for step in steps_for(load_unit("three_speed_simpson"))}
STEP = STEPS["upshift_2_3_light"]


@pytest.fixture(scope="module")
def phrases() -> PhraseSet:
    return load_phrases()


def probability(automaton: Automaton, sentence: str) -> float:
    """Probability of a sentence over all its paths."""
    states = _over_empty_arcs(automaton, {automaton.start: 1.0})
    for word in sentence.split():
        following: dict[int, float] = defaultdict(float)
        for state, p in states.items():
            for arc in automaton.leaving[state]:
                if arc.word == word:
                    following[arc.target] += p * math.exp(-arc.weight)
        states = _over_empty_arcs(automaton, following)
    finals = automaton.finals
    return sum(p * math.exp(-finals[state].weight) for state, p in states.items() if state in finals)


def _over_empty_arcs(automaton: Automaton, states: dict[int, float]) -> dict[int, float]:
    reached, wave = defaultdict(float, states), states
    while wave:
        following: dict[int, float] = defaultdict(float)
        for state, p in wave.items():
            for arc in automaton.leaving[state]:
                if arc.word is None and p > 1e-15:
                    following[arc.target] += p * math.exp(-arc.weight)
        for state, p in following.items():
            reached[state] += p
        wave = following
    return reached


def test_a_car_does_not_hear_of_gears_that_it_lacks(phrases: PhraseSet) -> None:
    def shifts(grammar: Grammar) -> set[str | None]:
        return {tag.value for arc in compile_grammar(grammar).arcs for tag in arc.tags if tag.key == "shift"}

    assert {"2-3", "6-7"} <= shifts(phrases.sentences)
    assert {"1-2", "2-3", "3-2"} <= shifts(phrases._of_car(3))
    assert not {"3-4", "6-7"} & shifts(phrases._of_car(3))
    assert len(phrases.listening(3).arcs) < len(phrases.listening(8).arcs)


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


CHOICES = " | ".join(f"word{number}" for number in range(30))
SHARED = f"""#JSGF V1.0;
grammar t;
public <a> = [well] (<choice> | [so] <choice> <more>);
<more> = and <choice> | then (/1/ <choice> | /2/ again <choice>) {{slot=x}} [<more>];
<choice> = {CHOICES};
"""


@pytest.mark.parametrize("text", [LOOPED, SHARED])
def test_an_engines_automaton_gives_every_sentence_the_probability_that_the_grammar_gives_it(text: str) -> None:
    whole, shared = compile_grammar(parse_grammar(text)).without_tags(), compile_for_engine(parse_grammar(text))
    for sentence in (*covering_sentences(whole, 300), *covering_sentences(shared, 300)):
        assert 0 < probability(shared, sentence) == pytest.approx(probability(whole, sentence), rel=1e-6)
    for sentence in ("", "well", "word3 and", "so so word1"):
        assert not shared.accepts(sentence)
        assert probability(shared, sentence) == 0


def test_a_choice_that_many_places_lead_to_stands_once() -> None:
    whole = compile_grammar(parse_grammar(SHARED)).without_tags()
    shared = compile_for_engine(parse_grammar(SHARED))
    assert len(shared.arcs) < 0.75 * len(whole.arcs)
    assert any(arc.word is None for arc in shared.arcs)


def test_the_shipped_grammar_is_not_changed_by_sharing(phrases: PhraseSet) -> None:
    grammar = phrases._of_car(3)
    shared, whole = compile_for_engine(grammar), compile_grammar(grammar).without_tags()
    assert len(shared.arcs) < 0.5 * len(whole.arcs)
    assert all(whole.accepts(sentence) for sentence in covering_sentences(shared, 100))
    assert all(shared.accepts(sentence) for sentence in covering_sentences(whole, 100))


def test_phrases_cover_the_words_and_stay_few(phrases: PhraseSet) -> None:
    automaton = phrases.listening(3, weighs_talk=False)  # as an engine that needs phrases is told
    found = covering_sentences(automaton, 4000)
    assert len(found) <= 4000 and len(set(found)) == len(found)
    assert {word for phrase in found for word in phrase.split()} == set(automaton.words)
    assert all(automaton.accepts(phrase) for phrase in found[::20])
    pairs = {pair for phrase in found for pair in pairwise(phrase.split())}
    assert ("two", "three") in pairs and ("light", "throttle") in pairs


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

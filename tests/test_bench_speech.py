"""The hearing benchmark's own arithmetic: what counts as right, wrong and missed, and what it is fed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fieldassist.acoustic.mixing import active_speech_level, rms_level, to_float
from fieldassist.bench.speech import ORDERS_GRAMMAR, Score, _count, _draw, judge
from fieldassist.bench.speech_data import (
    LEAD,
    Sentence,
    in_cabin,
    is_number_error,
    is_right,
    read_sentences,
    unrelated,
    voices_of,
)
from fieldassist.bench.speech_data import (
    SENTENCES as SENTENCES_FILE,
)
from fieldassist.deduce import load_unit, steps_for
from fieldassist.errors import DataFileError, UserError
from fieldassist.finding import Finding
from fieldassist.phrases.jsgf import read_grammar
from fieldassist.phrases.slots import parse_slots

UNIT, SENTENCES = read_sentences()
LATER = SENTENCES_FILE.with_name("speech_sentences_later.toml")
FLARE = Sentence("flare two three", "upshift_2_3_light", ({"kind": "flare", "shift": "2-3"},), None)
SPEED = Sentence("at twenty", "upshift_1_2_light", ({"kind": "shift_speed", "value": 20.0},), None)
TALK = Sentence("nice weather", "cruise", (), None)


def heard(decision: str, *findings: dict[str, Any], command: str | None = None) -> dict[str, Any]:
    return {"heard": [{"decision": decision, "findings": list(findings), "command": command}]}


def test_the_sentences_fit_the_unit_and_its_steps() -> None:
    steps = {step.id for step in steps_for(load_unit(UNIT))}
    unit, later = read_sentences(LATER)
    assert unit == UNIT
    assert {sentence.step for sentence in (*SENTENCES, *later)} <= steps
    assert not {sentence.text for sentence in SENTENCES} & {sentence.text for sentence in later}
    assert len(SENTENCES) >= 150
    assert len({sentence.text for sentence in SENTENCES}) == len(SENTENCES)
    assert sum(sentence.number for sentence in SENTENCES) >= 25
    assert sum(not sentence.meant for sentence in SENTENCES) >= 15


@pytest.mark.parametrize(
    ("outcome", "verdict"),
    [
        (heard("accept", {"kind": "flare", "shift": "2-3", "throttle": "light"}), "right"),
        (heard("accept", {"kind": "flare", "shift": "1-2"}), "wrong"),
        (heard("accept", {"kind": "flare", "shift": "2-3", "present": False}), "wrong"),
        (heard("accept", {"kind": "flare", "shift": "2-3"}, {"kind": "slip"}), "wrong"),
        (heard("accept", command="next"), "wrong"),
        (heard("ask", {"kind": "flare", "shift": "2-3"}), "asked"),
        (heard("ignore"), "missed"),
        ({"heard": []}, "missed"),
    ],
)
def test_what_is_right_wrong_and_missed(outcome: dict[str, Any], verdict: str) -> None:
    assert judge(outcome, FLARE) == verdict


def test_talk_is_to_become_nothing() -> None:
    assert judge(heard("accept", {"kind": "slip"}), TALK) == "taken"
    assert judge(heard("accept", command="next"), TALK) == "taken"
    assert judge(heard("ask", {"kind": "slip"}), TALK) == "quiet"


def test_number_errors_are_numbers_heard_as_others() -> None:
    assert is_right(Finding("shift_speed", value=20.0), SPEED)
    assert is_number_error(Finding("shift_speed", value=12.0), SPEED)
    assert not is_number_error(Finding("shift_speed", value=20.0), SPEED)
    assert not is_number_error(Finding("flare"), SPEED)


def test_counts_add_up() -> None:
    score = Score()
    for outcome, sentence in (
        (heard("accept", {"kind": "flare", "shift": "2-3"}), FLARE),
        (heard("accept", {"kind": "shift_speed", "value": 12.0}), SPEED),
        (heard("ask"), SPEED),
        (heard("accept", {"kind": "slip"}), TALK),
    ):
        _count(score, judge(outcome, sentence), outcome, sentence)
    assert (score.clips, score.meant, score.right, score.wrong, score.missed, score.asked) == (4, 3, 1, 1, 1, 1)
    assert (score.numbers, score.number_errors, score.talk, score.talk_taken) == (2, 1, 1, 1)


@pytest.mark.parametrize("snr", [20.0, 5.0, 0.0])
def test_speech_stands_in_noise_at_the_stated_ratio(snr: float) -> None:
    tone = 0.05 * np.sin(2 * np.pi * 300 * np.arange(32_000) / 16_000)
    samples, end = in_cabin(tone, snr, seed=4)
    signal = to_float(samples)
    assert end == pytest.approx(LEAD + 2.0)
    noise = signal.copy()
    noise[round(LEAD * 16_000) : round(end * 16_000)] -= tone
    assert active_speech_level(tone)[0] - rms_level(noise) == pytest.approx(snr, abs=0.1)


def test_every_test_speaker_gets_a_turn() -> None:
    dealt = list(voices_of(SENTENCES, 1))
    assert [index for index, _, _ in dealt] == list(range(len(SENTENCES)))
    assert {speaker.split for _, speaker, _ in dealt} == {"test"}
    assert len({speaker.id for _, speaker, _ in dealt}) >= 15


def test_the_grammar_of_orders_gives_the_benchmarks_slots() -> None:
    # Sentence shape and slot names: the public speech-to-intent benchmark's description.
    grammar = read_grammar(ORDERS_GRAMMAR)
    order = "can i get a twelve ounce light roast coffee with soy milk and a bit of sugar"
    assert parse_slots(grammar, order) == {
        "size": "twelve ounce", "roast": "light roast", "coffeeDrink": "coffee", "milkAmount": "soy milk",
        "sugarAmount": "a bit of sugar",
    }  # fmt: skip
    assert parse_slots(grammar, "make me an iced mocha") == {"coffeeDrink": "iced mocha"}
    assert parse_slots(grammar, "i'd like a triple shot large dark roast house coffee") == {
        "numberOfShots": "triple shot", "size": "large", "roast": "dark roast", "coffeeDrink": "house coffee",
    }  # fmt: skip


def test_bad_sentences_are_named(tmp_path: Path) -> None:
    path = tmp_path / "sentences.toml"
    for text, expected in (
        ("sentence = [{ text = 'hi' }]", "sentence 1"),
        ("sentence = []", "at least one"),
        ("sentence = [", "not TOML"),
    ):
        path.write_text(text)
        with pytest.raises(DataFileError, match=expected):
            read_sentences(path)
    path.write_text("sentence = [{ text = 'a', step = 'cruise', finding = { kind = 'wobble' } }]")
    with pytest.raises(UserError, match="wobble"):
        read_sentences(path)


def test_unrelated_talk_is_told_to_be_missing(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="--data"):
        unrelated(tmp_path, held_out_only=True)


def test_the_picture_is_drawn(tmp_path: Path) -> None:
    report = {"ours": {"cabin": {"clean": Score(2, 2, 2), "0 dB": Score(2, 2, 1)}}}
    _draw(report, tmp_path / "a.svg")
    text = (tmp_path / "a.svg").read_text()
    assert text.startswith("<?xml")
    assert "<svg" in text

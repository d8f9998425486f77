"""The hearing benchmark's own arithmetic: what counts as right, wrong and missed, and what it is fed."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fieldassist.acoustic.mixing import active_speech_level, rms_level, to_float
from fieldassist.bench.speech import ORDER_SNRS, ORDERS_GRAMMAR, ORDERS_HELD_OUT
from fieldassist.bench.speech_data import (
    LATER,
    LEAD,
    SETS,
    Sentence,
    in_cabin,
    is_number_error,
    is_right,
    read_sentences,
    unrelated,
    voices_of,
)
from fieldassist.bench.speech_report import draw, print_tables, share
from fieldassist.bench.speech_score import Score, Task, count_in, judge, rate_interval, scored, wilson
from fieldassist.deduce import load_unit, steps_for
from fieldassist.errors import DataFileError, UserError
from fieldassist.finding import Finding
from fieldassist.phrases.jsgf import read_grammar
from fieldassist.phrases.slots import parse_slots

UNIT, SENTENCES = read_sentences()
FLARE = Sentence("flare two three", "upshift_2_3_light", ({"kind": "flare", "shift": "2-3"},), None)
SPEED = Sentence("at twenty", "upshift_1_2_light", ({"kind": "shift_speed", "value": 20.0},), None)
TALK = Sentence("nice weather", "cruise", (), None)


def heard(decision: str, *findings: dict[str, Any], command: str | None = None) -> dict[str, Any]:
    return {"heard": [{"decision": decision, "findings": list(findings), "command": command}]}


def test_the_sentences_fit_the_unit_and_its_steps() -> None:
    steps = {step.id for step in steps_for(load_unit(UNIT))}
    sets = [read_sentences(path) for path in SETS]
    assert {unit for unit, _ in sets} == {UNIT}
    assert {sentence.step for _, rows in sets for sentence in rows} <= steps
    assert not {s.text for s in read_sentences(LATER)[1]} & {s.text for s in SENTENCES}
    fresh = sets[0][1]
    assert all(sum(s.manner == manner for s in fresh) >= 12 for manner in ("plain", "hesitant", "loose"))
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
        count_in(score, judge(outcome, sentence), outcome, sentence)
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
    dealt = list(voices_of(SENTENCES))
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
        unrelated(tmp_path)


def test_the_picture_is_drawn(tmp_path: Path) -> None:
    report = {"ours": {"cabin": {"clean": Score(2, 2, 2), "0 dB": Score(2, 2, 1)}}}
    draw(report, tmp_path / "a.svg")
    text = (tmp_path / "a.svg").read_text()
    assert text.startswith("<?xml")
    assert "<svg" in text


def test_the_last_clips_of_each_corpus_are_known_to_be_held_out(tmp_path: Path) -> None:
    for name in ("librispeech", "vctk_p239"):
        (tmp_path / name).mkdir()
        rows = [f"{name}_{n:03d}.flac\t{n}\tsome words" for n in range(50)]
        (tmp_path / name / "manifest.tsv").write_text("\n".join(["file\tspeaker\ttext", *rows]) + "\n")
    found = unrelated(tmp_path)
    assert len(found) == 100
    held_out = [path.name for path, trained in found if not trained]
    assert len(held_out) == 80
    assert held_out[0] == "librispeech_010.flac"
    assert held_out[-1] == "vctk_p239_049.flac"


def test_intervals_are_those_of_published_tables() -> None:
    # Wilson 1927 as worked in R. G. Newcombe, "Two-sided confidence intervals for the single proportion",
    # Statistics in Medicine 17 (1998), table I: 81/263, 15/148, 0/20, 1/29.
    for part, whole, low, high in ((81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611),
                                   (1, 29, 0.0061, 0.1718)):  # fmt: skip
        assert wilson(part, whole) == pytest.approx((low, high), abs=1e-4)
    # Poisson limits for 0 and 10 counts (Garwood 1936): 0 to 3.689, 4.795 to 18.390
    assert rate_interval(0, 1.0) == pytest.approx((0.0, 3.689), abs=1e-3)
    assert rate_interval(10, 2.0) == pytest.approx((2.3977, 9.1952), abs=1e-3)
    assert share(9, 10) == "90.0 (60-98)"


def test_tables_fit_a_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    order = {"size": "small"}
    tasks = [
        Task("a", "cruise", "cabin", snr, sentence, "x", 1.0, 3.0) for snr in (None, 0.0) for sentence in (0, 1)
    ]
    tasks.append(Task("b", "cruise", "talk", 10.0, -1, "y", 36.0))
    tasks.append(Task("b", "cruise", "talk", 10.0, -1, "z", 36.0, trained=True))
    for number, snr in enumerate(ORDER_SNRS):
        size = "small" if number < 5 else "large"
        tasks.append(Task("c", "", "orders", snr, slots=json.dumps({"size": size})))
    outcomes: list[dict[str, Any]] = [
        {**heard("accept", {"kind": "flare", "shift": "2-3"}), "seconds": 5.0, "cpu": 0.5, "slots": order}
        for _ in tasks
    ]
    for outcome in outcomes:
        outcome["heard"][0].update(at=3.4, work=0.1)
    result = {"outcomes": outcomes, "cost": {"start": 0.5, "megabytes": 100.0}}
    report = {name: scored(tasks, result, (FLARE, SPEED)) for name in ("ours", "moonshine")}
    print_tables(report, tasks, 10.0)
    out = capsys.readouterr().out
    assert max(len(line) for line in out.splitlines()) <= 80
    assert "50.0 (9-91)" in out  # FLARE is right, SPEED is wrong
    assert "100.0 (3-557)" in out  # one false entry in 36 s
    assert "held out" in out and "in training" in out
    assert "whole   57.1   100   100" in out  # four of the seven noisy levels


def test_held_out_orders_are_listed_once() -> None:
    files = ORDERS_HELD_OUT.read_text().split()
    assert len(set(files)) == len(files) >= 40


def test_memory_is_that_of_the_program_and_not_of_the_one_that_started_it() -> None:
    ballast = np.ones(30_000_000)
    code = "from fieldassist.bench.usage import most_resident; print(most_resident())"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert 5 < float(done.stdout) < 150 < ballast.nbytes / 2**20

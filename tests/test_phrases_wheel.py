"""What technicians say at the wheel, in many wordings (`phrases_wheel.tsv`: text, step, what the finding says).

The wordings are ours, from the usual talk of the trade (common practice, no source). Each has to be a sentence of
the grammar that the engines listen for, else nobody could be heard saying it, and has to come out as its finding.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from fieldassist.deduce import load_unit, steps_for
from fieldassist.phrases import Matcher, load_phrases
from fieldassist.phrases.automaton import Automaton, compile_for_engine

STEPS = {step.id: step for step in steps_for(load_unit("three_speed_simpson"))}
ROWS = [
    (text, step, json.loads(want))
    for text, step, want in (
        line.split("\t")
        for line in (Path(__file__).parent / "data" / "phrases_wheel.tsv").read_text().splitlines()
    )
]
TALK = [
    "turn left at the next light", "did you get lunch yet", "the light's green let's go",
    "brakes are squealing a bit",
    "it's supposed to rain tonight", "call me back when you get this", "tell her it'll be ready tomorrow",
    "my daughter just started driving", "third quarter and they're down by twenty", "watch the potholes",
    "he slipped on the ice", "i'm stuck in traffic", "lift number three is free", "the dryer's making a noise",
    "exit nineteen", "they went straight to the bank", "smells like a barbecue", "stay in this lane",
]  # fmt: skip


@pytest.fixture(scope="module")
def matcher() -> Matcher:
    return Matcher(load_phrases())


@pytest.fixture(scope="module")
def listening() -> Automaton:
    return compile_for_engine(load_phrases()._of_car(3))  # without the examples of free wordings


def test_each_wording_can_be_heard(listening: Automaton) -> None:
    assert [text for text, _, _ in ROWS if not listening.accepts(text)] == []


@pytest.mark.parametrize(("text", "step", "want"), ROWS, ids=[text for text, _, _ in ROWS])
def test_each_wording_is_understood(matcher: Matcher, text: str, step: str, want: dict[str, Any]) -> None:
    match = matcher.match(text, STEPS.get(step))
    assert match.decision == "accept"
    found = [finding.to_json() for finding in (match.finding, *match.more) if finding is not None]
    assert any(want.items() <= finding.items() for finding in found), found


def test_talk_in_the_car_is_no_sentence_of_the_grammar(listening: Automaton) -> None:
    assert [text for text in TALK if listening.accepts(text)] == []

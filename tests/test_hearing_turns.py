"""The engine is asked one thing at a time, though what to expect is made ready in the background."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from fieldassist.deduce import load_unit, steps_for
from fieldassist.drive.checklist import load_checklist
from fieldassist.drive.dialogue import start
from fieldassist.drive.hearing import Hearing, match_at
from fieldassist.finding import Finding
from fieldassist.phrases import Matcher, load_phrases
from fieldassist.record.projection import project
from fieldassist.sound.endpoint import Utterance
from fieldassist.words.contained import ContainedEngine
from fieldassist.words.recognizer import Hypothesis

UNIT = load_unit("three_speed_simpson")
STEPS = steps_for(UNIT)
SOUND = np.zeros(16_000, np.int16)


class Jealous:
    """Stands for the engine; takes its time, and remembers what was asked of it, and whether two did at once."""

    name = "sphinx"

    def __init__(self) -> None:
        self.asked: list[str] = []
        self.disturbed = False
        self._busy = threading.Lock()

    def __getattr__(self, name: str):  # type: ignore[no-untyped-def]
        def ask(*_: object) -> Hypothesis:
            if not self._busy.acquire(blocking=False):
                self.disturbed = True
            else:
                time.sleep(0.02)
                self.asked.append(name)
                self._busy.release()
            return Hypothesis("", (), 0.0)

        return ask


@pytest.fixture
def hearing() -> Iterator[Hearing]:
    with closing(Hearing("sphinx", gears=len(UNIT.forward))) as hearing:
        real: ContainedEngine = hearing.engine
        with closing(real):
            hearing.engine = Jealous()  # type: ignore[assignment]
            yield hearing


def test_a_step_that_changes_within_an_utterance_is_expected_after_it(hearing: Hearing) -> None:
    state = start(load_checklist("road_test", STEPS), project(()), "t")
    hearing.expect(STEPS[0])
    for _ in range(3):
        hearing.start()
        hearing.feed(SOUND)
        hearing.expect(STEPS[0])  # the passenger moves the list on while the driver speaks
        for _ in range(3):
            hearing.feed(SOUND)
        hearing.pause()
        hearing.finish(Utterance(SOUND, 0.0, 1.0), state)
    hearing.start()
    engine = hearing.engine
    assert isinstance(engine, Jealous)
    assert not engine.disturbed
    turn = ["start", "feed", "feed", "feed", "feed", "pause", "finish", "expect_by"]
    assert engine.asked == ["watch_for", "expect_by", *turn, *turn, *turn, "start"]


@pytest.mark.parametrize(
    ("before", "text", "expected"),
    [
        (Finding("shift_speed", shift="1-2", range="D", throttle="light", value=23.0, unit="km/h"),
         "no, twenty five",
         Finding("shift_speed", shift="1-2", range="D", throttle="light", value=25.0, unit="km/h")),
        (Finding("shift_speed", shift="1-2", range="D", throttle="light", value=14.0, unit="mph"),
         "sorry, two three at twenty five",
         Finding("shift_speed", shift="2-3", range="D", throttle="light", value=25.0, unit="mph")),
    ],
)  # fmt: skip
def test_a_correction_keeps_the_place_and_unit_of_what_it_corrects(
    before: Finding, text: str, expected: Finding
) -> None:
    """By then the dialogue has gone on to the next step. The state is a stand-in of what the match looks at."""
    step = next(s for s in steps_for(load_unit("three_speed_simpson")) if s.id == "upshift_2_3_medium")
    entry = SimpleNamespace(state="open", finding=before, history=(SimpleNamespace(by="driver"),))
    view = SimpleNamespace(entries=(entry,))
    state: Any = SimpleNamespace(current=SimpleNamespace(step=step), question=None, view=view)
    match = match_at(text, Matcher(load_phrases()), state)
    assert match.command == "no" and match.finding is not None
    assert replace(match.finding, confidence=1.0) == expected

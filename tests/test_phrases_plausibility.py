"""What values can be, and readings that the engine offers side by side. Bounds: common practice, no source."""

from __future__ import annotations

import pytest

from fieldassist.finding import Finding
from fieldassist.phrases import decision
from fieldassist.phrases.as_words import versions_of
from fieldassist.phrases.plausibility import implausible, surprise
from fieldassist.words.recognizer import Hypothesis, Word
from fieldassist.words.vosk_engine import _joined, _read_piece


def shift(value: float, throttle: str, change: str = "1-2") -> Finding:
    return Finding("shift_speed", shift=change, throttle=throttle, value=value, unit="mph")


@pytest.mark.parametrize(
    ("usual", "odd"),
    [
        (shift(15, "light"), shift(50, "light")),
        (shift(50, "full", "2-3"), shift(15, "full", "2-3")),
        (Finding("stall_speed", value=1550, unit="rpm"), Finding("stall_speed", value=1515, unit="rpm")),
        (Finding("pressure", where="line", value=65, unit="psi"),
         Finding("pressure", where="line", value=63, unit="psi")),
    ],
)  # fmt: skip
def test_of_two_values_alike_in_sound_one_is_rather_to_be_expected(usual, odd):
    assert surprise(usual) < surprise(odd) <= 3.0
    assert implausible(usual) is None


def test_kilometers_are_weighed_as_miles():
    assert surprise(Finding("shift_speed", shift="1-2", throttle="light", value=24, unit="km/h")) == 0.0


@pytest.mark.parametrize(
    ("value", "unit", "hardly"), [(2, "psi", True), (5, "psi", False), (14, "kPa", True), (35, "kPa", False)]
)
def test_a_tap_with_next_to_no_pressure_is_asked_back(value: float, unit: str, hardly: bool) -> None:
    """Common practice, no source; 1 psi is 6.895 kPa."""
    assert (implausible(Finding("pressure", where="line", value=value, unit=unit)) is not None) == hardly
    assert implausible(Finding("pressure", where="line", value=0, unit=unit)) is None  # a dead tap is a reading


def reading(*alternatives: tuple[str, float]) -> dict[str, object]:
    return {
        "alternatives": [
            {"text": text, "confidence": score,
             "result": [{"word": w, "start": i * 0.3, "end": i * 0.3 + 0.3} for i, w in enumerate(text.split())]}
            for text, score in alternatives
        ]
    }  # fmt: skip


def test_other_talk_is_one_reading_however_it_was_divided():
    heard = _joined([_read_piece(reading(("[unk] [unk]", 10.0), ("[unk]", 10.0), ("no slip", 10.0)), 0.0, True)])
    assert heard.text == "no slip"  # what was said if it was none
    assert heard.confidence == pytest.approx(1.0)
    assert heard.other_talk == pytest.approx(2 / 3)


def test_where_there_is_hardly_any_doubt_other_talk_is_all_that_was_heard():
    heard = _joined([_read_piece(reading(("[unk] [unk]", 20.0), ("no slip", 10.0)), 0.0, True)])
    assert [word.text for word in heard.words] == ["[unk]"]
    assert (heard.text, heard.other_talk, heard.alternatives) == ("[unk]", 1.0, ())


def test_an_engine_that_weighs_no_other_talk_says_nothing_of_it():
    heard = _joined([_read_piece(reading(("[unk]", 10.0), ("no slip", 10.0)), 0.0, False)])
    assert heard.text == "[unk]"
    assert heard.other_talk is None
    assert heard.alternatives == (("no slip", pytest.approx(1 / 2)),)


def test_readings_that_differ_in_hesitations_speak_together():
    words = (Word("um", 0.0, 0.2, 0.5), Word("next", 0.2, 0.6, 0.9))
    versions = versions_of(Hypothesis("um next", words, 0.5, (("next", 0.4), ("[unk]", 0.1))), frozenset())
    ((kept, share),) = versions
    assert [w.text for w in kept] == ["um", "next"]
    assert share == pytest.approx(0.9)


def test_the_likelier_other_talk_the_less_was_meant():
    def evidence(share: float | None) -> decision.Evidence:
        return decision.Evidence(0.3, 2, 0.0, 0, 0.9, 0.3, False, True, share)

    scores = [decision.score(evidence(share)) for share in (0.01, 0.5, 0.99)]
    assert scores == sorted(scores, reverse=True)
    commands = [decision.command_score(evidence(share)) for share in (0.01, 0.5, 0.99)]
    assert commands == sorted(commands, reverse=True)
    assert commands[-1] < decision.ASK_SCORE

"""Which engine is preferred after it was tried on the recorded drives."""

from __future__ import annotations

from pathlib import Path

import pytest

from fieldassist.commands import check
from fieldassist.commands.check import Candidate, Tried, compare_engines, expected_clips, is_right
from fieldassist.errors import UserError
from fieldassist.words.models import Preference, read_preference


@pytest.fixture
def named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A home of its own, and pocketsphinx and a named model to choose from."""
    monkeypatch.setenv("FIELDASSIST_HOME", str(tmp_path / "home"))
    model = tmp_path / "model"
    monkeypatch.setattr(check, "candidates", lambda _: (Candidate("sphinx", None), Candidate("vosk", model)))
    return model


def _outcomes(monkeypatch: pytest.MonkeyPatch, sphinx: Tried | None, vosk: Tried | None) -> None:
    def tried(candidate: Candidate, clips: object) -> Tried:
        found = {"sphinx": sphinx, "vosk": vosk}[candidate.name]
        if found is None:
            raise UserError("cannot be used")
        return found

    monkeypatch.setattr(check, "try_engine", tried)


@pytest.mark.parametrize(
    ("sphinx", "vosk", "preferred"),
    [
        (Tried(39, 5, 52, 0.3), Tried(46, 3, 52, 0.2), "vosk"),
        (Tried(46, 3, 52, 0.3), Tried(40, 3, 52, 0.1), "sphinx"),
        (Tried(46, 9, 52, 0.3), Tried(45, 2, 52, 0.1), "vosk"),  # a wrong entry is worse than a missed one
        (Tried(46, 3, 52, 0.3), Tried(46, 3, 52, 0.1), "vosk"),  # as good and quicker
        (Tried(20, 3, 52, 0.3), None, "sphinx"),
    ],
)
def test_the_better_one_is_preferred(
    sphinx: Tried | None, vosk: Tried | None, preferred: str, named: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _outcomes(monkeypatch, sphinx, vosk)
    lines = list(compare_engines(None))
    assert lines[-1].text.startswith(preferred)
    assert read_preference() == Preference(preferred, named if preferred == "vosk" else None)
    assert list(compare_engines(None))[-1].text.endswith("as before")


def test_an_engine_that_fails_is_told_and_passed_over(named: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _outcomes(monkeypatch, None, None)
    lines = list(compare_engines(None))
    assert [line.good for line in lines] == [False, False]
    assert read_preference() == Preference()


def test_recorded_talk_is_right_when_nothing_is_taken() -> None:
    clips = list(expected_clips())
    talk = [line for line, _, _ in clips if line.finding is None and line.command is None]
    assert len(clips) > 40
    assert talk
    assert all(is_right(line, []) for line in talk)
    assert not any(is_right(line, []) for line, _, _ in clips if line not in talk)

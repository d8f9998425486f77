"""Single keys of the passenger in the terminal, on a real session file."""

from __future__ import annotations

from pathlib import Path

import pytest

from fieldassist.drive.keys import PassengerKeys
from fieldassist.finding import Finding
from fieldassist.phrases import Matcher, load_phrases
from fieldassist.record.projection import project
from fieldassist.record.store import Store


@pytest.fixture(scope="module")
def matcher() -> Matcher:
    return Matcher(load_phrases())


class Seat:
    """A passenger at the keyboard beside a session with two entries."""

    def __init__(self, path: Path, matcher: Matcher) -> None:
        self.path = path
        self.shown: list[str] = []
        with Store.create(path, {"unit": "three_speed_simpson"}) as store:
            for number, shift in enumerate(("1-2", "2-3")):
                finding = {"kind": "flare", "shift": shift}
                store.append("entry", {"entry": f"e{number}", "step": "s", "by": "driver", "finding": finding})
        self.keys = PassengerKeys(path, lambda line, _: matcher.match(line).finding, self.shown.append)

    def press(self, keys: str) -> None:
        for key in keys:
            self.keys.press(key)

    def states(self) -> list[str]:
        with Store.open(self.path, readonly=True) as store:
            return [entry.state for entry in project(store.events()).entries]

    def finding(self, number: int) -> Finding:
        with Store.open(self.path, readonly=True) as store:
            return project(store.events()).entries[number].finding


@pytest.fixture
def seat(tmp_path: Path, matcher: Matcher) -> Seat:
    return Seat(tmp_path / "drive.session", matcher)


def test_confirm_strike_and_undo_the_last(seat: Seat) -> None:
    seat.press("c")
    assert seat.states() == ["open", "confirmed"]
    seat.press("s")
    assert seat.states() == ["open", "struck"]
    seat.press("u")
    assert seat.states() == ["open", "confirmed"]
    what = "flare, two three"
    assert seat.shown == [f"confirmed: {what}", f"struck: {what}", f"taken back in: {what}"]


def test_a_digit_counts_back(seat: Seat) -> None:
    seat.press("2s")
    assert seat.states() == ["struck", "open"]
    seat.press("c")
    assert seat.states() == ["struck", "confirmed"], "the digit counts once"
    seat.press("9c")
    assert seat.shown[-1] == "there is no such entry"


def test_type_what_it_was(seat: Seat) -> None:
    seat.press("tslips in zz\x7f\x7fsecond gear\n")
    assert seat.states() == ["open", "corrected"]
    assert (seat.finding(1).kind, seat.finding(1).gear) == ("slip", "2")


def test_typing_can_be_given_up_or_say_nothing(seat: Seat) -> None:
    seat.press("tflare\x1b")
    seat.press("tthe weather is fine today\n")
    assert seat.states() == ["open", "open"]
    assert seat.shown[-1].startswith("nothing changed")


def test_a_file_that_cannot_be_written_is_told(seat: Seat) -> None:
    seat.path.chmod(0o400)
    seat.path.rename(seat.path.with_name("moved"))
    with pytest.raises(Exception, match="no such session"):
        seat.press("c")

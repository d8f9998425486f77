"""The loop with real parts: recorded utterances (synthetic voices), the real recogniser, a real session file."""

from __future__ import annotations

import os
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from pathlib import Path

import numpy as np
import pytest

from fieldassist.bench.loop import kills
from fieldassist.deduce import Step, load_unit, steps_for
from fieldassist.drive.checklist import Checklist, read_checklist
from fieldassist.drive.dialogue import Heard, State, start
from fieldassist.drive.hearing import Hearing
from fieldassist.drive.loop import DriveLoop
from fieldassist.drive.recordings import Recordings
from fieldassist.drive.replay import replay
from fieldassist.drive.scenario import load_scenario
from fieldassist.drive.speaker import Speaker
from fieldassist.record import store as store_module
from fieldassist.record.portable import export_session, import_session
from fieldassist.record.projection import SessionView, project
from fieldassist.record.store import StorageError, Store
from fieldassist.resources import shipped
from fieldassist.sound.endpoint import Utterance
from fieldassist.sound.player import Player
from fieldassist.sound.voice import Voice
from fieldassist.sound.wave import read_wave

FIXTURES = shipped("audio_fixtures") / "second_gear_slips"
NIGHTLY = os.environ.get("FIELDASSIST_NIGHTLY") == "1"
UNIT = load_unit("three_speed_simpson")
SHORT = """
title = "Short"
[sections.road]
title = "On the road"
caution = "Eyes on the road."
[items.level]
section = "road"
step = "fluid_level"
prompt = "Fluid level?"
[items.leaks]
section = "road"
step = "leak_check"
prompt = "Leaks?"
[items.upshift]
section = "road"
procedure = "upshift"
only = { throttle = "medium", shift = "1-2" }
prompt = "{shift}?"
[items.hold]
section = "road"
procedure = "hold"
only = { gear = "2" }
prompt = "Pull in {gear}."
"""
CLIPS = ("01_level_good", "03_no_leaks", "13_passenger_talk", "22_flare_hesitant", "36_slips_in_second")


SENTENCES = (
    "fluid level is good", "no leaks", "uh flare flare on the one two", "slips in second gear", "hold", "resume",
    "next", "strike that", "one two is harsh", "normal",
)  # fmt: skip


class Narrow(Hearing):
    """The real engine and matcher, listening for a few sentences only: these tests are about the loop."""

    def __init__(self) -> None:
        super().__init__("sphinx", gears=len(UNIT.forward))
        self.engine.use_phrases(SENTENCES)

    def expect(self, step: Step | None) -> None:
        """The same few sentences at every step."""


@pytest.fixture(scope="module")
def hearing() -> Iterator[Hearing]:
    with closing(Narrow()) as hearing:
        yield hearing


@pytest.fixture(scope="module")
def voice() -> Iterator[Voice]:
    with closing(Voice()) as voice:
        yield voice


@pytest.fixture
def checklist(tmp_path: Path) -> Checklist:
    path = tmp_path / "short.toml"
    path.write_text(SHORT)
    return read_checklist(path, steps_for(UNIT))


class Log:
    """A screen that remembers, and acts when something is said."""

    def __init__(self) -> None:
        self.lines: list[tuple[str, str]] = []
        self.then: Callable[[str], None] | None = None

    def said(self, text: str, why: str) -> None:
        self.lines.append((why, text))
        if self.then is not None:
            self.then(text)

    def heard(self, heard: Heard, state: State) -> None:
        self.lines.append(("heard", heard.decision))

    def moved(self, state: State) -> None:
        pass

    def told(self, text: str) -> None:
        self.lines.append(("told", text))


class SharedVoice(Voice):
    """One voice process for all tests."""

    def __init__(self, voice: Voice) -> None:
        self._shared = voice
        super().__init__()

    def render(self, text: str):  # type: ignore[no-untyped-def]
        return self._shared.render(text)


def make(
    file: Store,
    checklist: Checklist,
    hearing: Hearing,
    voice: Voice,
    stack: ExitStack,
    clips: tuple[str, ...] = CLIPS,
    log: Log | None = None,
    keep_clips: bool = True,
    run: str = "t",
    prompts: Path | None = None,
) -> DriveLoop:
    files = iter([FIXTURES / f"{clip}.flac" for clip in clips])
    player = Player(prompts)
    player.has_device = False
    loops: list[DriveLoop] = []

    def choose() -> Path | None:
        loops[0].settle()
        return next(files, None)

    loop = DriveLoop(
        file, start(checklist, project(file.events()), run), UNIT, Recordings(choose), hearing,
        lambda heard: stack.enter_context(closing(Speaker(SharedVoice(voice), player, heard))),
        log or Log(), kept="Kept here.", keep_clips=keep_clips, half_duplex=False,
    )  # fmt: skip
    loops.append(loop)
    return loop


def drive(path: Path, checklist: Checklist, hearing: Hearing, voice: Voice, **options: object) -> SessionView:
    with ExitStack() as stack:
        started = {"unit": UNIT.name, "checklist": str(path.parent / "short.toml")}
        file = stack.enter_context(Store.create(path, started))
        make(file, checklist, hearing, voice, stack, **options).run()  # type: ignore[arg-type]
        return project(file.events())


def kinds(view: SessionView) -> list[str]:
    return [entry.finding.kind for entry in view.entries]


def test_a_short_drive_is_heard_logged_deduced_and_spoken(
    tmp_path: Path, checklist: Checklist, hearing: Hearing, voice: Voice
) -> None:
    log = Log()
    prompts = tmp_path / "prompts"
    view = drive(tmp_path / "a.session", checklist, hearing, voice, log=log, prompts=prompts)
    assert kinds(view) == ["fluid_level", "leak", "flare", "slip"]
    assert view.finished and view.deduced is not None
    assert not view.problems
    said = [text for why, text in log.lines if why in ("prompt", "read_back", "caution")]
    assert said[:3] == ["Eyes on the road.", "Fluid level?", "fluid level good"]
    assert ("heard", "ignore") in log.lines, "what the passenger says is not for the tool"
    files = sorted(prompts.glob("*.wav"))
    assert len(files) == len([why for why, _ in log.lines if why not in ("heard", "told")])
    assert all(len(read_wave(file)) < 16_000 * 10 for file in files), "nothing spoken is longer than ten seconds"


def test_the_clips_are_what_was_heard_and_can_be_left_out(
    tmp_path: Path, checklist: Checklist, hearing: Hearing, voice: Voice
) -> None:
    view = drive(tmp_path / "a.session", checklist, hearing, voice)
    with Store.open(tmp_path / "a.session", readonly=True) as store:
        clips = [entry.clip for entry in view.entries]
        overheard = [event.data["clip"] for event in store.events() if event.kind == "overheard"]
        assert overheard and sorted(store.clip_ids()) == sorted({*clips, *overheard})
    with Store.open(tmp_path / "a.session") as store:
        store.drop_clips()
        assert not [event for event in store.events() if event.kind == "overheard"], "its words go with its sound"
    view = drive(tmp_path / "b.session", checklist, hearing, voice, keep_clips=False)
    assert kinds(view) == ["fluid_level", "leak", "flare", "slip"]
    with Store.open(tmp_path / "b.session", readonly=True) as store:
        assert store.clip_ids() == ()
        assert not [event for event in store.events() if event.kind == "overheard"]


def test_the_same_audio_gives_the_same_session(
    tmp_path: Path, checklist: Checklist, hearing: Hearing, voice: Voice
) -> None:
    logs = []
    for name in ("a", "b"):
        drive(tmp_path / f"{name}.session", checklist, hearing, voice)
        with Store.open(tmp_path / f"{name}.session", readonly=True) as store:
            logs.append([(event.seq, event.kind, event.data) for event in store.events()][1:])
    assert logs[0] == logs[1]


def test_a_session_is_heard_again_and_the_differences_are_listed(
    tmp_path: Path, checklist: Checklist, hearing: Hearing, voice: Voice, monkeypatch: pytest.MonkeyPatch
) -> None:
    drive(tmp_path / "a.session", checklist, hearing, voice)
    monkeypatch.setattr("fieldassist.drive.replay.Hearing", lambda *_: Narrow())
    again = replay(tmp_path / "a.session")
    assert again.overheard > 0 and f"{again.overheard} of them had been taken for talk" in again.lines()[1]
    assert again.utterances == 4 + again.overheard and again.without_clip == 0 and again.differences == ()
    for (name, before), (same, now) in zip(again.suspects_before, again.suspects_now, strict=True):
        assert name == same and now == pytest.approx(before, abs=0.02), "word confidences vary a little"

    class Deaf(Narrow):
        def __init__(self) -> None:
            super().__init__()
            self.engine.use_phrases(["fluid level is good", "no leaks", "one two is harsh"])

    monkeypatch.setattr("fieldassist.drive.replay.Hearing", lambda *_: Deaf())
    changed = replay(tmp_path / "a.session")
    lost = [difference for difference in changed.differences if difference.change != "newly heard"]
    assert 1 <= len(lost) <= 2, "what cannot be heard any more is listed"
    assert {difference.before for difference in lost} <= {"flare, one two", "slip, second"}
    assert all(len(line) <= 80 for line in changed.lines())
    assert changed.to_json()["differences"]


def test_what_was_missed_on_the_drive_is_newly_heard_in_the_replay(
    tmp_path: Path, checklist: Checklist, hearing: Hearing, voice: Voice, monkeypatch: pytest.MonkeyPatch
) -> None:
    class HardOfHearing(Narrow):
        """Knows no flares: the flare becomes something that is taken for nothing."""

        def __init__(self) -> None:
            super().__init__()
            self.engine.use_phrases(["fluid level is good", "no leaks", "a fair fair on the run too"])

    path = tmp_path / "a.session"
    with closing(HardOfHearing()) as hard:
        view = drive(path, checklist, hard, voice, clips=(*CLIPS[:2], "22_flare_hesitant"))
    assert kinds(view) == ["fluid_level", "leak"]
    monkeypatch.setattr("fieldassist.drive.replay.Hearing", lambda *_: Narrow())
    now = replay(path)
    assert now.overheard >= 1
    newly = [difference for difference in now.differences if difference.change == "newly heard"]
    assert [difference.now for difference in newly] == ["flare, one two"]
    assert newly[0].step == "upshift_1_2_medium" and newly[0].before == "nothing"
    assert "newly heard: 1" in now.lines() and all(len(line) <= 80 for line in now.lines())
    assert now.suspects_now != now.suspects_before, "what was missed counts in what would be deduced now"

    exported = tmp_path / "back.session"
    with Store.open(path, readonly=True) as store:
        import_session(export_session(store), exported)
    assert replay(exported).to_json() == now.to_json()

    with Store.open(path) as store:
        store.drop_clips()
    assert replay(path).overheard == 0
    assert "no other talk was kept: what had been missed cannot be shown" in replay(path).lines()


def test_the_last_room_on_the_disk_is_not_for_other_talk(
    tmp_path: Path, checklist: Checklist, hearing: Hearing, voice: Voice, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Store, "room", lambda self: 10 * 2**20)
    view = drive(tmp_path / "a.session", checklist, hearing, voice)
    assert kinds(view) == ["fluid_level", "leak", "flare", "slip"] and all(entry.clip for entry in view.entries)
    with Store.open(tmp_path / "a.session", readonly=True) as store:
        assert not [event for event in store.events() if event.kind == "overheard"]


def test_nothing_waits_for_other_talk_that_cannot_be_written(
    tmp_path: Path, checklist: Checklist, hearing: Hearing, voice: Voice, monkeypatch: pytest.MonkeyPatch
) -> None:
    append = Store.append

    def full(self: Store, kind: str, data, id: str | None = None):  # type: ignore[no-untyped-def]
        if kind == "overheard":
            raise StorageError("the disk is full")
        return append(self, kind, data, id)

    monkeypatch.setattr(Store, "append", full)
    log = Log()
    view = drive(tmp_path / "a.session", checklist, hearing, voice, log=log)
    assert kinds(view) == ["fluid_level", "leak", "flare", "slip"] and view.finished
    assert not [text for why, text in log.lines if why in ("told", "trouble")]


def test_what_the_passenger_does_counts_at_once(
    tmp_path: Path, checklist: Checklist, hearing: Hearing, voice: Voice
) -> None:
    path = tmp_path / "a.session"
    log = Log()

    def strike(text: str) -> None:
        if text == "no leak":
            with Store.open(path) as store:
                entry = project(store.events()).entries[0].id
                store.append("entry_struck", {"entry": entry, "by": "passenger"}, id="tap-1")
                store.append("entry_confirmed", {"entry": "no such entry", "by": "passenger"}, id="tap-2")

    log.then = strike
    view = drive(path, checklist, hearing, voice, log=log)
    assert view.entries[0].state == "struck" and view.entries[0].by == "passenger"
    assert kinds(view) == ["fluid_level", "leak", "flare", "slip"], "the drive goes on"
    assert view.deduced is not None


def test_an_entry_waits_while_the_file_cannot_be_written(
    tmp_path: Path, checklist: Checklist, hearing: Hearing, voice: Voice, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another program holds the file: the entry is not read back until it is in, and it is not lost."""
    monkeypatch.setattr(store_module, "BUSY_SECONDS", 0.1)
    monkeypatch.setattr("fieldassist.drive.loop.RETRY_SECONDS", 0.2)
    path = tmp_path / "a.session"
    log = Log()

    def hold(text: str) -> None:
        if text == "Leaks?":
            log.then = None
            threading.Thread(target=block, daemon=True).start()
            time.sleep(0.3)

    def block() -> None:
        with closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            time.sleep(2.0)
            log.lines.append(("released", ""))
            other.execute("ROLLBACK")

    log.then = hold
    view = drive(path, checklist, hearing, voice, log=log)
    assert kinds(view)[:2] == ["fluid_level", "leak"]
    assert any(why == "told" and "in use by another program" in text for why, text in log.lines)
    assert log.lines.index(("read_back", "no leak")) > log.lines.index(("released", ""))


def test_only_hold_is_heard_over_a_prompt(
    tmp_path: Path, checklist: Checklist, hearing: Hearing, voice: Voice
) -> None:
    with ExitStack() as stack:
        file = stack.enter_context(Store.create(tmp_path / "a.session", {"unit": UNIT.name}))
        loop = make(file, checklist, hearing, voice, stack, clips=())
        loop.run()
        for clip, paused in (("22_flare_hesitant", False), ("32_hold", True)):
            samples = read_wave(FIXTURES / f"{clip}.flac")
            hearing.start()
            hearing.feed(samples)
            loop._understand(Utterance(samples, 0.0, 1.0, over_prompt=True))
            assert loop.state.view.paused is paused
        assert not loop.state.view.entries


class Unplugged:
    """A microphone that goes away in the middle of the second utterance, and comes back."""

    def __init__(self, whole: str, broken: str, again: str, settle: Callable[[], None]) -> None:
        self._whole, self._again = (read_wave(FIXTURES / f"{name}.flac") for name in (whole, again))
        self._half = read_wave(FIXTURES / f"{broken}.flac")[:16_000]
        self._settle = settle
        self._stretches = self._read()
        self._told: list[str] = []

    def read(self):  # type: ignore[no-untyped-def]
        return next(self._stretches, None)

    def troubles(self) -> tuple[str, ...]:
        told, self._told = tuple(self._told), []
        return told

    def _read(self):  # type: ignore[no-untyped-def]
        quiet = np.zeros(16_000, np.int16)
        for sound in (self._whole, quiet, self._half):
            self._settle()
            yield from np.split(sound, range(1600, len(sound), 1600))
        self._told.append("The microphone is gone. I keep looking for one.")
        for _ in range(14):
            time.sleep(0.1)
            yield quiet[:0]
        self._told.append("The microphone is back.")
        for sound in (self._again, quiet):
            yield from np.split(sound, range(1600, len(sound), 1600))


def test_an_utterance_that_breaks_off_with_the_microphone_is_asked_for_again(
    tmp_path: Path, checklist: Checklist, hearing: Hearing, voice: Voice
) -> None:
    log = Log()
    with ExitStack() as stack:
        file = stack.enter_context(Store.create(tmp_path / "a.session", {"unit": UNIT.name}))
        loop = make(file, checklist, hearing, voice, stack, clips=(), log=log)
        loop._source = Unplugged("01_level_good", "36_slips_in_second", "03_no_leaks", loop.settle)  # type: ignore[assignment]
        loop.run()
        view = project(file.events())
        broken = [event for event in file.events() if event.data.get("decision") == "ask"]
        assert len(broken) == 1 and file.clip(broken[0].data["clip"])[:4] == b"fLaC", "the half is kept"
    assert kinds(view) == ["fluid_level", "leak"], "half a sentence is no entry"
    said = [text for why, text in log.lines if why in ("ask", "trouble")]
    assert sorted(said) == [
        "I lost you there. Say it again?", "The microphone is back.",
        "The microphone is gone. I keep looking for one.",
    ]  # fmt: skip


def test_taken_up_again_where_it_stopped(
    tmp_path: Path, checklist: Checklist, hearing: Hearing, voice: Voice
) -> None:
    path = tmp_path / "a.session"
    view = drive(path, checklist, hearing, voice, clips=CLIPS[:2])
    assert not view.finished and view.step == "upshift_1_2_medium"
    with ExitStack() as stack:
        file = stack.enter_context(Store.open(path))
        log = Log()
        make(file, checklist, hearing, voice, stack, clips=CLIPS[2:], log=log, run="u").run()
        view = project(file.events())
    assert ("prompt", "One two?") in log.lines and ("prompt", "Fluid level?") not in log.lines
    assert kinds(view) == ["fluid_level", "leak", "flare", "slip"] and view.finished


def test_killed_drives_lose_nothing_and_go_on_at_their_step(tmp_path: Path) -> None:
    """More of it: `python -m fieldassist.bench loop --kills 200`."""
    lines, good = kills(tmp_path, 200 if NIGHTLY else 2)
    assert good, lines
    assert " 0 lost" in lines[0]


def test_the_scenario_says_something_at_every_step() -> None:
    scenario = load_scenario("second_gear_slips")
    assert 35 <= len(scenario.lines) <= 55
    assert sum(line.finding is None and line.command is None for line in scenario.lines) >= 4
    assert sum(len(read_wave(line.file)) for line in scenario.lines) < 16_000 * 180

"""The dialogue: walked through by hand, and driven by random happenings that must never cost an entry."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import replace
from typing import TypeGuard

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldassist.deduce.steps import steps_for
from fieldassist.deduce.unit import load_unit
from fieldassist.drive.checklist import Checklist, load_checklist
from fieldassist.drive.dialogue import (
    COMMANDS,
    OVERHEARD_LONGEST,
    OVERHEARD_MOST,
    Action,
    Begin,
    Deduce,
    Deduced,
    End,
    Happening,
    Heard,
    Hush,
    Others,
    Say,
    Show,
    Silence,
    State,
    Store,
    Trouble,
    advance,
    start,
    understood,
)
from fieldassist.finding import Finding
from fieldassist.record.event import Event
from fieldassist.record.projection import SessionView, project

NIGHTLY = os.environ.get("FIELDASSIST_NIGHTLY") == "1"
CHECKLIST: Checklist = load_checklist("road_test", steps_for(load_unit("three_speed_simpson")))
STARTED = Event("d-start", "started", "2026-01-01T00:00:00.000000Z", {"unit": "three_speed_simpson"})


class Drive:
    """The machine with a session kept in a list, as the loop keeps it in a file."""

    def __init__(self) -> None:
        self.events: list[Event] = [STARTED]
        self.runs = 0
        self.take_up()
        self.do(Begin("Clips are kept here."))

    def take_up(self) -> None:
        self.state: State = start(CHECKLIST, project(self.events), f"r{self.runs}")
        self.runs += 1

    def do(self, happening: Happening) -> tuple[Action, ...]:
        if isinstance(happening, Others):
            self.events.append(happening.event)
        self.state, actions = advance(self.state, happening)
        self.events += [Event(a.id, a.kind, "", a.data) for a in actions if isinstance(a, Store)]
        return actions

    def say(self, kind: str, **keys: object) -> tuple[Action, ...]:
        return self.do(Heard("accept", Finding(kind, **keys)))  # type: ignore[arg-type]

    def order(self, command: str, finding: Finding | None = None) -> tuple[Action, ...]:
        return self.do(Heard("accept", finding, command=command))

    def go_to(self, step: str) -> None:
        while self.state.item != step:
            self.order("skip")

    @property
    def view(self) -> SessionView:
        return self.state.view


def spoken(actions: Iterable[Action]) -> list[str]:
    return [action.text for action in actions if isinstance(action, Say)]


def kinds(actions: Iterable[Action]) -> list[str]:
    return [action.kind for action in actions if isinstance(action, Store)]


def test_the_opening_says_what_is_kept_and_the_caution_comes_before_the_first_question() -> None:
    state = start(CHECKLIST, project([STARTED]), "r")
    _, actions = advance(state, Begin("Clips are kept here."))
    whys = [action.why for action in actions if isinstance(action, Say)]
    assert whys == ["opening", "caution", "prompt"]
    assert spoken(actions)[0] == "Clips are kept here."


def test_a_whole_drive_without_a_fault_asks_every_item_once_and_ends() -> None:
    drive = Drive()
    asked = []
    while drive.state.item is not None:
        asked.append(drive.state.item)
        item = drive.state.current
        assert item is not None
        drive.say("normal")
        if item.follow_up:
            assert drive.state.item == item.id, "the number is still wanted"
            drive.say(item.follow_up, value=20.0, unit="mph")
    assert asked == [item.id for item in CHECKLIST.items if not item.on_request]
    ended = drive.do(Deduced({"suspects": [], "next_tests": []}))
    assert kinds(ended) == ["deduced", "finished"]
    assert isinstance(ended[-1], End)
    assert drive.view.finished


def test_an_entry_takes_its_condition_from_the_step() -> None:
    drive = Drive()
    drive.go_to("upshift_1_2_medium")
    drive.say("flare")
    finding = drive.view.entries[-1].finding
    assert (finding.shift, finding.range, finding.throttle) == ("1-2", "D", "medium")
    other = Finding("late", shift="2-3")
    item = CHECKLIST.item("upshift_1_2_medium")
    assert item is not None
    assert understood(other, item) == other, "another shift than the step's says nothing about this step's pedal"


def test_normal_means_what_the_item_asks_about() -> None:
    drive = Drive()
    while drive.state.item is not None:
        item = drive.state.current
        assert item is not None
        drive.say("normal")
        if item.id == "tyres":
            assert drive.view.notes[-1].text.endswith("normal")
            continue
        finding = drive.view.entries[-1].finding
        narrow = finding.kind != "normal" or finding.shift or finding.gear
        assert narrow, f"{item.id}: a bare normal would deny every fault of the car"
        if item.follow_up:
            drive.order("next")
    kinds_at = {entry.step: entry.finding for entry in drive.view.entries}
    assert kinds_at["fluid_level"] == Finding("fluid_level", where="normal")
    assert kinds_at["pull_away_2"] == Finding("normal", range="2", gear="1")
    assert kinds_at["engage_reverse"] == Finding("delayed_engagement", range="R", present=False)
    assert kinds_at["cruise"].gear == "3"


def test_number_first_then_the_feel() -> None:
    drive = Drive()
    drive.go_to("upshift_1_2_light")
    drive.say("shift_speed", value=14.0, unit="mph")
    assert drive.state.item == "upshift_1_2_light"
    drive.say("normal")
    assert drive.state.item == "upshift_2_3_light"


def test_another_observation_is_kept_and_the_item_stays_open() -> None:
    drive = Drive()
    drive.go_to("upshift_2_3_light")
    drive.say("noise", where="whine", gear="1")
    assert drive.view.entries[-1].finding.kind == "noise"
    assert drive.state.item == "upshift_2_3_light"


def test_strike_returns_to_the_step_of_what_was_struck() -> None:
    drive = Drive()
    drive.say("fluid_level", where="low")
    drive.order("no")  # it asks whether to end the drive
    drive.say("fluid_condition", where="dark")
    assert drive.state.item == "leak_check"
    actions = drive.order("strike")
    assert kinds(actions)[:2] == ["heard", "entry_struck"]
    assert drive.state.item == "fluid_condition"
    assert drive.view.entries[-1].state == "struck"


def test_a_correction_changes_the_last_entry_and_keeps_the_old_value() -> None:
    drive = Drive()
    drive.go_to("upshift_2_3_full")
    drive.say("flare", shift="1-2")
    drive.order("no", Finding("flare", shift="2-3"))
    entry = drive.view.entries[-1]
    assert (entry.state, entry.finding.shift) == ("corrected", "2-3")
    assert [change.finding.shift for change in entry.history] == ["1-2", "2-3"]


def test_bare_no_answers_a_question_or_strikes_what_was_just_read_back() -> None:
    drive = Drive()
    drive.go_to("leak_check")
    drive.order("no")
    assert drive.view.entries[-1].finding == Finding("leak", present=False)
    drive.go_to("upshift_1_2_light")
    drive.say("flare")
    drive.order("no")
    assert drive.view.entries[-1].state == "struck"


def test_engine_braking_yes_means_that_it_is_there() -> None:
    drive = Drive()
    drive.go_to("engine_braking_2")
    drive.order("yes")
    finding = drive.view.entries[-1].finding
    assert (finding.kind, finding.present, finding.range) == ("no_engine_braking", False, "2")


def test_a_no_of_more_words_is_about_what_was_heard() -> None:
    drive = Drive()
    drive.go_to("engine_braking_D")
    drive.do(Heard("accept", command="no", record={"text": "no that's not what i said"}))
    assert not drive.view.entries
    drive.do(Heard("accept", command="no", record={"text": "no"}))
    (entry,) = drive.view.entries
    assert entry.finding.kind == "no_engine_braking" and entry.finding.present


def test_asks_back_once_then_leaves_it_open_for_the_passenger() -> None:
    drive = Drive()
    drive.go_to("upshift_1_2_light")
    first, second = Finding("flare", shift="1-2"), Finding("flare", shift="2-3")
    unclear = Heard("ask", first, alternatives=(second,), score=0.5, ask="One two, or two three?")
    assert spoken(drive.do(unclear)) == ["One two, or two three?"]
    actions = drive.do(unclear)
    assert spoken(actions)[0] == "Left open."
    stored = next(action for action in actions if isinstance(action, Store) and action.kind == "entry")
    assert [alternative["shift"] for alternative in stored.data["alternatives"]] == ["2-3"]
    assert drive.view.entries[-1].state == "open"


def test_yes_takes_the_first_reading() -> None:
    drive = Drive()
    drive.go_to("upshift_1_2_light")
    drive.do(Heard("ask", Finding("flare", shift="1-2"), ask="Flare one two?"))
    drive.order("yes")
    assert drive.view.entries[-1].finding.kind == "flare"


def test_low_fluid_can_end_the_drive_or_be_overruled() -> None:
    drive = Drive()
    drive.say("fluid_level", where="low")
    assert drive.state.question is not None and drive.state.question.kind == "stop"
    actions = drive.order("yes")
    assert drive.state.ended and isinstance(actions[-1], End)
    other = Drive()
    other.say("fluid_level", where="low")
    other.order("no")
    assert other.state.item == "fluid_condition"
    assert not other.view.finished


def test_no_drive_leaves_out_what_cannot_be_tried_once_it_is_sure() -> None:
    doubtful = Drive()
    doubtful.go_to("pull_away_D")
    assert spoken(doubtful.say("no_drive"))[-1] == "Are you sure?"
    doubtful.order("no")
    assert doubtful.state.item == "pull_away_D" and doubtful.view.entries[-1].state == "struck"
    drive = Drive()
    drive.go_to("pull_away_D")
    drive.say("no_drive")
    drive.order("yes")
    skipped = drive.view.steps_skipped
    assert {"upshift_1_2_light", "kickdown_3_2", "cruise", "pull_away_2"} <= skipped
    assert drive.state.closing


def test_hold_stops_the_voice_and_nothing_said_meanwhile_counts() -> None:
    drive = Drive()
    assert any(isinstance(action, Hush) for action in drive.order("hold"))
    assert drive.view.paused
    assert drive.say("flare") == ()
    drive.order("resume")
    assert not drive.view.paused and not drive.view.entries


def test_a_note_keeps_its_clip() -> None:
    drive = Drive()
    drive.order("note")
    drive.do(Heard("ignore", record={"text": "worse on the hill", "clip": "c1"}))
    assert (drive.view.notes[0].text, drive.view.notes[0].clip) == ("", "c1"), "the sound is the note"
    assert not drive.state.noting


def test_finish_asks_first() -> None:
    drive = Drive()
    drive.order("finish")
    drive.order("no")
    assert not drive.state.ended
    drive.order("finish")
    drive.order("yes")
    assert drive.state.ended


def test_stall_is_only_done_when_asked_for_with_its_caution_first() -> None:
    drive = Drive()
    while drive.state.item is not None:
        drive.order("skip")
    actions = drive.do(Deduced({"suspects": [], "next_tests": [{"step": "stall_D"}]}))
    assert spoken(actions)[0].startswith("Stall test in D")
    actions = drive.order("yes")
    assert [a.why for a in actions if isinstance(a, Say)][-2:] == ["caution", "prompt"]
    drive.say("stall_speed", value=2600.0, unit="rpm")
    actions = drive.do(Deduced({"suspects": [], "next_tests": [{"step": "stall_D"}]}))
    assert drive.state.ended, "it is not proposed a second time"


def test_no_stall_test_with_low_fluid() -> None:
    drive = Drive()
    drive.say("fluid_level", where="low")
    drive.order("no")
    while drive.state.item is not None:
        drive.order("skip")
    drive.do(Deduced({"suspects": [], "next_tests": [{"step": "stall_D"}, {"step": "stall_R"}]}))
    assert drive.state.ended and drive.state.question is None


def test_a_declined_kind_of_work_is_not_proposed_again() -> None:
    drive = Drive()
    while drive.state.item is not None:
        drive.order("skip")
    tests = [{"step": "pressure_line"}, {"step": "pressure_servo"}]
    drive.do(Deduced({"suspects": [], "next_tests": tests}))
    drive.order("no")
    assert drive.state.ended


def test_the_passenger_can_answer_and_correct() -> None:
    drive = Drive()
    entry = Event("p1", "entry", "", {"entry": "p-e1", "step": "fluid_level", "by": "passenger",
                                      "finding": {"kind": "normal"}})  # fmt: skip
    actions = drive.do(Others(entry))
    assert drive.state.item == "fluid_condition"
    assert any(isinstance(action, Deduce) for action in actions)
    drive.do(Others(Event("p2", "entry_struck", "", {"entry": "p-e1", "by": "passenger"})))
    assert drive.view.entries[0].state == "struck"


def test_silence_repeats_the_prompt_once() -> None:
    drive = Drive()
    assert spoken(drive.do(Silence())) == ["Fluid level?"]
    assert drive.do(Silence()) == ()


def test_taken_up_again_in_the_middle_of_a_step() -> None:
    drive = Drive()
    drive.go_to("upshift_1_2_light")
    drive.say("harsh")
    drive.take_up()
    actions = drive.do(Begin("kept"))
    assert kinds(actions) == ["resumed"]
    assert spoken(actions)[-1] == "At what speed?"
    drive.say("shift_speed", value=14.0, unit="mph")
    assert drive.state.item == "upshift_2_3_light"


# Random drives.

findings = st.builds(
    Finding,
    kind=st.sampled_from(["normal", "flare", "slip", "fluid_level", "shift_speed", "no_drive", "stall_speed"]),
    shift=st.sampled_from([None, "1-2", "2-3", "3-2"]),
    where=st.sampled_from([None, "low", "whine"]),
    value=st.sampled_from([None, 14.0]),
    present=st.booleans(),
)
heard = st.builds(
    Heard,
    decision=st.sampled_from(["accept", "accept", "accept", "ask", "ignore"]),
    finding=st.none() | findings,
    command=st.none() | st.sampled_from(COMMANDS),
    alternatives=st.lists(findings, max_size=2).map(tuple),
    score=st.floats(0, 1),
    more=st.lists(findings, max_size=1).map(tuple),
    record=st.just({"text": "something", "clip": None}),
)
tests = st.lists(
    st.sampled_from(["stall_D", "stall_R", "pressure_line", "pan_inspection", "no_such_step"]).map(
        lambda step: {"step": step}
    ),
    max_size=3,
)
deduced = st.builds(Deduced, st.none() | st.builds(lambda rows: {"suspects": [], "next_tests": rows}, tests))
passenger = st.tuples(
    st.sampled_from(["entry", "entry_confirmed", "entry_corrected", "entry_struck", "entry_restored"]),
    st.integers(0, 6),
    findings,
)
happenings = st.one_of(
    heard, heard, heard, heard, deduced, passenger, st.just(Silence()), st.just(Trouble("Microphone lost.")),
    st.just("crash"),
)  # fmt: skip


def as_event(number: int, change: tuple[str, int, Finding], drive: Drive) -> Event:
    """A passenger's tap on one of the entries, or a typed entry."""
    kind, place, finding = change
    entries = drive.view.entries
    known = entries[place % len(entries)].id if entries else "none"
    entry = f"typed-{number}" if kind == "entry" else known
    data = {"entry": entry, "by": "passenger", "step": drive.state.item, "finding": finding.to_json()}
    return Event(f"p{number}", kind, "", data)


@settings(max_examples=3000 if NIGHTLY else 150, deadline=None)
@given(st.lists(happenings, max_size=60))
def test_whatever_happens_no_entry_is_lost(script: list[object]) -> None:
    drive = Drive()
    wanted: list[str] = []
    asked_back = False
    for number, step in enumerate(script):
        before = drive.state
        if step == "crash":
            drive.take_up()
            wanted_after = drive.do(Begin("kept"))
            assert before.ended or drive.state.item == before.item or drive.state.closing or not before.item
            assert kinds(wanted_after)[0] in ("resumed", "step_begun")
            asked_back = False
            continue
        happening = Others(as_event(number, step, drive)) if isinstance(step, tuple) else step
        assert isinstance(happening, Heard | Others | Deduced | Silence | Trouble)
        actions = drive.do(happening)

        if before.ended:
            assert actions == (), "an ended drive does nothing more"
        stored = False
        for action in actions:  # what is read back is on the disk
            stored = stored or isinstance(action, Store)
            assert not (isinstance(action, Say) and action.why == "read_back") or stored
        if isinstance(happening, Heard):
            listening = not before.ended and not before.noting and not before.view.paused
            if listening and happening.decision == "accept" and happening.command is None and happening.finding:
                assert {"entry", "note"} & set(kinds(actions))
                if "entry" in kinds(actions):
                    wanted.append(next(a.data["finding"]["kind"] for a in actions if is_entry(a)))
            if happening.decision == "ask" and asked_back and listening:
                assert drive.state.question is None or drive.state.question.kind != "ask_back", "asked back twice"
        asked_back = drive.state.question is not None and drive.state.question.kind == "ask_back"
        assert drive.state.item is None or CHECKLIST.item(drive.state.item) is not None
        assert set(before.view.steps_done) <= set(drive.view.steps_done)

    again = project(drive.events)
    assert all("there is no entry 'none'" in problem for problem in again.problems)
    assert plain(again) == plain(drive.view), "the session file tells the same story as the dialogue"
    assert len({event.id for event in drive.events}) == len(drive.events)
    first = [entry.history[0].finding.kind for entry in again.entries]
    for kind in wanted:
        assert kind in first
        first.remove(kind)


def is_entry(action: Action) -> TypeGuard[Store]:
    return isinstance(action, Store) and action.kind == "entry"


def plain(view: SessionView) -> SessionView:
    """The view without positions and times, which only the file gives."""
    entries = tuple(
        replace(entry, at="", history=tuple(replace(change, at="", seq=0) for change in entry.history))
        for entry in view.entries
    )
    return replace(view, entries=entries, last_seq=0)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_is_answered_in_every_kind_of_place(command: str) -> None:
    """A driver who says a command hears something, or sees it done: no dead end."""
    for step in ("fluid_level", "leak_check", "upshift_1_2_light", "cruise"):
        drive = Drive()
        drive.go_to(step)
        actions = drive.order(command)
        if command in ("yes", "no") and drive.state.item == step:
            continue  # nothing was read back and nothing was asked that yes or no could answer
        assert [a for a in actions if isinstance(a, Say | Deduce)], (step, command)


def overheard(seconds: float, clip: str | None = "c", **more: object) -> Heard:
    record = {"start": 5.0, "end": 5.0 + seconds, "text": "did you see the game", "words": [], "engine": "sphinx"}
    return Heard("ignore", record={**record, **({"clip": clip} if clip else {}), **more})


def test_other_talk_is_kept_beside_the_session_and_changes_nothing() -> None:
    drive = Drive()
    before = drive.state
    actions = drive.do(overheard(3.0))
    assert kinds(actions) == ["overheard"] and not spoken(actions)
    (event,) = [event for event in drive.events if event.kind == "overheard"]
    assert event.data["clip"] == "c" and event.data["decision"] == "ignore" and "words" not in event.data
    assert replace(drive.state, view=before.view, serial=before.serial) == before
    without = [event for event in drive.events if event.kind != "overheard"]
    assert replace(project(drive.events), overheard=0.0, last_seq=0) == replace(project(without), last_seq=0), (
        "a program that does not know the kind, and passes it over, sees the same session"
    )


def test_other_talk_is_not_kept_without_clips_nor_while_holding_nor_when_it_goes_on() -> None:
    drive = Drive()
    assert not drive.do(overheard(3.0, clip=None)), "the switch for recordings is the switch for it"
    assert not drive.do(overheard(OVERHEARD_LONGEST + 0.1))
    drive.order("hold")
    assert not drive.do(overheard(3.0)), "held is held"


def test_other_talk_is_kept_up_to_a_limit_that_is_told_once() -> None:
    drive = Drive()
    for number in range(round(OVERHEARD_MOST / OVERHEARD_LONGEST)):
        assert kinds(drive.do(overheard(OVERHEARD_LONGEST, clip=f"c{number}"))) == ["overheard"]
    (told,) = drive.do(overheard(2.0))
    assert told == Show("30 minutes of other talk are recorded; no more of it will be.")
    assert not drive.do(overheard(2.0))
    drive.take_up()
    assert kinds(drive.do(overheard(2.0))) == [], "nor after the drive was taken up again"


def test_a_note_is_a_note_whatever_was_made_of_it() -> None:
    drive = Drive()
    drive.order("note")
    assert "overheard" not in kinds(drive.do(overheard(3.0)))
    assert drive.view.notes

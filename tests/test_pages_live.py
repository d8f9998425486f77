"""What the passenger's page shows, as plain data; and that nothing in a session file can stop a page."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pages_support import DEDUCED, begin, entries, say, whole_session

from fieldassist.finding import KINDS, Finding
from fieldassist.pages.case import Case, plan_of, read_case
from fieldassist.pages.compare import compare
from fieldassist.pages.live import live_state, session_key
from fieldassist.pages.passenger import take
from fieldassist.pages.pictures import applied_table, pictures
from fieldassist.pages.review import timeline
from fieldassist.pages.wording import words
from fieldassist.pages.writeup import percent, write_up
from fieldassist.record.event import EVENT_KINDS, Event
from fieldassist.record.projection import project
from fieldassist.record.store import Store


def test_state_of_a_drive(tmp_path: Path) -> None:
    path = tmp_path / "van.session"
    with begin(path) as store:
        for index in range(4):
            say(store, index)
        store.append("deduced", DEDUCED)
        store.append("step_begun", {"step": "upshift_1_2_full"})
    state = live_state(read_case(path))
    assert [card["id"] for card in state["entries"]] == ["e3", "e2", "e1", "e0"]  # newest first
    assert [card["number"] for card in state["entries"]] == [4, 3, 2, 1]
    assert state["open"] == 4
    assert state["step"]["title"] == "1-2 upshift at full throttle"
    assert state["step"]["prompt"] and state["step"]["caution"]
    newest = state["entries"][0]
    assert newest["heard"] == "it flares going into second" and newest["doubtful"]
    assert newest["near"][0]["finding"]["shift"] == "2-3"  # what the matcher kept comes first
    assert [suspect["percent"] for suspect in state["suspects"]] == ["81\u00a0%", "11\u00a0%", "2\u00a0%"]
    assert state["next"][0]["name"] == "pressure at the servo tap"


def test_unclear_utterance_waits_until_the_driver_has_had_a_second_chance(tmp_path: Path) -> None:
    path = tmp_path / "van.session"
    step = "upshift_1_2_full"

    def unclear() -> list[str]:
        return [card["heard"] for card in live_state(read_case(path))["unclear"]]

    with begin(path) as store:
        store.append("step_begun", {"step": step})
        ask = {"step": step, "decision": "ask", "confidence": 0.4}
        store.append("heard", {**ask, "text": "one two at [unk]"})
        assert unclear() == []  # asked back: the driver may still answer
        store.append("heard", {**ask, "text": "[unk] eight"}, id="second")
        assert unclear() == ["– eight"]
        key = session_key(store.events())
        take(path, {"id": "abcdefgh", "session": key, "do": "dismiss", "heard_id": "second"})
        assert unclear() == []
        store.append("heard", {**ask, "text": "[unk]"})
        store.append("entry", {"entry": "e9", "step": step, "heard": None, "finding": entries()[4][2]})  # answered
        assert unclear() == []


def test_key_of_a_session_survives_renaming_and_tells_sessions_apart(tmp_path: Path) -> None:
    first, second = whole_session(tmp_path / "a.session"), whole_session(tmp_path / "b.session")
    key = session_key(read_case(first).events)
    assert session_key(read_case(first.rename(tmp_path / "c.session")).events) == key
    assert session_key(read_case(second).events) != key


def test_added_entry_is_in_the_file_whole_or_not_at_all(tmp_path: Path) -> None:
    path = whole_session(tmp_path / "a.session")
    key = session_key(read_case(path).events)
    tap = {
        "id": "abcdefgh",
        "session": key,
        "do": "add",
        "step": "hold_2",
        "finding": {"kind": "slip", "gear": "2"},
    }
    first = take(path, tap)
    assert take(path, tap) == first
    view = read_case(path).view
    assert (view.entries[-1].state, view.entries[-1].by, len(view.entries)) == ("confirmed", "passenger", 7)


@pytest.mark.parametrize(("probability", "shown"), [(1.0, "over 99 %"), (0.0, "under 1 %"), (0.5, "50 %")])
def test_nothing_is_shown_as_certain(probability: float, shown: str) -> None:
    assert percent(probability).replace("\u00a0", " ") == shown


_VALUE = st.recursive(
    st.none() | st.booleans() | st.integers(-5, 5) | st.floats(allow_nan=False) | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(
        st.sampled_from(["cause", "name", "probability", "for", "against", "text", "decibans", "finding", "depth",
                         "step", "title", "why", "minutes", "cautions", "clears", "base_rate", "shipped", "used",
                         "repeat"]),
        inner, max_size=5),
    max_leaves=15,
)  # fmt: skip
_DATA = st.dictionaries(
    st.sampled_from(["step", "how", "text", "decision", "confidence", "alternatives", "clip", "entry", "heard",
                     "finding", "by", "suspects", "next_tests", "unknown", "contradictions", "withheld", "stop",
                     "good", "part", "cause", "remark", "vehicle", "complaint", "mileage", "tyre", "axle_ratio",
                     "unit", "checklist"]),
    st.sampled_from(["e0", "upshift_1_2_light", "ask", "three_speed_simpson", "road_test",
                     {"kind": "slip", "gear": "2"},
                     {"kind": "pressure", "where": "line", "range": "D", "value": 60.0, "unit": "psi"},
                     {"kind": "shift_speed", "shift": "1-2", "throttle": "light", "value": 14.0}]) | _VALUE,
    max_size=8,
)  # fmt: skip
_KIND = st.sampled_from([*EVENT_KINDS, "heard_dismissed", "write_up", "something_newer"])


@settings(deadline=None, max_examples=60)
@given(later=st.lists(st.tuples(_KIND, _DATA), max_size=8), known=st.booleans())
def test_no_event_can_stop_a_page(later: list[tuple[str, dict[str, Any]]], known: bool) -> None:
    events = [Event("s", "started", "2026-01-01T00:00:00.000000Z",
                    {"unit": "three_speed_simpson" if known else "?", "checklist": "road_test"}, 1)]  # fmt: skip
    events += [
        Event(f"i{n}", kind, "2026-01-01T00:00:00.000000Z", data, n) for n, (kind, data) in enumerate(later, 2)
    ]
    view = project(events)
    case = Case(Path("x.session"), tuple(events), view, plan_of(view))
    live_state(case)
    timeline(case)
    applied_table(case)
    write_up(case.events, case.unit_title, case.step_names, case.planned)
    compare(case, case)
    pictures(case)


@settings(max_examples=300)
@given(data=st.fixed_dictionaries({"kind": st.sampled_from(KINDS)}, optional={
    "shift": st.sampled_from(["1-2", "3-2"]), "range": st.sampled_from(["D", "R", "1"]),
    "gear": st.sampled_from(["1", "R", "N"]), "throttle": st.sampled_from(["light", "full"]),
    "value": st.floats(0, 9000), "unit": st.sampled_from(["mph", "rpm", "s"]),
    "where": st.text(min_size=1, max_size=9).filter(lambda place: "None" not in place),
    "present": st.booleans(), "severity": st.sampled_from(["slight", "severe"]), "temperature": st.just("hot"),
}))  # fmt: skip
def test_any_finding_has_one_line_of_words(data: dict[str, Any]) -> None:
    text = words(Finding.from_json(data))
    assert text and "_" not in text.replace(data.get("where", ""), "") and "None" not in text


def test_script_of_the_tests_is_a_real_drive(tmp_path: Path) -> None:
    with Store.open(whole_session(tmp_path / "a.session"), readonly=True) as store:
        view = project(store.events())
    assert view.problems == () and len(view.entries) == len(entries())

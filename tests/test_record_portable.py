"""Sessions as JSON and back, the `session` command, and readers that are fed rubbish."""

from __future__ import annotations

import base64
import itertools
import json
import os
import sqlite3
import string
import tempfile
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldassist.cli import main
from fieldassist.errors import UserError
from fieldassist.record.event import EVENT_KINDS, Event
from fieldassist.record.inspection import inspect
from fieldassist.record.portable import export_session, import_session
from fieldassist.record.projection import project
from fieldassist.record.store import SCHEMA_VERSION, Store

NIGHTLY = os.environ.get("FIELDASSIST_NIGHTLY") == "1"

json_values = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**60), 2**60) | st.floats(-1e300, 1e300) | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=6,
)  # fmt: skip
names = st.text(string.ascii_letters + string.digits + "-", min_size=1, max_size=12)
events = st.lists(
    st.builds(
        Event,
        id=names,
        kind=st.sampled_from([*EVENT_KINDS, "from_a_newer_version"]),
        at=st.just("2026-01-01T00:00:00.000000Z"),
        data=st.dictionaries(st.text(max_size=8), json_values, max_size=4),
    ),
    max_size=8,
    unique_by=lambda event: event.id,
)
clips = st.lists(st.lists(st.integers(-32768, 32767), max_size=50), max_size=3)


def folder() -> tempfile.TemporaryDirectory[str]:
    """A folder in memory where there is one: these tests are not about the disk."""
    place = "/dev/shm" if Path("/dev/shm").is_dir() else None
    return tempfile.TemporaryDirectory(prefix="fieldassist-test-", dir=place)


@settings(max_examples=500 if NIGHTLY else 25, deadline=None)
@given(events, clips, st.integers(1, 5))
def test_export_and_import_lose_nothing(written: list[Event], sounds: list[list[int]], gap: int) -> None:
    with folder() as name:
        path = Path(name) / "a.session"
        with Store.create(path, {"unit": "u"}) as store, store.together():
            for number, event in enumerate(written):
                store.insert(Event(f"id-{event.id}", event.kind, event.at, event.data, seq=2 + number * gap))
            for sound in sounds:
                store.add_clip(np.array(sound, np.int16))
        with Store.open(path, readonly=True) as store:
            exported = json.loads(json.dumps(export_session(store)))
            kept = store.events(), {clip: store.clip(clip) for clip in store.clip_ids()}
        again = Path(name) / "b.session"
        import_session(exported, again)
        with Store.open(again, readonly=True) as store:
            assert (store.events(), {clip: store.clip(clip) for clip in store.clip_ids()}) == kept
            assert export_session(store) == exported


def test_a_newer_file_is_exported_and_comes_back_at_this_version(tmp_path: Path) -> None:
    path = tmp_path / "new.session"
    with Store.create(path, {"unit": "u"}) as store:
        store.append("dreamt", {"of": "sheep"})
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 7}")
    out = tmp_path / "new.json"
    assert main(["session", "export", str(path), str(out)]) == 0
    assert main(["session", "import", str(out), str(tmp_path / "back.session")]) == 0
    with Store.open(tmp_path / "back.session") as store:
        assert [event.kind for event in store.events()] == ["started", "dreamt"]


@pytest.mark.parametrize(
    ("data", "message"),
    [
        ([], "expected an object"),
        ({"format": "something else"}, "expected an object"),
        ({"format": "fieldassist session", "clips": {}}, '"events" must be a list'),
        ({"format": "fieldassist session", "events": [], "clips": {}}, "first event must be `started`"),
        ({"format": "fieldassist session", "events": [1], "clips": {}}, "event 1 must be an object"),
        (
            {"format": "fieldassist session", "clips": {},
             "events": [{"seq": "1", "id": "a", "kind": "started", "at": "t", "data": {}}]},
            '"seq" must be int',
        ),
        (
            {"format": "fieldassist session", "clips": {"c": "!"},
             "events": [{"seq": 1, "id": "a", "kind": "started", "at": "t", "data": {}}]},
            "clip 'c' is not base64",
        ),
        (
            {"format": "fieldassist session", "clips": {},
             "events": [{"seq": 1, "id": "a", "kind": "started", "at": "t", "data": {}}] * 2},
            "the same id",
        ),
    ],
)  # fmt: skip
def test_import_says_what_was_expected_and_makes_nothing(data: Any, message: str, tmp_path: Path) -> None:
    with pytest.raises(UserError, match=message):
        import_session(data, tmp_path / "x.session")
    assert not list(tmp_path.iterdir())


def test_the_command_tells_bad_files_in_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rubbish = tmp_path / "rubbish"
    rubbish.write_bytes(b"\x00\xff" * 100)
    broken = tmp_path / "broken.json"
    broken.write_text('{"format":\n "fieldassist session",,')
    for arguments in (
        ["check", str(tmp_path / "none")],
        ["check", str(rubbish)],
        ["export", str(rubbish)],
        ["import", str(broken), str(tmp_path / "o")],
        ["import", str(rubbish), str(tmp_path / "o")],
        ["drop-clips", str(rubbish)],
        ["replay", str(rubbish)],
    ):
        assert main(["session", *arguments]) == 2
        told = capsys.readouterr().err
        assert told.startswith("fieldassist: ") and told.count("\n") == 1, (arguments, told)


def test_check_and_drop_clips(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "a.session"
    with Store.create(path, {"unit": "u"}) as store:
        clip = store.add_clip(np.arange(400, dtype=np.int16))
        store.append("heard", {"clip": clip, "text": "flare"})
    assert main(["session", "check", str(path)]) == 0
    assert "1 clips" in capsys.readouterr().out
    assert main(["session", "drop-clips", str(path)]) == 0
    assert main(["session", "check", str(path)]) == 0, "dropped clips are not missing clips"
    with Store.open(path) as store:
        store.append("entry_struck", {"entry": "no such"})
    assert main(["session", "check", str(path), "--save", str(tmp_path / "b.session")]) == 1
    assert len(inspect(tmp_path / "b.session").events) == 4


# Rubbish.

odd_data = st.dictionaries(
    st.sampled_from(["entry", "step", "finding", "heard", "by", "text", "clip", "unit", "score"]),
    json_values | st.just({"kind": "flare"}) | st.just("e"),
    max_size=6,
)


@settings(max_examples=20_000 if NIGHTLY else 300, deadline=None)
@given(st.lists(st.tuples(st.sampled_from([*EVENT_KINDS, "?"]), odd_data), max_size=12))
def test_no_event_log_is_too_odd_to_look_at(rows: list[tuple[str, dict[str, Any]]]) -> None:
    numbers = itertools.count(1)
    log = [Event(f"i{n}", kind, "t", data, n) for (kind, data), n in zip(rows, numbers, strict=False)]
    view = project(log)
    assert view.last_seq == len(log)
    assert {entry.state for entry in view.entries} <= {"open", "confirmed", "corrected", "struck"}
    view.findings()


@settings(max_examples=3000 if NIGHTLY else 60, deadline=None)
@given(st.data())
def test_no_file_is_too_damaged_to_be_told_about(data: st.DataObject) -> None:
    """A session file with bytes changed, cut off or put in is opened, or refused in one line."""
    whole = bytearray(WHOLE)
    for _ in range(data.draw(st.integers(1, 4))):
        place = data.draw(st.integers(0, len(whole) - 1))
        if data.draw(st.booleans()):
            whole[place : place + 1] = data.draw(st.binary(max_size=40))
        else:
            del whole[place : place + data.draw(st.integers(1, 5000))]
        if not whole:
            break
    with folder() as name:
        path = Path(name) / "x.session"
        path.write_bytes(whole)
        try:
            found = inspect(path)
            project(found.events)
        except UserError as error:
            assert "\n" not in str(error)
        for readonly in (True, False):
            try:
                with Store.open(path, readonly) as store:
                    project(store.events())
                    for clip in store.clip_ids():
                        store.clip(clip)
            except UserError as error:
                assert "\n" not in str(error)


def _whole_file() -> bytes:
    with folder() as name:
        path = Path(name) / "x.session"
        with Store.create(path, {"unit": "u"}) as store:
            for number in range(30):
                store.append("entry", {"entry": f"e{number}", "step": "s", "finding": {"kind": "flare"}})
            store.add_clip(np.arange(3000, dtype=np.int16))
        return path.read_bytes()


WHOLE = _whole_file()


@settings(max_examples=5000 if NIGHTLY else 100, deadline=None)
@given(json_values | st.dictionaries(st.sampled_from(["format", "events", "clips"]), json_values))
def test_import_refuses_whatever_else_is_json(data: Any) -> None:
    if isinstance(data, dict):
        data = {**data, "format": "fieldassist session"}
    with folder() as name:
        try:
            import_session(data, Path(name) / "x.session")
        except UserError as error:
            assert "\n" not in str(error)


def test_clips_travel_as_flac(tmp_path: Path) -> None:
    with Store.create(tmp_path / "a.session", {"unit": "u"}) as store:
        clip = store.add_clip(np.arange(400, dtype=np.int16))
        exported = export_session(store)
    assert base64.b64decode(exported["clips"][clip])[:4] == b"fLaC"

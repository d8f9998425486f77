"""The session file: what was acknowledged is there, whatever happens to the program, the disk or the clock."""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
import soundfile

from fieldassist.errors import UserError
from fieldassist.record import store as store_module
from fieldassist.record.event import Event
from fieldassist.record.inspection import inspect, save
from fieldassist.record.projection import project
from fieldassist.record.store import SCHEMA_VERSION, StorageError, Store

NIGHTLY = os.environ.get("FIELDASSIST_NIGHTLY") == "1"
STARTED = {"unit": "three_speed_simpson"}
FINDING = {"kind": "flare", "shift": "1-2"}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "drive.session"


def test_an_event_comes_back_as_written_in_order(path: Path) -> None:
    with Store.create(path, STARTED) as store:
        first = store.append("entry", {"entry": "e1", "finding": FINDING, "note": "µ ü 中 \ud800 \x00"})
        second = store.append("entry_struck", {"entry": "e1", "by": "driver"})
    with Store.open(path, readonly=True) as store:
        events = store.events()
        assert [event.kind for event in events] == ["started", "entry", "entry_struck"]
        assert events[1:] == (first, second)
        assert store.events(after=first.seq or 0) == (second,)


def test_the_same_id_is_written_once(path: Path) -> None:
    with Store.create(path, STARTED) as store:
        one = store.append("entry_confirmed", {"entry": "e1", "by": "passenger"}, id="tap-1")
        two = store.append("entry_confirmed", {"entry": "e1", "by": "passenger"}, id="tap-1")
        assert one == two and len(store.events()) == 2


def test_events_are_never_changed_or_deleted(path: Path) -> None:
    Store.create(path, STARTED).close()
    with closing(sqlite3.connect(path)) as connection:
        for statement in ("UPDATE events SET kind = 'x'", "DELETE FROM events"):
            with pytest.raises(sqlite3.IntegrityError, match="never"):
                connection.execute(statement)


def test_a_commit_is_synced_to_the_disk(path: Path) -> None:
    """synchronous = FULL (2) in WAL mode: https://www.sqlite.org/pragma.html#pragma_synchronous, from memory."""
    with Store.create(path, STARTED) as store:
        for pragma, value in (("synchronous", 2), ("journal_mode", "wal")):
            assert store._connection.execute(f"PRAGMA {pragma}").fetchone()[0] == value
    with Store.open(path) as store:
        assert store._connection.execute("PRAGMA synchronous").fetchone()[0] == 2


def test_only_its_owner_may_read_it(path: Path) -> None:
    with Store.create(path, STARTED) as store:
        store.copy_to(path.with_name("copy"))
    for name in ("drive.session", "copy"):
        assert path.with_name(name).stat().st_mode & 0o077 == 0


def test_clips_are_kept_sample_for_sample_and_dropped_for_good(path: Path) -> None:
    samples = (np.sin(np.arange(8000) / 20) * 8000).astype(np.int16)
    with Store.create(path, STARTED) as store:
        clip = store.add_clip(samples)
        assert store.add_clip(samples) == clip, "the same sound is kept once"
        path.with_name("clip.flac").write_bytes(store.clip(clip))
        flac = store.clip(clip)
        read, rate = soundfile.read(path.with_name("clip.flac"), dtype="int16")
        assert rate == 16000 and np.array_equal(read, samples)
        assert store.drop_clips() == 1
        with pytest.raises(UserError, match="dropped"):
            store.clip(clip)
    for name in path.parent.glob("drive.session*"):
        assert flac[100:164] not in name.read_bytes(), "the bytes are gone from the file too"


def test_several_writes_together_are_all_kept_or_none(path: Path) -> None:
    with Store.create(path, STARTED) as store:
        with pytest.raises(ZeroDivisionError), store.together():
            store.append("note", {"text": "one"})
            raise ZeroDivisionError
        assert len(store.events()) == 1
        with store.together():
            store.append("note", {"text": "one"})
            store.append("note", {"text": "two"})
        assert len(store.events()) == 3


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "not a session file"),
        (b"RIFF" + bytes(200), "not a session file"),
        (b"SQLite format 3\0" + bytes(90), "not a session file|damaged"),
    ],
)
def test_what_is_not_a_session_is_refused_in_one_line(path: Path, content: bytes, message: str) -> None:
    path.write_bytes(content)
    for readonly in (True, False):
        with pytest.raises(UserError, match=message) as caught:
            Store.open(path, readonly)
        assert "\n" not in str(caught.value)


def test_another_sqlite_file_is_refused(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE events (seq INTEGER)")
    with pytest.raises(UserError, match="not a session file"):
        Store.open(path)


def test_missing_existing_and_unwritable_files(path: Path) -> None:
    with pytest.raises(UserError, match="no such session"):
        Store.open(path)
    Store.create(path, STARTED).close()
    with pytest.raises(UserError, match="already there"):
        Store.create(path, STARTED)
    with pytest.raises(UserError, match="does not exist"):
        Store.create(path.parent / "x" / "y", STARTED)


def run_on_small_disk(folder: Path, code: str) -> list[str]:
    """Run Python in a mount namespace in which `folder` is a disk of 1 MiB; return the lines it prints."""
    if shutil.which("unshare") is None:
        pytest.skip("no unshare to mount a small disk with")
    script = 'mount -t tmpfs -o size=1m tmpfs "$0" && exec "$1" -c "$2" "$0/drive.session"'
    command = ["unshare", "-m", "sh", "-c", script, str(folder), sys.executable, code]
    out = subprocess.run(command, capture_output=True, text=True, timeout=60)
    if "unshare:" in out.stderr or "mount:" in out.stderr:
        pytest.skip(f"a small disk cannot be mounted here: {out.stderr.strip()}")
    assert out.returncode == 0, out.stderr
    return out.stdout.splitlines()


READ_ONLY = """
import subprocess, sys
from pathlib import Path
from fieldassist.errors import UserError
from fieldassist.record.store import Store
path = Path(sys.argv[1])
Store.create(path, {"unit": "u"}).close()
subprocess.run(["mount", "-o", "remount,ro", str(path.parent)], check=True)
try:
    Store.open(path)
except UserError as error:
    print(error)
print(len(Store.open(path, readonly=True).events()))
try:
    Store.create(path.with_name("other"), {"unit": "u"})
except UserError as error:
    print(error)
"""


def test_on_a_read_only_medium_a_session_can_be_read(tmp_path: Path) -> None:
    refused, count, no_new = run_on_small_disk(tmp_path, READ_ONLY)
    assert refused == f"{tmp_path}/drive.session: the session file is read-only"
    assert count == "1"
    assert "cannot be created (Read-only file system)" in no_new


def test_locked_by_another_program(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(store_module, "BUSY_SECONDS", 0.1)
    with Store.create(path, STARTED) as store, closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StorageError, match="in use by another program"):
            store.append("note", {"text": "x"})
        assert len(store.events()) == 1, "reading goes on"
        other.execute("ROLLBACK")
        store.append("note", {"text": "x"})


def test_several_threads_and_programs_write_at_once(path: Path) -> None:
    Store.create(path, STARTED).close()

    def write(name: str) -> None:
        with Store.open(path) as store:
            for number in range(20):
                store.append("note", {"text": name}, id=f"{name}-{number}")

    threads = [threading.Thread(target=write, args=(f"t{number}",)) for number in range(3)]
    code = (
        "import sys; from fieldassist.record.store import Store; store = Store.open(sys.argv[1]);"
        "[store.append('note', {'text': 'p'}, id=f'p-{n}') for n in range(20)]"
    )
    program = subprocess.Popen([sys.executable, "-c", code, str(path)])
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert program.wait(30) == 0
    with Store.open(path, readonly=True) as store:
        ids = [event.id for event in store.events()]
        assert len(ids) == 81
        for name in ("t0", "t1", "t2", "p"):
            assert [event for event in ids if event.startswith(f"{name}-")] == [f"{name}-{n}" for n in range(20)]


def test_the_order_holds_when_the_clock_is_set_back(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    times = iter(["2026-05-01T10:00:00.000000Z", "2026-05-01T08:00:00.000000Z", "1999-01-01T00:00:00.000000Z"])
    monkeypatch.setattr(store_module, "now", lambda: next(times))
    with Store.create(path, STARTED) as store:
        store.append("entry", {"entry": "e1", "step": "s", "finding": FINDING})
        store.append("entry_struck", {"entry": "e1", "by": "driver"})
        view = project(store.events())
    assert view.entries[0].state == "struck" and not view.problems


# Versions.

VERSION_1 = """
CREATE TABLE events (seq INTEGER PRIMARY KEY AUTOINCREMENT, id TEXT NOT NULL UNIQUE, kind TEXT NOT NULL,
    at TEXT NOT NULL, data TEXT NOT NULL);
CREATE TABLE clips (id TEXT PRIMARY KEY, flac BLOB NOT NULL) WITHOUT ROWID;
CREATE TRIGGER events_stay_as_written BEFORE UPDATE ON events
    BEGIN SELECT RAISE(ABORT, 'events are never changed'); END;
CREATE TRIGGER events_stay BEFORE DELETE ON events
    BEGIN SELECT RAISE(ABORT, 'events are never deleted'); END;
CREATE TRIGGER clips_stay_as_written BEFORE UPDATE ON clips
    BEGIN SELECT RAISE(ABORT, 'clips are never changed'); END;
INSERT INTO events (id, kind, at, data) VALUES ('a', 'started', '2026-01-01T00:00:00.000000Z', '{"unit":"u"}');
INSERT INTO clips (id, flac) VALUES ('c1', x'664c6143');
PRAGMA application_id = 1178686277;
PRAGMA user_version = 1;
"""


def make_version_1(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.executescript(VERSION_1)


def test_an_older_file_is_migrated_with_a_copy_beside_it(path: Path) -> None:
    make_version_1(path)
    with Store.open(path, readonly=True) as store:
        assert (store.version, store.clip("c1")) == (1, b"fLaC"), "reading needs no migration"
    with Store.open(path) as store:
        assert store.version == SCHEMA_VERSION
        store.append("note", {"text": "after"})
        assert store.clip("c1") == b"fLaC"
        assert [event.kind for event in store.events()] == ["started", "note"]
    with Store.open(path.with_name("drive.session.v1"), readonly=True) as old:
        assert old.version == 1 and len(old.events()) == 1
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
        with pytest.raises(sqlite3.IntegrityError):
            connection.execute("UPDATE clips SET flac = x'00'")
    new = path.with_name("new.session")
    Store.create(new, STARTED).close()

    def schema(file: Path) -> set[str]:
        with closing(sqlite3.connect(file)) as connection:
            rows = connection.execute("SELECT sql FROM sqlite_master WHERE sql NOT NULL").fetchall()
        return {"".join(sql.split()) for (sql,) in rows}

    assert schema(path) == schema(new), "migrated and new files are the same"


def test_a_newer_file_can_be_read_and_not_written(path: Path) -> None:
    Store.create(path, STARTED).close()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
        connection.execute("ALTER TABLE events ADD COLUMN place TEXT")
        connection.execute("INSERT INTO events (id, kind, at, data, place) VALUES ('x', 'dreamt', 't', '{}', 'p')")
        connection.commit()
    with pytest.raises(UserError, match="newer fieldassist"):
        Store.open(path)
    with Store.open(path, readonly=True) as store:
        assert [event.kind for event in store.events()] == ["started", "dreamt"]
        with pytest.raises(UserError, match="reading only"):
            store.append("note", {})


# The program is killed, the disk is full, the file is copied or damaged.

WRITER = """
import os, sys, time
import numpy as np
from fieldassist.record.store import Store
store = Store.open(sys.argv[1])
rng = np.random.default_rng()
number = 0
while True:
    name = f"{sys.argv[2]}-{number}"
    with store.together():
        clip = store.add_clip(rng.integers(-3000, 3000, 4000).astype(np.int16))
        store.append("heard", {"clip": clip, "text": "flare"}, id=f"{name}-h")
        entry = {"entry": name, "step": "s", "finding": {"kind": "flare"}, "heard": f"{name}-h"}
        store.append("entry", entry, id=name)
    os.write(1, f"{name}\\n".encode())
    number += 1
    time.sleep(0.002)
"""


def test_what_was_acknowledged_survives_kill_9(path: Path) -> None:
    Store.create(path, STARTED).close()
    rng = np.random.default_rng(5)
    acknowledged: list[str] = []
    for run in range(200 if NIGHTLY else 3):
        program = subprocess.Popen([sys.executable, "-c", WRITER, str(path), f"run{run}"], stdout=subprocess.PIPE)
        assert program.stdout is not None
        acknowledged.append(program.stdout.readline().decode().strip())
        time.sleep(rng.uniform(0, 0.05))
        program.send_signal(signal.SIGKILL)
        acknowledged += program.stdout.read().decode().split()
        program.wait()
    found = inspect(path)
    assert not found.problems
    with Store.open(path) as store:
        ids = {event.id for event in store.events()}
        assert set(acknowledged) <= ids
        store.append("resumed", {})


FILL = """
import os, sys
import numpy as np
from fieldassist.record.store import StorageError, Store
store = Store.create(sys.argv[1], {"unit": "u"})
ballast = sys.argv[1] + ".ballast"
open(ballast, "wb").write(bytes(300_000))
kept = []
rng = np.random.default_rng(1)
try:
    for number in range(10_000):
        with store.together():
            store.add_clip(rng.integers(-9000, 9000, 8000).astype(np.int16))
            kept.append(store.append("note", {"text": "x" * 200}, id=f"n{number}").id)
except StorageError as error:
    kept.pop()
    print(error)
os.unlink(ballast)
store.append("note", {"text": "there is room again"}, id="after")
ids = [event.id for event in store.events()][1:]
print(ids == [*kept, "after"], len(kept) > 5)
"""


def test_a_full_disk_is_told_and_costs_nothing_that_was_acknowledged(tmp_path: Path) -> None:
    told, kept = run_on_small_disk(tmp_path, FILL)
    assert "the disk is full" in told
    assert kept == "True True"


def test_copied_while_being_written(path: Path) -> None:
    """A copy made with a file manager is an earlier state of the session, or is told to be damaged."""
    Store.create(path, STARTED).close()
    program = subprocess.Popen([sys.executable, "-c", WRITER, str(path), "w"], stdout=subprocess.PIPE)
    assert program.stdout is not None
    program.stdout.readline()
    opened = 0
    try:
        for number in range(30 if NIGHTLY else 8):
            time.sleep(0.03)
            copy = path.with_name(f"copy{number}")
            shutil.copyfile(path, copy)
            try:
                found = inspect(copy)
            except UserError as error:  # copied in the middle of a page
                assert "damaged beyond reading" in str(error)
            else:
                entries = [event.id for event in found.events if event.kind == "entry"]
                assert entries == [f"w-{index}" for index in range(len(entries))] or found.problems
                opened += not found.problems
            whole = path.with_name(f"whole{number}")
            with Store.open(path, readonly=True) as store:
                store.copy_to(whole)
            assert not inspect(whole).problems
    finally:
        program.kill()
        program.wait()
    assert opened > 0


@pytest.mark.parametrize("where", [0.2, 0.5, 0.8])
def test_check_saves_what_is_readable_of_a_damaged_file(path: Path, where: float) -> None:
    with Store.create(path, STARTED) as store:
        for number in range(300):
            store.append("note", {"text": f"{number} " + "x" * 100})
    whole = path.read_bytes()
    place = int(len(whole) * where) // 4096 * 4096
    path.write_bytes(whole[:place] + b"\xff" * 4096 + whole[place + 4096 :])
    found = inspect(path)
    assert found.problems
    assert len(found.events) > 200
    saved = path.with_name("saved.session")
    save(found, saved)
    again = inspect(saved)
    assert again.events == found.events
    assert not [problem for problem in again.problems if "database" in problem]


def test_check_finds_nothing_wrong_with_a_good_file(path: Path) -> None:
    with Store.create(path, STARTED) as store:
        clip = store.add_clip(np.zeros(160, np.int16))
        store.append("heard", {"clip": clip, "text": "flare"})
    assert inspect(path).problems == ()


def test_check_names_missing_clips_and_senseless_events(path: Path) -> None:
    with Store.create(path, STARTED) as store:
        store.append("heard", {"clip": "gone", "text": "flare"})
        store.append("entry_confirmed", {"entry": "no such", "by": "bay"})
        store.insert(Event("z", "entry", "t", {"entry": "e", "finding": {"kind": "no such kind"}}))
    problems = inspect(path).problems
    assert any("clips are missing" in problem for problem in problems)
    assert any("no entry 'no such'" in problem for problem in problems)
    assert any("no such kind" in problem for problem in problems)


def test_check_tells_damage_that_the_database_cannot_put_into_words(path: Path) -> None:
    """Bytes of a name in the schema that are no UTF-8 come back in SQLite's own message."""
    with Store.create(path, STARTED) as store:
        for number in range(40):
            store.append("note", {"text": "x" * 100}, id=f"n{number}")
    whole = path.read_bytes()
    for name in (b"clips_stay_as_written", b"sqlite_autoindex_events_1", b"events_stay"):
        path.write_bytes(whole.replace(name, name[:-2] + b"\xb2\xff"))
        for look in (lambda: inspect(path).problems, lambda: Store.open(path).close()):
            try:
                look()
            except UserError as error:
                assert "\n" not in str(error)


def test_a_deduction_that_is_none_is_a_problem_and_not_spoken(path: Path) -> None:
    for data in ({"next_tests": None}, {"suspects": [{"name": "x"}]}, {"next_tests": ["x"]}, {"suspects": {}}):
        view = project([Event("a", "started", "t", dict(STARTED)), Event("b", "deduced", "t", data)])
        assert view.deduced is None and len(view.problems) == 1


# The file goes away under the program.


def test_a_file_that_was_deleted_while_open_is_written_anew_and_nothing_is_lost(path: Path) -> None:
    """On POSIX what is written to a deleted file is taken without an error, and gone with the program."""
    with Store.create(path, STARTED) as store:
        clip = store.add_clip(np.arange(800, dtype=np.int16))
        store.append("note", {"text": "before"}, id="b")
        for name in list(path.parent.glob("drive.session*")):
            name.unlink()
        store.append("note", {"text": "after"}, id="a")
        assert [event.id for event in store.events()][1:] == ["b", "a"]
        with Store.open(path, readonly=True) as other:
            assert [event.id for event in other.events()][1:] == ["b", "a"] and other.clip(clip)[:4] == b"fLaC"
    assert not inspect(path).problems and not list(path.parent.glob("*.anew"))


def test_a_file_that_was_copied_over_is_followed_by_writer_and_reader(path: Path) -> None:
    """As a folder that is kept the same on two machines does: another file, the same session."""
    with Store.create(path, STARTED) as store, Store.open(path, readonly=True) as reader:
        store.append("note", {"text": "before"}, id="b")
        whole = path.with_name("whole")
        store.copy_to(whole)
        whole.rename(path)
        store.append("note", {"text": "after"}, id="a")
        assert [event.id for event in reader.events()][1:] == ["b", "a"]
    with Store.open(path, readonly=True) as store:
        assert [event.id for event in store.events()][1:] == ["b", "a"]


def test_a_disk_that_was_pulled_out_is_waited_for(path: Path, tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    on_disk = disk / "drive.session"
    with Store.create(on_disk, STARTED) as store:
        store.append("note", {"text": "before"}, id="b")
        disk.rename(tmp_path / "pulled")
        for _ in range(2):
            with pytest.raises(StorageError, match="put the disk back"):
                store.append("note", {"text": "x"}, id="a")
        (tmp_path / "pulled").rename(disk)
        store.append("note", {"text": "after"}, id="a")
        assert [event.id for event in store.events()][1:] == ["b", "a"]


def test_another_session_that_took_its_place_is_put_aside_whole(path: Path) -> None:
    with Store.create(path, STARTED) as store:
        store.append("note", {"text": "before"}, id="b")
        other = path.with_name("other")
        with Store.create(other, {"unit": "another"}) as another:
            another.append("note", {"text": "of the other"})
        other.rename(path)
        store.append("note", {"text": "after"}, id="a")
        assert [event.id for event in store.events()][1:] == ["b", "a"]
    with Store.open(path.with_name("drive.session.aside1"), readonly=True) as another:
        assert [event.data.get("unit") for event in another.events()] == ["another", None]
    assert not inspect(path).problems and not inspect(path.with_name("drive.session.aside1")).problems


def test_a_disk_that_became_read_only_is_tried_again(path: Path) -> None:
    """As the kernel makes a disk with errors: a write is refused, and goes through when it is mounted again."""
    with Store.create(path, STARTED) as store:
        store._connection.execute("PRAGMA query_only = ON")  # refuses with the same code
        with pytest.raises(StorageError, match="cannot be opened or written"):
            store.append("note", {"text": "x"}, id="a")
        store._connection.execute("PRAGMA query_only = OFF")
        store.append("note", {"text": "after"}, id="a")
        assert [event.id for event in store.events()][1:] == ["a"]


# The log beside the file.


def test_two_readers_all_the_time_do_not_let_the_log_grow(path: Path) -> None:
    Store.create(path, STARTED).close()
    done = threading.Event()
    rng = np.random.default_rng(2)

    def read() -> None:
        with Store.open(path, readonly=True) as store:
            while not done.wait(0.01):  # a page looks far less often
                store.events(after=0)

    readers = [threading.Thread(target=read) for _ in range(2)]
    for reader in readers:
        reader.start()
    largest = 0
    log = path.with_name(path.name + "-wal")
    with Store.open(path) as store:
        for number in range(200):  # over 6 MiB in all
            with store.together():
                store.add_clip(rng.integers(-9000, 9000, 16_000).astype(np.int16))
                store.append("note", {"text": "x"}, id=f"n{number}")
            largest = max(largest, log.stat().st_size)
        done.set()
        for reader in readers:
            reader.join()
    assert largest < 3 * 2**20, f"{largest / 2**20:.1f} MiB of log"
    assert not inspect(path).problems


def test_a_reader_that_never_ends_costs_room_and_no_events(path: Path) -> None:
    """The log cannot begin anew under it; afterwards it is cut down again."""
    rng = np.random.default_rng(2)
    log = path.with_name(path.name + "-wal")
    with Store.create(path, STARTED) as store, closing(sqlite3.connect(path, isolation_level=None)) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM events").fetchone()
        for number in range(200):
            with store.together():
                store.add_clip(rng.integers(-9000, 9000, 16_000).astype(np.int16))
                store.append("note", {"text": "x"}, id=f"n{number}")
        assert log.stat().st_size > store_module.LOG_BYTES
        assert len(store.events()) == 201
        reader.execute("ROLLBACK")
        for number in range(3):
            store.append("note", {"text": "x"}, id=f"m{number}")
        assert log.stat().st_size <= store_module.LOG_BYTES
    assert len(inspect(path).events) == 204


def test_a_copy_before_a_migration_that_was_broken_off_is_made_again(path: Path) -> None:
    make_version_1(path)
    path.with_name("drive.session.v1.part").write_bytes(b"half")
    Store.open(path).close()
    with Store.open(path.with_name("drive.session.v1"), readonly=True) as old:
        assert old.version == 1
    assert not path.with_name("drive.session.v1.part").exists()


def test_check_tells_a_file_without_events(path: Path) -> None:
    Store.create(path, None).close()
    assert inspect(path).problems == ("it holds no events",)

"""The session file: one SQLite database with append-only events and the clips that belong to them."""

from __future__ import annotations

import hashlib
import io
import json
import os
import shutil
import sqlite3
import uuid
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
import numpy.typing as npt
import soundfile

from fieldassist.errors import UserError
from fieldassist.record.event import Event

SCHEMA_VERSION = 2
"""Kept in `PRAGMA user_version`. A file of a lower version is migrated when it is opened for writing, after a
copy is put beside it; a file of a higher one is read (and exported), never written."""

APPLICATION_ID = 0x46415345
"""`PRAGMA application_id`, the letters FASE: tells a session from any other SQLite file."""

CLIP_RATE = 16_000
"""Hz. Clips are mono FLAC at this rate, sample for sample what the engine heard."""

BUSY_SECONDS = 5.0
"""How long a write waits for another program (the passenger's page, a review) to finish its own."""

CHECKPOINT_PAGES = 64
"""The log is folded into the file whenever it has grown by this much (256 KiB): a copy of the one file, made with
any file manager, then lacks a few utterances at most."""

LOG_BYTES = 4 * 2**20
"""A log that grew because somebody went on reading is cut down to this when it begins anew."""

_CLIPS = "CREATE TABLE clips (id TEXT PRIMARY KEY, flac BLOB NOT NULL);"
_CLIPS_TRIGGER = """
CREATE TRIGGER clips_stay_as_written BEFORE UPDATE ON clips
    BEGIN SELECT RAISE(ABORT, 'clips are never changed'); END;
"""
_EVENTS_STAY = """
CREATE TRIGGER events_stay BEFORE DELETE ON events
    BEGIN SELECT RAISE(ABORT, 'events are never deleted'); END;
"""
_SCHEMA = f"""
CREATE TABLE events (
    seq INTEGER PRIMARY KEY AUTOINCREMENT,
    id TEXT NOT NULL UNIQUE,
    kind TEXT NOT NULL,
    at TEXT NOT NULL,
    data TEXT NOT NULL
);
{_CLIPS}
CREATE TRIGGER events_stay_as_written BEFORE UPDATE ON events
    BEGIN SELECT RAISE(ABORT, 'events are never changed'); END;
{_EVENTS_STAY}
{_CLIPS_TRIGGER}
"""

_MIGRATIONS: dict[int, tuple[str, ...]] = {
    # Version 1 kept the clips in the key's own tree, where large values slow every look-up down.
    1: (
        "ALTER TABLE clips RENAME TO old_clips",
        "DROP TRIGGER clips_stay_as_written",
        _CLIPS,
        "INSERT INTO clips (id, flac) SELECT id, flac FROM old_clips",
        "DROP TABLE old_clips",
        _CLIPS_TRIGGER,
    ),
}
"""Version -> statements that make it the next version."""


class StorageError(UserError):
    """The file could not take a write just now (disk full, locked, device error); nothing of it was kept."""


class Store:
    """One session file, open. Every process and every thread opens its own.

    `append` returns only when the event is on the disk: WAL with `synchronous=FULL` syncs the log at
    every commit. NORMAL would be enough against a killed program but not against a laptop that loses
    power in the car, and a commit costs a few milliseconds beside seconds of speech.
    """

    def __init__(self, connection: sqlite3.Connection, path: Path, version: int, readonly: bool) -> None:
        self._connection = connection
        self._depth = 0
        self._identity = _identity(path)
        self._log: tuple[int, int] | None = None
        self.path = path
        self.version = version
        """Schema version of the file."""
        self.readonly = readonly

    @classmethod
    def create(cls, path: str | Path, started: Mapping[str, Any] | None) -> Store:
        """Make a new session file whose first event is `started` (None: it is written by who imports).

        Raises UserError when the file is already there, or its folder is missing or cannot be written.
        """
        path = Path(path)
        _make_private(path)
        try:
            connection = _connect(path, "rwc")
            with _told(path):
                connection.execute("PRAGMA journal_mode = WAL")
                _set_durability(connection)
                connection.executescript(
                    f"BEGIN IMMEDIATE;{_SCHEMA}PRAGMA application_id = {APPLICATION_ID};"
                    f"PRAGMA user_version = {SCHEMA_VERSION};COMMIT;"
                )
            store = cls(connection, path, SCHEMA_VERSION, readonly=False)
            if started is not None:
                store.append("started", started)
        except UserError:
            path.unlink(missing_ok=True)
            raise
        return store

    @classmethod
    def open(cls, path: str | Path, readonly: bool = False) -> Store:
        """Open a session file, for reading alone or for both.

        Raises UserError when it is missing, is not a session, is damaged, is of a newer version or
        read-only (when it was to be written), or is locked.
        """
        path = Path(path)
        if not path.is_file():
            raise UserError(f"{path}: no such session file")
        if not readonly and not os.access(path, os.W_OK):
            raise UserError(f"{path}: the session file is read-only")
        connection = _connect(path, "ro" if readonly else "rw")
        try:
            version = _version(connection, path)
            if version > SCHEMA_VERSION and not readonly:
                raise UserError(
                    f"{path}: written by a newer fieldassist (file version {version}, this one writes "
                    f"{SCHEMA_VERSION}); it can be read and exported, not written"
                )
            if not readonly:
                with _told(path):
                    _set_durability(connection)
                if version < SCHEMA_VERSION:
                    _migrate(connection, path, version)
                    version = SCHEMA_VERSION
        except BaseException:
            connection.close()
            raise
        return cls(connection, path, version, readonly)

    def append(self, kind: str, data: Mapping[str, Any], id: str | None = None) -> Event:
        """Write one event and return it as stored, durable before this returns.

        An `id` that is already there is not written again: the event stored under it is returned.
        Raises StorageError when the file cannot take it now, UserError when `data` is not JSON.
        """
        event_id = id if id is not None else uuid.uuid4().hex
        if not event_id or len(event_id) > 200 or not event_id.isprintable():
            raise UserError(f"event id {event_id[:40]!r}: must be 1 to 200 printable characters")
        return self._insert(event_id, kind, now(), data)

    def insert(self, event: Event) -> Event:
        """Write an event with the id, time and position that it already has (import); idempotent like append."""
        return self._insert(event.id, event.kind, event.at, event.data, event.seq)

    def events(self, after: int = 0) -> tuple[Event, ...]:
        """Return the events whose `seq` is above `after`, in the order that counts."""
        found = _identity(self.path)
        if self._depth == 0 and found is not None and found != self._identity:
            if self.readonly:
                self._reopen(_connect(self.path, "ro"))
            else:
                self._find_again()
        return self._events(after)

    def _events(self, after: int = 0) -> tuple[Event, ...]:
        with _told(self.path):
            rows = self._connection.execute(
                "SELECT seq, id, kind, at, data FROM events WHERE seq > ? ORDER BY seq", (after,)
            ).fetchall()
        return tuple(_event(row, self.path) for row in rows)

    def add_clip(self, samples: npt.NDArray[np.int16]) -> str:
        """Keep mono 16 kHz int16 samples as FLAC; return the clip's id, which is made from the sound itself."""
        buffer = io.BytesIO()
        soundfile.write(buffer, samples, CLIP_RATE, format="FLAC", subtype="PCM_16")
        return self.insert_clip(clip_id(samples), buffer.getvalue())

    def insert_clip(self, clip: str, flac: bytes) -> str:
        """Keep a clip that is already FLAC under its id; idempotent."""
        with self.together():
            self._connection.execute("INSERT OR IGNORE INTO clips (id, flac) VALUES (?, ?)", (clip, flac))
        return clip

    def clip(self, clip: str) -> bytes:
        """Return a clip as FLAC. Raises UserError when it is not there (never kept, or dropped)."""
        with _told(self.path):
            row = self._connection.execute("SELECT flac FROM clips WHERE id = ?", (clip,)).fetchone()
        if row is None:
            raise UserError(f"{self.path}: no clip {clip!r}; it was not kept, or was dropped")
        return bytes(row[0])

    def clip_ids(self) -> tuple[str, ...]:
        """Return the ids of all clips kept."""
        with _told(self.path):
            return tuple(row[0] for row in self._connection.execute("SELECT id FROM clips ORDER BY id"))

    def drop_clips(self) -> int:
        """Erase all clips from the file, the bytes too; return how many.

        The events stay, but for overheard talk: its words are as private as its sound, and nothing refers to it.
        """
        with self.together():
            self._connection.execute("PRAGMA secure_delete = ON")
            count = self._connection.execute("DELETE FROM clips").rowcount
            self._connection.execute("DROP TRIGGER IF EXISTS events_stay")
            overheard = self._connection.execute("DELETE FROM events WHERE kind = 'overheard'").rowcount
            self._connection.execute(_EVENTS_STAY)
            self._insert(uuid.uuid4().hex, "clips_dropped", now(), {"clips": count, "overheard": overheard})
        with _told(self.path):
            self._connection.execute("VACUUM")
            self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        return count

    def room(self) -> int:
        """Return the bytes free on the disk that the file lies on; 0 when it does not tell."""
        try:
            return shutil.disk_usage(self.path.parent).free
        except OSError:
            return 0

    @contextmanager
    def together(self) -> Iterator[None]:
        """Make the writes inside one transaction: all of them are kept, or none."""
        if self._depth:
            yield
            return
        if self.readonly:
            raise UserError(f"{self.path}: the session was opened for reading only")
        if _identity(self.path) != self._identity:
            self._find_again()
        with _told(self.path):
            self._connection.execute("BEGIN IMMEDIATE")
            self._depth = 1
            try:
                yield
                self._connection.execute("COMMIT")
                self._log = _identity(self.path.with_name(f"{self.path.name}-wal"))
            except BaseException:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise
            finally:
                self._depth = 0

    def copy_to(self, path: str | Path) -> None:
        """Write a complete, consistent copy, whoever is writing at the moment. Raises UserError if it exists."""
        _copy(self._connection, Path(path))

    def close(self) -> None:
        """Close the file; the last one to close it folds the log into it."""
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _find_again(self) -> None:
        """Go on at the path, when the file there is not the one that was opened.

        What is written to a file that was deleted or replaced goes nowhere and is not refused. All of it can still
        be read from the open file, so it is written anew; what lies at the path by now is put aside. A disk that
        was pulled out cannot be read any more: put back, its file is opened again. Raises StorageError as long as
        neither is possible.
        """
        if not self.path.parent.is_dir():
            raise StorageError(f"{self.path}: the folder is gone; put the disk back")
        try:
            if self._can_be_read():
                fresh = self.path.with_name(f"{self.path.name}.anew")
                fresh.unlink(missing_ok=True)
                _copy(self._connection, fresh)
                self._put_aside()
                fresh.rename(self.path)
                _sync_folder(self.path.parent)
            connection = _connect(self.path, "rw")
            try:
                _version(connection, self.path)
                with _told(self.path):
                    connection.execute("PRAGMA journal_mode = WAL")
                    _set_durability(connection)
            except UserError:
                connection.close()
                raise
        except StorageError:
            raise
        except (UserError, OSError) as error:
            raise StorageError(f"{self.path}: the session file is gone ({error})") from None
        self._reopen(connection)

    def _can_be_read(self) -> bool:
        try:
            return bool(self._events())
        except UserError:
            return False

    def _put_aside(self) -> None:
        """Give another name to what lies at the path, with the log that belongs to it."""
        log = self.path.with_name(f"{self.path.name}-wal")
        if self._log is not None and _identity(log) == self._log:
            log.unlink()  # of the file that is gone, and wrong for any other
        self.path.with_name(f"{self.path.name}-shm").unlink(missing_ok=True)
        if self.path.exists():
            number = 1
            while (aside := self.path.with_name(f"{self.path.name}.aside{number}")).exists():
                number += 1
            self.path.rename(aside)
            if log.exists():
                log.rename(aside.with_name(f"{aside.name}-wal"))
        else:
            log.unlink(missing_ok=True)

    def _reopen(self, connection: sqlite3.Connection) -> None:
        with suppress(sqlite3.Error):
            self._connection.close()
        self._connection, self._identity = connection, _identity(self.path)

    def _insert(
        self, event_id: str, kind: str, at: str, data: Mapping[str, Any], seq: int | None = None
    ) -> Event:
        try:
            text = json.dumps(dict(data), allow_nan=False, separators=(",", ":"))
        except (TypeError, ValueError) as error:
            raise UserError(f"event {kind}: its data is not JSON ({error})") from None
        with self.together():
            self._connection.execute(
                "INSERT INTO events (seq, id, kind, at, data) VALUES (?, ?, ?, ?, ?) ON CONFLICT (id) DO NOTHING",
                (seq, event_id, kind, at, text),
            )
            row = self._connection.execute(
                "SELECT seq, id, kind, at, data FROM events WHERE id = ?", (event_id,)
            ).fetchone()
        return _event(row, self.path)


def clip_id(samples: npt.NDArray[np.int16]) -> str:
    """Return the id under which `add_clip` keeps these samples."""
    return hashlib.sha256(np.ascontiguousarray(samples, dtype="<i2").tobytes()).hexdigest()[:24]


def now() -> str:
    """Return the time as events carry it: UTC, ISO 8601 with microseconds and `Z`."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def _connect(path: Path, mode: str) -> sqlite3.Connection:
    uri = path.absolute().as_uri() + f"?mode={mode}"
    try:
        connection = sqlite3.connect(
            uri, uri=True, timeout=BUSY_SECONDS, isolation_level=None, check_same_thread=False
        )
        if mode == "ro":
            try:
                connection.execute("SELECT 1 FROM sqlite_master").fetchone()
            except sqlite3.OperationalError:
                # A file on a read-only medium: no log can be made beside it, and nobody can be writing it.
                if path.with_name(path.name + "-wal").exists():
                    raise
                connection.close()
                connection = sqlite3.connect(
                    uri + "&immutable=1", uri=True, isolation_level=None, check_same_thread=False
                )
    except sqlite3.DatabaseError as error:
        raise _translated(error, path) from None
    except UnicodeDecodeError:
        raise UserError(f"{path}: damaged; `fieldassist session check` saves what can be saved") from None
    return connection


def _identity(path: Path) -> tuple[int, int] | None:
    """What tells a file from another at the same path; None when there is none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def _sync_folder(folder: Path) -> None:
    """Make a new name in a folder last, where the system lets folders be synced."""
    with suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def _set_durability(connection: sqlite3.Connection) -> None:
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA fullfsync = ON")  # macOS, where fsync stops at the disk's own memory
    connection.execute("PRAGMA checkpoint_fullfsync = ON")
    connection.execute(f"PRAGMA journal_size_limit = {LOG_BYTES}")
    connection.execute(f"PRAGMA wal_autocheckpoint = {CHECKPOINT_PAGES}")


def _copy(connection: sqlite3.Connection, target: Path) -> None:
    _make_private(target)
    with _told(target), closing(sqlite3.connect(target)) as copy:
        connection.backup(copy)


def _make_private(path: Path) -> None:
    """Make an empty file that only its owner may read: sessions hold voices."""
    try:
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
    except FileExistsError:
        raise UserError(f"{path}: already there; give another name") from None
    except FileNotFoundError:
        raise UserError(f"{path}: the folder {path.parent} does not exist") from None
    except OSError as error:
        raise UserError(f"{path}: cannot be created ({error.strerror})") from None


def _migrate(connection: sqlite3.Connection, path: Path, version: int) -> None:
    """Bring an older file up to date: all of it or nothing, with a copy of the old one beside it."""
    backup = path.with_name(f"{path.name}.v{version}")
    if not backup.exists():
        part = path.with_name(f"{backup.name}.part")  # a copy that was broken off is none
        part.unlink(missing_ok=True)
        _copy(connection, part)
        part.rename(backup)
    with _told(path):
        connection.execute("BEGIN EXCLUSIVE")
        try:
            version = int(connection.execute("PRAGMA user_version").fetchone()[0])  # another may have been faster
            for number in range(version, SCHEMA_VERSION):
                for statement in _MIGRATIONS[number]:
                    connection.execute(statement)
            connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise


def _version(connection: sqlite3.Connection, path: Path) -> int:
    with _told(path):
        application = connection.execute("PRAGMA application_id").fetchone()[0]
        version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    if application != APPLICATION_ID:
        raise UserError(f"{path}: not a session file")
    return version


def _event(row: tuple[int, str, str, str, str], path: Path) -> Event:
    seq, event_id, kind, at, data = row
    try:
        decoded = json.loads(data)
    except (TypeError, ValueError):
        decoded = None
    if not isinstance(decoded, dict):
        raise UserError(f"{path}: event {seq} is damaged; `fieldassist session check` saves what can be saved")
    return Event(id=event_id, kind=kind, at=at, data=decoded, seq=seq)


@contextmanager
def _told(path: Path) -> Iterator[None]:
    try:
        yield
    except sqlite3.Error as error:
        raise _translated(error, path) from None
    except UnicodeDecodeError:  # in a message of SQLite's that quotes a damaged file
        raise UserError(f"{path}: damaged; `fieldassist session check` saves what can be saved") from None


def _translated(error: sqlite3.Error, path: Path) -> UserError:
    """Put SQLite's refusal into one line for a person."""
    code = getattr(error, "sqlite_errorcode", None)
    primary = code & 0xFF if code is not None else None
    if primary == sqlite3.SQLITE_NOTADB:
        return UserError(f"{path}: not a session file")
    if primary == sqlite3.SQLITE_CORRUPT:
        return UserError(f"{path}: damaged; `fieldassist session check` saves what can be saved")
    if primary in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return StorageError(f"{path}: in use by another program for over {BUSY_SECONDS:g} s")
    if primary == sqlite3.SQLITE_FULL:
        return StorageError(f"{path}: the disk is full; make room, nothing stored so far is lost")
    if primary == sqlite3.SQLITE_IOERR:
        return StorageError(f"{path}: the disk cannot be read or written ({error})")
    if primary in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
        return StorageError(f"{path}: cannot be opened or written ({error})")
    return UserError(f"{path}: {' '.join(str(error).split())}")  # it may quote what lies in the file

"""What is wrong with a session file, and what can be saved of it."""

from __future__ import annotations

import io
import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

import soundfile

from fieldassist.errors import UserError
from fieldassist.record.event import Event
from fieldassist.record.projection import project
from fieldassist.record.store import APPLICATION_ID, SCHEMA_VERSION, Store

_DAMAGE = (sqlite3.DatabaseError, UnicodeDecodeError)
"""SQLite's messages quote the file: where that is damaged, the message itself may be no text."""


@dataclass(frozen=True)
class Inspection:
    """The state of a session file."""

    problems: tuple[str, ...]
    """One line each; empty when all is well."""
    remarks: tuple[str, ...]
    """What is worth knowing and no fault: a log beside the file, an older version."""
    events: tuple[Event, ...]
    """All that could be read."""
    clips: dict[str, bytes]
    """All that could be read and decoded, FLAC by id."""


def inspect(path: Path) -> Inspection:
    """Read everything that can be read of a session file, however damaged. Never changes it.

    Raises UserError when there is no such file, or nothing in it is a session's.
    """
    if not path.is_file():
        raise UserError(f"{path}: no such session file")
    problems: list[str] = []
    remarks: list[str] = []
    log = path.with_name(path.name + "-wal")
    if log.exists() and log.stat().st_size:
        remarks.append(f"{path.name}-wal beside it holds the latest events; keep the two together")
    uri = path.absolute().as_uri() + "?mode=ro"
    try:
        with closing(sqlite3.connect(uri, uri=True, timeout=5.0)) as connection:
            connection.text_factory = lambda raw: raw.decode("utf-8", "replace")
            problems += _of_the_database(connection, remarks)
            events = tuple(_events(connection, problems))
            clips = dict(_clips(connection, problems))
    except _DAMAGE as error:
        raise UserError(f"{path}: not a session file, or damaged beyond reading ({_plain(error)})") from None
    view = project(events)
    problems += view.problems
    wanted = {clip for event in events if isinstance(clip := event.data.get("clip"), str)}
    dropped = any(event.kind == "clips_dropped" for event in events)
    missing = wanted - clips.keys()
    if missing and not dropped:
        problems.append(f"{len(missing)} of {len(wanted)} clips are missing")
    if not events:
        problems.append("it holds no events")
    elif events[0].kind != "started":
        problems.append("the first event is not `started`")
    return Inspection(tuple(problems), tuple(remarks), events, clips)


def save(found: Inspection, target: Path) -> None:
    """Write all that could be read to a new session file. Raises UserError when it exists."""
    with Store.create(target, None) as store, store.together():
        for event in found.events:
            store.insert(event)
        for clip, flac in found.clips.items():
            store.insert_clip(clip, flac)


def _plain(error: Exception) -> str:
    return "damaged" if isinstance(error, UnicodeDecodeError) else " ".join(str(error).split())


def _of_the_database(connection: sqlite3.Connection, remarks: list[str]) -> Iterator[str]:
    if connection.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
        yield "it does not carry the mark of a session file"
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    if version < SCHEMA_VERSION:
        remarks.append(f"file version {version}; it is brought to {SCHEMA_VERSION} when it is next written to")
    elif version > SCHEMA_VERSION:
        remarks.append(f"file version {version}, newer than {SCHEMA_VERSION}; it can be read and exported here")
    try:
        for (line,) in connection.execute("PRAGMA integrity_check(20)"):
            if line != "ok":
                yield f"database: {line}"
    except _DAMAGE as error:
        yield f"database: {_plain(error)}"


def _events(connection: sqlite3.Connection, problems: list[str]) -> Iterator[Event]:
    columns = "seq, id, kind, at, data"
    for row in _rows(connection, "events", "seq", columns, problems):
        seq, event_id, kind, at, text = row
        data = None
        with suppress(ValueError, TypeError, RecursionError):
            data = json.loads(text)
        if not isinstance(data, dict) or not all(isinstance(part, str) and part for part in (event_id, kind, at)):
            problems.append(f"event {seq} cannot be read")
            continue
        yield Event(id=event_id, kind=kind, at=at, data=data, seq=seq)


def _clips(connection: sqlite3.Connection, problems: list[str]) -> Iterator[tuple[str, bytes]]:
    for clip, flac in _rows(connection, "clips", "id", "id, flac", problems):
        try:
            soundfile.read(io.BytesIO(flac), dtype="int16")
        except (soundfile.SoundFileError, TypeError):
            problems.append(f"clip {clip} cannot be decoded")
            continue
        yield clip, flac


def _rows(
    connection: sqlite3.Connection, table: str, key: str, columns: str, problems: list[str]
) -> Iterator[tuple]:  # type: ignore[type-arg]
    """Read a table's rows in order; past a damaged page, from the other end."""
    seen: set[object] = set()
    ordered: list[tuple] = []  # type: ignore[type-arg]
    damaged = False
    for direction in ("ASC", "DESC"):
        try:
            for row in connection.execute(f"SELECT {columns} FROM {table} ORDER BY {key} {direction}"):
                if row[0] in seen:
                    break
                seen.add(row[0])
                ordered.append(row)
        except _DAMAGE as error:
            if not damaged:
                problems.append(f"{table}: {_plain(error)}; what can be read on both sides of the damage is taken")
            damaged = True
        if not damaged:
            break
    yield from sorted(ordered, key=lambda row: row[0])

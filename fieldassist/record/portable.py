"""A session as JSON: everything that is in the file, for other programs and for safe keeping."""

from __future__ import annotations

import base64
import binascii
import json
from pathlib import Path
from typing import Any

from fieldassist.errors import UserError
from fieldassist.record.event import Event
from fieldassist.record.store import Store

FORMAT = "fieldassist session"


def export_session(store: Store) -> dict[str, Any]:
    """Return a session as a JSON object: `format`, `version`, `events` and `clips` (FLAC as base64)."""
    return {
        "format": FORMAT,
        "version": store.version,
        "events": [
            {"seq": event.seq, "id": event.id, "kind": event.kind, "at": event.at, "data": event.data}
            for event in store.events()
        ],
        "clips": {clip: base64.b64encode(store.clip(clip)).decode("ascii") for clip in store.clip_ids()},
    }


def import_session(data: object, path: str | Path) -> None:
    """Make a session file from what `export_session` gave.

    Raises UserError when the data is not such an object (naming what is wrong), or the file exists.
    """
    if not isinstance(data, dict) or data.get("format") != FORMAT:
        raise UserError(f'import: expected an object with "format": "{FORMAT}"')
    events = [_event(row, number) for number, row in enumerate(_rows(data, "events", list), 1)]
    clips = {str(key): _flac(key, text) for key, text in _rows(data, "clips", dict).items()}
    if not events or events[0].kind != "started":
        raise UserError("import: the first event must be `started`")
    if len({event.id for event in events}) < len(events) or len({event.seq for event in events}) < len(events):
        raise UserError("import: two events have the same id or seq")
    with Store.create(path, None) as store, store.together():
        for event in events:
            store.insert(event)
        for clip, flac in clips.items():
            store.insert_clip(clip, flac)


def read_json(path: Path) -> object:
    """Read a JSON file. Raises UserError with the line when it is not JSON."""
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise UserError(f"{path}: cannot be read ({error.strerror})") from None
    except json.JSONDecodeError as error:
        raise UserError(f"{path}:{error.lineno}: expected JSON: {error.msg}") from None
    except (ValueError, RecursionError) as error:
        raise UserError(f"{path}: expected JSON ({error})") from None


def _rows(data: dict[str, Any], key: str, kind: type) -> Any:
    rows = data.get(key)
    if not isinstance(rows, kind):
        raise UserError(f'import: "{key}" must be {"a list" if kind is list else "an object"}')
    return rows


def _event(row: Any, number: int) -> Event:
    wanted = {"seq": int, "id": str, "kind": str, "at": str, "data": dict}
    if not isinstance(row, dict):
        raise UserError(f"import: event {number} must be an object")
    for key, kind in wanted.items():
        if not isinstance(row.get(key), kind) or isinstance(row[key], bool):
            raise UserError(f'import: event {number}: "{key}" must be {kind.__name__}')
    if not 0 < row["seq"] < 2**63:
        raise UserError(f'import: event {number}: "seq" must be a positive whole number')
    return Event(id=row["id"], kind=row["kind"], at=row["at"], data=row["data"], seq=row["seq"])


def _flac(key: str, text: Any) -> bytes:
    try:
        return base64.b64decode(text, validate=True)
    except (TypeError, ValueError, binascii.Error):
        raise UserError(f"import: clip {key!r} is not base64") from None

"""What is written to a session file: events, never changed once written."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

EVENT_KINDS: tuple[str, ...] = (
    "started",  # data: unit, checklist, app version, tyre, axle_ratio, keep_clips ...
    "intake",  # data: complaint, when, onset, after, mileage, vehicle label ...
    "step_begun",  # data: step
    "step_done",  # data: step, how (answered | skipped)
    "heard",  # data: step, start, end, text, words, confidence, engine, clip (or null), decision
    "overheard",  # talk taken for nothing; data: step, start, end, text, confidence, engine, clip, decision
    "entry",  # data: entry, step, heard (event id or null), finding (JSON), score; the read-back follows
    "entry_confirmed",  # data: entry, by (driver | passenger | bay)
    "entry_corrected",  # data: entry, by, finding (JSON); the old value stays in the earlier event
    "entry_struck",  # data: entry, by
    "entry_restored",  # data: entry, by
    "heard_dismissed",  # data: heard (event id), by: an unclear utterance that was nothing
    "note",  # data: step, clip, text
    "device",  # data: what happened to a sound device
    "paused",
    "resumed",
    "deduced",  # data: the deduction's JSON
    "cause_confirmed",  # data: cause, by, remark
    "write_up",  # data: part, text, by
    "clips_dropped",  # data: clips (how many were erased), overheard (how many events went with them)
    "finished",
)


@dataclass(frozen=True)
class Event:
    """One event of a session."""

    id: str
    """Unique text made by whoever caused the event; writing the same id twice writes it once."""
    kind: str
    """One of EVENT_KINDS (an unknown kind of a newer version is kept and passed over)."""
    at: str
    """UTC, ISO 8601 with microseconds and `Z`."""
    data: dict[str, Any] = field(default_factory=dict)
    seq: int | None = None
    """Position in the file, given by the store: the order that counts, whatever the clock says."""

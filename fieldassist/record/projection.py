"""What a session looks like now: everything but the events is computed from them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from fieldassist.errors import UserError
from fieldassist.finding import Finding
from fieldassist.record.event import Event

ENTRY_STATES: tuple[str, ...] = ("open", "confirmed", "corrected", "struck")
"""`open`: heard and read back, confirmed by nobody yet. `struck` entries are kept and count for nothing."""


@dataclass(frozen=True)
class Change:
    """One thing that happened to an entry."""

    seq: int
    at: str
    kind: str
    """The event's kind: entry, entry_confirmed, entry_corrected, entry_struck or entry_restored."""
    by: str
    finding: Finding
    """The finding from then on."""


@dataclass(frozen=True)
class EntryView:
    """One observation, with what became of it."""

    id: str
    step: str | None
    finding: Finding
    state: str
    """One of ENTRY_STATES."""
    by: str
    """Who acted on it last: driver, passenger or bay."""
    heard_text: str
    """What the engine made of it; empty when it was typed."""
    clip: str | None
    """Id of its clip, None when none was kept."""
    confidence: float
    """Of the recognition, 0..1; 1 for typed entries."""
    score: float | None
    """Of the match, as the matcher gives it."""
    at: str
    history: tuple[Change, ...]
    """Oldest first; the first is the entry itself."""


@dataclass(frozen=True)
class NoteView:
    """A voice note, or a remark typed in the bay."""

    id: str
    step: str | None
    text: str
    clip: str | None
    by: str
    at: str


@dataclass(frozen=True)
class SessionView:
    """A session as its events make it."""

    unit: str | None = None
    checklist: str | None = None
    started: dict[str, Any] = field(default_factory=dict)
    """The whole `started` event: tyre, axle ratio, engine, app version, keep_clips ..."""
    started_at: str | None = None
    intake: dict[str, Any] = field(default_factory=dict)
    step: str | None = None
    """The step being worked on; None before the first, and between two."""
    steps_done: tuple[str, ...] = ()
    """Steps answered or skipped, in the order they were first done."""
    steps_skipped: frozenset[str] = frozenset()
    entries: tuple[EntryView, ...] = ()
    """In the order in which they were spoken, struck ones too."""
    notes: tuple[NoteView, ...] = ()
    deduced: dict[str, Any] | None = None
    """The latest deduction's JSON."""
    cause_confirmed: dict[str, Any] | None = None
    paused: bool = False
    finished: bool = False
    last_seq: int = 0
    problems: tuple[str, ...] = ()
    """Events that made no sense, in one line each; they are passed over and stay in the file."""
    heard: Mapping[str, dict[str, Any]] = field(default_factory=dict)
    """Text, clip and confidence of the utterances by event id, for the entries made from them."""
    overheard: float = 0.0
    """Seconds of talk kept that was taken for nothing. It is kept for hearing it again and counts for nothing."""

    def entry(self, entry_id: str) -> EntryView | None:
        """Return the entry with this id, or None."""
        return next((entry for entry in self.entries if entry.id == entry_id), None)

    def findings(self) -> tuple[Finding, ...]:
        """Return the findings that count: all but the struck ones.

        A person's confirmation or correction settles what was heard (confidence 1).
        """
        return tuple(
            replace(entry.finding, confidence=1.0) if entry.state in ("confirmed", "corrected") else entry.finding
            for entry in self.entries
            if entry.state != "struck"
        )


def project(events: Iterable[Event]) -> SessionView:
    """Compute the view of a session from its events, in their order.

    Pure, and never raises: an event that makes no sense is listed under `problems`, an unknown kind
    of a newer version is passed over.
    """
    view = SessionView()
    for event in events:
        view = follow(view, event)
    return view


def follow(view: SessionView, event: Event) -> SessionView:
    """Return the view after one more event; `project` is this over all of them."""
    seq = event.seq if event.seq is not None else view.last_seq + 1
    try:
        view = _applied(view, event, seq)
    except (UserError, KeyError, TypeError, ValueError) as error:
        reason = f"{error.args[0]!r} is missing" if isinstance(error, KeyError) else str(error)
        view = replace(view, problems=(*view.problems, f"event {seq} ({event.kind[:40]}): {reason}"))
    return replace(view, last_seq=max(view.last_seq, seq))


def _applied(view: SessionView, event: Event, seq: int) -> SessionView:
    data = event.data
    match event.kind:
        case "started":
            return replace(
                view,
                unit=_text(data, "unit"),
                checklist=_optional(data, "checklist"),
                started=dict(data),
                started_at=event.at,
            )
        case "intake":
            return replace(view, intake={**view.intake, **data})
        case "step_begun":
            return replace(view, step=_text(data, "step"))
        case "step_done":
            step = _text(data, "step")
            skipped = view.steps_skipped | {step} if data.get("how") == "skipped" else view.steps_skipped - {step}
            return replace(
                view,
                step=None if view.step == step else view.step,
                steps_done=view.steps_done if step in view.steps_done else (*view.steps_done, step),
                steps_skipped=skipped,
            )
        case "heard":
            kept: dict[str, Any] = {key: data[key] for key in ("text", "clip", "confidence") if key in data}
            return replace(view, heard={**view.heard, event.id: kept})
        case "overheard":
            return replace(view, overheard=view.overheard + _number(data["end"]) - _number(data["start"]))
        case "entry":
            return replace(view, entries=(*view.entries, _entry(event, seq, view)))
        case "entry_confirmed" | "entry_corrected" | "entry_struck" | "entry_restored":
            return replace(view, entries=_changed(view.entries, event, seq))
        case "note":
            note = NoteView(
                id=event.id,
                step=_optional(data, "step"),
                text=_optional(data, "text") or "",
                clip=_optional(data, "clip"),
                by=_optional(data, "by") or "driver",
                at=event.at,
            )
            return replace(view, notes=(*view.notes, note))
        case "paused":
            return replace(view, paused=True)
        case "resumed":
            return replace(view, paused=False, finished=False)
        case "deduced":
            _check_deduced(data)
            return replace(view, deduced=dict(data))
        case "cause_confirmed":
            return replace(view, cause_confirmed=dict(data))
        case "finished":
            return replace(view, finished=True, paused=False, step=None)
    return view


def _entry(event: Event, seq: int, view: SessionView) -> EntryView:
    data = event.data
    finding = Finding.from_json(data["finding"])
    entry_id = _text(data, "entry")
    if view.entry(entry_id) is not None:
        raise UserError(f"entry {entry_id!r} is there already")
    spoken = view.heard.get(_optional(data, "heard") or "", {})
    by = _optional(data, "by") or "driver"
    score = data.get("score")
    return EntryView(
        id=entry_id,
        step=_optional(data, "step"),
        finding=finding,
        state="open",
        by=by,
        heard_text=_optional(spoken, "text") or "",
        clip=_optional(spoken, "clip"),
        confidence=_number(spoken.get("confidence", finding.confidence)),
        score=_number(score) if score is not None else None,
        at=event.at,
        history=(Change(seq, event.at, "entry", by, finding),),
    )


def _changed(entries: tuple[EntryView, ...], event: Event, seq: int) -> tuple[EntryView, ...]:
    wanted = _text(event.data, "entry")
    by = _optional(event.data, "by") or "driver"
    place = next((index for index, entry in enumerate(entries) if entry.id == wanted), None)
    if place is None:
        raise UserError(f"there is no entry {wanted!r}")
    entry = entries[place]
    finding = entry.finding
    if event.kind == "entry_corrected":
        finding = Finding.from_json(event.data["finding"])
    changed = replace(
        entry,
        finding=finding,
        by=by,
        history=(*entry.history, Change(seq, event.at, event.kind, by, finding)),
    )
    return (*entries[:place], replace(changed, state=_state(changed.history)), *entries[place + 1 :])


def _state(history: tuple[Change, ...]) -> str:
    """Fold an entry's history into its state.

    A confirmation never brings back what was struck (the two may cross on their way from two people);
    a correction does, since it says what the entry should have been.
    """
    state, before_strike = "open", "open"
    for change in history[1:]:
        if change.kind == "entry_struck":
            before_strike, state = (state if state != "struck" else before_strike), "struck"
        elif change.kind == "entry_restored":
            state = before_strike if state == "struck" else state
        elif change.kind == "entry_corrected":
            state = "corrected"
        elif state == "open":
            state = "confirmed"
        elif state == "struck":
            before_strike = "confirmed" if before_strike == "open" else before_strike
    return state


def _check_deduced(data: dict[str, Any]) -> None:
    """Refuse a deduction whose suspects or tests are no such thing: they are spoken, shown and acted on."""
    for key, name in (("suspects", "name"), ("next_tests", "step")):
        rows = data.get(key, [])
        if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
            raise UserError(f"{key} must be a list of objects")
        for row in rows:
            _text(row, name)
            if key == "suspects":
                _number(row["probability"])


def _text(data: dict[str, Any], key: str) -> str:
    value = data[key]
    if not isinstance(value, str) or not value:
        raise UserError(f"{key} must be text, got {value!r}")
    return value


def _optional(data: dict[str, Any], key: str) -> str | None:
    value = data.get(key)
    if value is not None and not isinstance(value, str):
        raise UserError(f"{key} must be text, got {value!r}")
    return value


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise UserError(f"expected a number, got {value!r}")
    return float(value)

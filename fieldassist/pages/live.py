"""What the passenger's page shows, as JSON made from the session's events."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from typing import Any

from fieldassist.pages.case import Case
from fieldassist.pages.choices import alternatives, kept_readings, option
from fieldassist.pages.wording import spaced, words
from fieldassist.pages.writeup import next_tests, suspect_lines
from fieldassist.record.event import Event
from fieldassist.record.projection import EntryView

SHOWN = 40
"""Settled entries kept on the page; open ones always are."""
DOUBTFUL = 0.7
"""Recognition confidence below which a card says so."""


def session_key(events: Sequence[Event]) -> str:
    """Return a short name of the session that survives copying and renaming the file.

    A tap that waited on a phone is only taken by the session it was made for.
    """
    first = events[0].id + events[0].at if events else ""
    return hashlib.sha256(first.encode()).hexdigest()[:16]


def live_state(case: Case) -> dict[str, Any]:
    """Return the page's state: the step, cards (newest first), suspects and the next test."""
    view = case.view
    alive = [entry for entry in view.entries if entry.state == "open"]
    settled = [entry for entry in view.entries if entry.state != "open"][-SHOWN:]
    shown = {entry.id for entry in (*alive, *settled)}
    numbers = {entry.id: number for number, entry in enumerate(view.entries, 1)}
    readings = other_readings(case.events)
    return {
        "seq": view.last_seq,
        "session": session_key(case.events),
        "vehicle": str(view.intake.get("vehicle") or ""),
        "unit": case.unit_title,
        "paused": view.paused,
        "finished": view.finished,
        "step": _step(case),
        "open": len(alive),
        "entries": [
            _card(case, entry, numbers[entry.id], readings.get(entry.id))
            for entry in reversed(view.entries)
            if entry.id in shown
        ],
        "unclear": _unclear(case),
        "suspects": [
            {"name": line.name, "share": line.probability, "percent": line.percent, "depth": line.depth,
             "for": [reason.text for reason in line.speaks_for[:2]],
             "against": [reason.text for reason in line.speaks_against[:2]]}
            for line in suspect_lines(view.deduced, 3, view, case.step_names)
        ],
        "next": [
            {"name": test.name, "why": test.why, "depth": test.depth, "caution": test.caution}
            for test in next_tests(view.deduced, case.step_names)[:1]
        ],
    }  # fmt: skip


def plain_heard(text: str) -> str:
    """Return a recognised text with a dash for each stretch that fitted no phrase."""
    return text.replace("[unk]", "–")


def _step(case: Case) -> dict[str, Any] | None:
    step = case.view.step
    if step is None:
        return None
    item = case.plan.checklist.item(step) if case.plan.checklist is not None else None
    planned = case.planned
    return {
        "id": step,
        "title": case.step_names.get(step, spaced(step)),
        "prompt": item.prompt if item is not None else "",
        "expect": item.expect if item is not None else "",
        "caution": (item.caution or item.section.caution) if item is not None else "",
        "number": planned.index(step) + 1 if step in planned else None,
        "of": len(planned),
    }


def _card(case: Case, entry: EntryView, number: int, heard: object) -> dict[str, Any]:
    first = entry.history[0].finding
    return {
        "id": entry.id,
        "number": number,
        "step": case.step_names.get(entry.step or "", spaced(entry.step or "")),
        "words": words(entry.finding),
        "finding": entry.finding.to_json(),
        "heard": plain_heard(entry.heard_text),
        "doubtful": entry.confidence < DOUBTFUL,
        "state": entry.state,
        "by": entry.by,
        "was": words(first) if entry.state == "corrected" and first != entry.finding else "",
        "near": alternatives(entry.finding, heard, case.shifts),
    }


def other_readings(events: Sequence[Event]) -> Mapping[str, object]:
    """Entry id -> the other readings that were kept with the entry, or with the utterance it came from."""
    heard = {event.id: event.data.get("alternatives") for event in events if event.kind == "heard"}
    return {
        str(event.data.get("entry")): event.data.get("alternatives") or heard.get(str(event.data.get("heard")))
        for event in events
        if event.kind == "entry"
    }


def _unclear(case: Case) -> list[dict[str, Any]]:
    """Utterances that were asked back about and came to nothing: the passenger may say what they were.

    Asked once, the driver may still answer; so one counts only when a second was unclear too, or the step ended.
    """
    pending: list[Event] = []
    left: list[Event] = []
    settled = set()
    for event in case.events:
        if event.kind == "heard" and event.data.get("decision") == "ask":
            pending.append(event)
        elif event.kind == "entry":
            pending = []
        elif event.kind in ("step_begun", "step_done", "finished"):
            left.extend(pending[-1:])
            pending = []
        if event.kind in ("entry", "heard_dismissed"):
            settled.add(str(event.data.get("heard")))
    left.extend(pending[-1:] if len(pending) > 1 else ())
    return [_unclear_card(case, event) for event in left if event.id not in settled][-SHOWN:]


def _unclear_card(case: Case, event: Event) -> dict[str, Any]:
    step = event.data.get("step")
    return {
        "heard_id": event.id,
        "step_id": step if isinstance(step, str) else None,
        "step": case.step_names.get(str(step), spaced(str(step or ""))),
        "heard": plain_heard(str(event.data.get("text") or "")),
        "near": [option(finding) for finding in kept_readings(event.data.get("alternatives"))],
    }

"""What the bay does to a session: every change is an event, and every change is deduced from at once."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from pathlib import Path

from fieldassist.deduce import Context, cases_path, steps_for
from fieldassist.deduce.causes import causes_for
from fieldassist.deduce.priors import Case as ConfirmedCase
from fieldassist.deduce.priors import CaseBook
from fieldassist.deduce.unit import Unit
from fieldassist.drive.loop import deduction
from fieldassist.errors import UserError
from fieldassist.finding import Finding
from fieldassist.pages.case import Case, read_case
from fieldassist.pages.choices import from_form
from fieldassist.pages.live import session_key
from fieldassist.pages.writeup import PARTS
from fieldassist.record.projection import project
from fieldassist.record.store import Store

BAY = "bay"
MAX_REMARK = 4000
"""Characters of a remark or a part of the write-up."""
_TAP = re.compile(r"[A-Za-z0-9_-]{8,64}")
_CHANGES = {"confirm": "entry_confirmed", "strike": "entry_struck", "restore": "entry_restored"}


def change_entry(path: Path, form: Mapping[str, str]) -> None:
    """Confirm, strike, restore or correct an entry (`do`, `entry`, and the pick lists or `pick` for correct).

    The old value stays in its event. Raises UserError naming what is wrong.
    """
    do, entry = form.get("do", ""), form.get("entry", "")
    with Store.open(path) as store:
        if project(store.events()).entry(entry) is None:
            raise UserError("there is no such entry")
        if do in _CHANGES:
            store.append(_CHANGES[do], {"entry": entry, "by": BAY}, id=_event_id(form))
        elif do == "correct":
            finding = _finding(form).to_json()
            store.append("entry_corrected", {"entry": entry, "by": BAY, "finding": finding}, id=_event_id(form))
        else:
            raise UserError(f"do: expected {', '.join(_CHANGES)} or correct")
    deduce_again(path)


def add_entry(path: Path, form: Mapping[str, str]) -> None:
    """Add a reading or an observation made in the bay; it counts as confirmed. Raises UserError."""
    finding = _finding(form)
    event_id = _event_id(form)
    step = form.get("step") or step_for(read_case(path), finding)
    with Store.open(path) as store, store.together():
        entry = store.append(
            "entry",
            {
                "entry": event_id,
                "step": step,
                "heard": None,
                "finding": finding.to_json(),
                "score": None,
                "by": BAY,
            },
            id=event_id,
        )
        if entry.kind != "entry":
            raise UserError("tap: this form's id was used for something else")
        store.append("entry_confirmed", {"entry": event_id, "by": BAY}, id=f"{event_id}-sure")
        if step is not None:
            store.append("step_done", {"step": step, "how": "answered"}, id=f"{event_id}-done")
    deduce_again(path)


def step_for(case: Case, finding: Finding) -> str | None:
    """Return the step in which a finding of the bay is seen, None when no step shows its kind."""
    if case.unit is None:
        return None
    keys = ("where", "range", "gear", "shift", "throttle")
    fitting = [
        (sum(getattr(step, key) == getattr(finding, key) for key in keys if getattr(step, key)), -place, step.id)
        for place, step in enumerate(steps_for(case.unit))
        if finding.kind in step.kinds
        and all(getattr(step, key) in (None, getattr(finding, key)) for key in keys if getattr(finding, key))
    ]
    return max(fitting)[2] if fitting else None


INTAKE_FIELDS: tuple[tuple[str, str], ...] = (
    ("vehicle", "Vehicle"), ("complaint", "Complaint"), ("when", "When it happens"), ("onset", "Onset"),
    ("temperature", "Only when"), ("after", "After which work"), ("mileage", "Mileage, miles"), ("tyre", "Tyre"),
    ("axle_ratio", "Axle ratio"), ("codes", "Stored codes"),
)  # fmt: skip
"""Intake keys that the bay may fill in, with their labels."""
_NUMBERS = ("mileage", "axle_ratio")


def change_intake(path: Path, form: Mapping[str, str]) -> None:
    """Fill in or correct the intake; an empty field says nothing. Raises UserError naming what is wrong."""
    data: dict[str, object] = {}
    for key, label in INTAKE_FIELDS:
        text = form.get(key, "").strip()
        if len(text) > MAX_REMARK:
            raise UserError(f"{label}: {MAX_REMARK} characters at most")
        if key in _NUMBERS and text:
            try:
                data[key] = float(text.replace(",", "."))
            except ValueError:
                raise UserError(f"{label}: expected a number, got {text[:20]!r}") from None
        else:
            data[key] = text or None
    Context.from_json(data)
    _append(path, form, "intake", data)
    deduce_again(path)


def add_note(path: Path, form: Mapping[str, str]) -> None:
    """Add a remark. Raises UserError for an empty one."""
    _append(path, form, "note", {"step": None, "clip": None, "text": _remark(form, "text"), "by": BAY})


def word_part(path: Path, form: Mapping[str, str]) -> None:
    """Word a part of the write-up; empty text goes back to the computed wording. Raises UserError."""
    part = form.get("part", "")
    if part not in PARTS:
        raise UserError(f"part: expected {', '.join(PARTS)}")
    text = form.get("text", "").strip()
    if len(text) > MAX_REMARK:
        raise UserError(f"text: {MAX_REMARK} characters at most")
    _append(path, form, "write_up", {"part": part, "text": text, "by": BAY})


def confirm_cause(path: Path, form: Mapping[str, str]) -> None:
    """Record the cause that the teardown showed, in the session and in the shop's book of cases.

    An empty `cause` takes the confirmation back. Raises UserError for a cause that the unit cannot have.
    """
    cause, remark = form.get("cause", ""), form.get("remark", "").strip()[:MAX_REMARK]
    case = read_case(path)
    if case.unit is None:
        raise UserError("the unit's file is not on this machine, so its causes are not known")
    if cause and cause not in dict(cause_names(case.unit)):
        raise UserError("cause: not one that this unit can have")
    _append(path, form, "cause_confirmed", {"cause": cause, "by": BAY, "remark": remark})
    key = session_key(case.events)
    book = CaseBook(cases_path())
    try:
        number = book.confirm(case.unit.name, [cause] if cause else [], remark or None, session=key)
        if not cause:
            book.take_back(number)
    finally:
        book.close()
    deduce_again(path)


def cause_names(unit: Unit) -> list[tuple[str, str]]:
    """Return (id, name) of everything that can be wrong with a unit, in alphabetical order of the names."""
    return sorted(((cause.id, cause.name) for cause in causes_for(unit)), key=lambda pair: pair[1])


def shop_cases() -> tuple[ConfirmedCase, ...]:
    """Return the shop's confirmed cases, newest first, those taken back too."""
    path = cases_path()
    if not path.is_file():
        return ()
    book = CaseBook(path)
    try:
        return book.cases()[::-1]
    finally:
        book.close()


def take_back_case(number: int) -> None:
    """Let a confirmed case count no longer; it stays in the book. Raises UserError when there is none."""
    if not cases_path().is_file():
        raise UserError("there are no confirmed cases")
    book = CaseBook(cases_path())
    try:
        book.take_back(number)
    finally:
        book.close()


def deduce_again(path: Path) -> None:
    """Deduce from the session as it is now and keep the result; without the unit's file nothing is deduced."""
    case = read_case(path)
    if case.unit is None:
        return
    result = deduction(case.unit, case.view)
    with Store.open(path) as store:
        store.append("deduced", result)


def _append(path: Path, form: Mapping[str, str], kind: str, data: Mapping[str, object]) -> None:
    with Store.open(path) as store:
        store.append(kind, data, id=_event_id(form))


def _finding(form: Mapping[str, str]) -> Finding:
    """Return the finding picked whole (`pick`, as JSON) or field by field."""
    if form.get("pick"):
        try:
            return Finding.from_json(json.loads(form["pick"]))
        except (ValueError, RecursionError):
            raise UserError("pick: expected a finding") from None
    return from_form(form)


def _event_id(form: Mapping[str, str]) -> str:
    """The form carries an id of its own, so that sending it twice does it once."""
    tap = form.get("tap", "")
    if not _TAP.fullmatch(tap):
        raise UserError("tap: expected 8 to 64 letters, digits or dashes")
    return f"bay-{tap}"


def _remark(form: Mapping[str, str], key: str) -> str:
    text = form.get(key, "").strip()
    if not 0 < len(text) <= MAX_REMARK:
        raise UserError(f"{key}: expected 1 to {MAX_REMARK} characters")
    return text

"""A session as the pages read it: its events, what they come to, its unit, and names for its steps."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from fieldassist.deduce.steps import steps_for
from fieldassist.deduce.unit import Unit, load_unit
from fieldassist.drive.checklist import Checklist, load_checklist
from fieldassist.errors import UserError
from fieldassist.record.event import Event
from fieldassist.record.projection import SessionView, project
from fieldassist.record.store import Store


@dataclass(frozen=True)
class Plan:
    """What a session refers to outside its file."""

    unit: Unit | None
    """None when the unit's file is not on this machine, or not usable; the session can still be read."""
    step_names: Mapping[str, str]
    """Step id -> its title."""
    checklist: Checklist | None
    """None when it (or the unit) is not on this machine."""


@dataclass(frozen=True)
class Case:
    """Everything that a page needs to know about one session, read at one moment."""

    path: Path
    events: tuple[Event, ...]
    view: SessionView
    plan: Plan

    @property
    def unit(self) -> Unit | None:
        """The session's unit, if it is known here."""
        return self.plan.unit

    @property
    def step_names(self) -> Mapping[str, str]:
        """Step id -> its title."""
        return self.plan.step_names

    @property
    def planned(self) -> tuple[str, ...]:
        """Steps that are always asked, in order."""
        checklist = self.plan.checklist
        return tuple(item.id for item in checklist.items if not item.on_request) if checklist is not None else ()

    @property
    def unit_title(self) -> str:
        """The unit as written for people."""
        return self.unit.title if self.unit is not None else (self.view.unit or "unit not recorded")

    @property
    def shifts(self) -> tuple[str, ...]:
        """Ids of the unit's shifts, upshifts first."""
        return tuple(shift.id for shift in self.unit.shifts) if self.unit is not None else ()


def read_case(path: str | Path) -> Case:
    """Read a session. Raises UserError when the file is missing, not a session, or damaged."""
    with Store.open(path, readonly=True) as store:
        events = store.events()
    view = project(events)
    return Case(Path(path), events, view, plan_of(view))


def plan_of(view: SessionView) -> Plan:
    """Look up the unit and the checklist that a session names."""
    try:
        unit = load_unit(view.unit) if view.unit else None
    except UserError:
        unit = None
    steps = steps_for(unit) if unit is not None else ()
    names = {step.id: step.title for step in steps}
    checklist = None
    if unit is not None and view.checklist:
        try:
            checklist = load_checklist(view.checklist, steps)
        except UserError:
            checklist = None
    if checklist is not None:
        names.update((item.id, item.title) for item in checklist.items)
    return Plan(unit, names, checklist)

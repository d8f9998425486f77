"""The signature of a unit: how probable every finding is under every hypothesis.

A finding names as many conditions as the person said. What it leaves open is marginalised: the events that
agree with it are taken together, each as often as a driver meets its condition.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from fieldassist.deduce.causes import DEGREES, Cause, causes_for
from fieldassist.deduce.events import Event, EventList, EventTable
from fieldassist.deduce.feel import add_road_events
from fieldassist.deduce.holding import Holding
from fieldassist.deduce.readings import add_readings
from fieldassist.deduce.states import Column, states_of
from fieldassist.deduce.unit import Unit

FALSE_REPORT = 0.003
"""Chance that something is noticed that is not there, per event."""
DETECTED = 0.9
"""Chance that what happens is noticed and reported."""

_SAID_FOR: Mapping[str, tuple[tuple[str, float], ...]] = {
    "slip": (("slip", 1.0), ("flare", 0.8), ("no_drive", 0.25), ("no_reverse", 0.25)),
    "flare": (("flare", 1.0), ("slip", 0.55), ("no_shift", 0.05)),
    "harsh": (("harsh", 1.0), ("bind", 0.15)),
    "late": (("late", 1.0), ("no_shift", 0.3)),
    "no_shift": (("no_shift", 1.0), ("late", 0.3)),
    "skip": (("skip", 1.0), ("no_shift", 0.15)),
    "no_drive": (("no_drive", 1.0), ("slip", 0.08)),
    "no_reverse": (("no_reverse", 1.0), ("slip", 0.08)),
    "delayed_engagement": (("delayed_engagement", 1.0), ("no_drive", 0.12), ("no_reverse", 0.12)),
    "bind": (("bind", 1.0), ("harsh", 0.06)),
    "shudder": (("shudder", 1.0), ("slip", 0.05)),
    "creep": (("creep", 1.0),),
    "sensitive_kickdown": (("sensitive_kickdown", 1.0), ("hunting", 0.2)),
    "hunting": (("hunting", 1.0), ("sensitive_kickdown", 0.15)),
    "poor_acceleration": (("poor_acceleration", 1.0), ("slip", 0.05)),
}
"""What people say -> what it may have been, with the chance that they would say it so (common practice, no
source). Kinds that are not here mean what they say."""

_OF_GEAR: tuple[str, ...] = (
    "slip", "no_drive", "no_reverse", "bind", "shudder", "wrong_gear_start", "poor_acceleration", "flare", "skip",
    "no_shift", "late", "early", "harsh", "soft", "hunting", "no_kickdown", "sensitive_kickdown",
    "delayed_engagement", "no_engine_braking", "creep", "noise",
)  # fmt: skip
"""What is denied when something is said to be normal."""
NORMAL_TRIES = 4.0
"""However wide a "normal" is, it counts as at most so many tries: nobody goes through all of them."""
_SIDE_RANGE = 0.15
"""How often a gear is tried in 3, 2 or 1, against D, when the range is not named."""


@dataclass(frozen=True)
class Condition:
    """The condition that a finding names; None where it says nothing."""

    range: str | None = None
    gear: str | None = None
    shift: str | None = None
    throttle: str | None = None
    temperature: str | None = None
    load: str | None = None
    where: str | None = None


_RELAX: tuple[str, ...] = ("load", "temperature", "throttle", "where", "range", "gear", "shift")
"""The order in which conditions are given up when nothing in the unit agrees with all of them."""


class Signature:
    """Probabilities of all events of one unit under every hypothesis (cause and degree, and the good unit)."""

    def __init__(self, unit: Unit) -> None:
        self.unit = unit
        self.causes: tuple[Cause, ...] = causes_for(unit)
        self.count = len(DEGREES) * len(self.causes) + 1
        events = EventList(self.count)
        holding = Holding(unit, states_of(unit, self.causes))
        add_road_events(unit, holding, events)
        add_readings(unit, holding, events)
        self.tables: dict[str, EventTable] = events.tables(FALSE_REPORT, DETECTED)
        self._said: dict[tuple[str, Condition, bool], npt.NDArray[np.float64]] = {}
        self._columns = {kind: _columns(table.events) for kind, table in self.tables.items()}
        # Ranges besides D and R repeat their gears: unless they are named, nobody tries every gear in each.
        self._usual = {
            kind: np.where(np.isin(c["range"], ("D", "R", "N", "")), 1.0, _SIDE_RANGE)
            for kind, c in self._columns.items()
        }

    def said_absent(self, kind: str, at: Condition, relax: bool = True) -> npt.NDArray[np.float64]:
        """Probability that nobody would report `kind` in a condition; shape (H,).

        `relax`: when nothing in the unit agrees with all that the condition names, as people misname things, take
        what agrees with most of it. 1 everywhere when nothing in the unit could be meant.
        """
        known = self._said.get((kind, at, relax))
        if known is None:
            known = self._said[kind, at, relax] = self._said_absent(kind, at, relax)
        return known

    def _said_absent(self, kind: str, at: Condition, relax: bool) -> npt.NDArray[np.float64]:
        log = np.zeros(self.count)
        for happened, credit in _SAID_FOR.get(kind, ((kind, 1.0),)):
            part = self._log_absent(happened, at, strict=happened != kind or not relax)
            if part is not None:
                log = log + (part if credit == 1.0 else np.log1p(-credit * -np.expm1(part)))
        absent = np.asarray(np.exp(log))
        absent.flags.writeable = False  # it is kept and shared
        return absent

    def normal(self, at: Condition) -> npt.NDArray[np.float64]:
        """Probability that everything in a condition is normal; shape (H,)."""
        log, tries = np.zeros(self.count), 0.0
        for kind in _OF_GEAR:
            rows = self._rows(kind, at, named=True)
            if rows is not None and rows.any():
                weight = self._weight(kind, at, rows)
                log = log + weight @ self.tables[kind].log_absent[rows]
                tries = max(tries, float(weight.sum()))
        return np.asarray(np.exp(log * min(1.0, NORMAL_TRIES / max(tries, 1.0))))

    def _log_absent(self, kind: str, at: Condition, strict: bool) -> Column | None:
        rows = self._rows(kind, at)
        if rows is None:
            return None
        if not rows.any():
            if strict:
                return None
            rows = self._relaxed(kind, at)
        return np.asarray(self._weight(kind, at, rows) @ self.tables[kind].log_absent[rows])

    def _weight(self, kind: str, at: Condition, rows: npt.NDArray[np.bool_]) -> Column:
        """How often each of the events was tried."""
        weight = self.tables[kind].weight[rows]
        if at.range is None:
            weight = weight * self._usual[kind][rows]
        # A condition that is singled out was tried once, however rarely a drive would meet it.
        return np.asarray(weight * max(1.0, 1.0 / float(weight.sum())))

    def _relaxed(self, kind: str, at: Condition) -> npt.NDArray[np.bool_]:
        names = dict(vars(at))
        for key in _RELAX:
            names[key] = None
            rows = self._rows(kind, Condition(**names))
            if rows is not None and rows.any():
                return rows
        return np.ones(len(self.tables[kind].events), dtype=bool)

    def _rows(self, kind: str, at: Condition, named: bool = False) -> npt.NDArray[np.bool_] | None:
        """Which events of a kind agree with a condition; `named`: an event must name what the condition names."""
        columns = self._columns.get(kind)
        if columns is None:
            return None
        size = len(self.tables[kind].events)
        rows = np.ones(size, dtype=bool)
        for key in ("throttle", "temperature", "load"):
            value = getattr(at, key)
            if value is not None:
                rows &= (columns[key] == value) | (columns[key] == "")
        if at.throttle == "closed" and at.load is None:
            rows &= columns["load"] != "drive"
        for key in ("range", "where"):
            value = getattr(at, key)
            if value is not None:
                rows &= (columns[key] == value) | ((columns[key] == "") & (not named))
        if at.shift is not None:
            new = at.shift.partition("-")[2]
            rows &= (columns["shift"] == at.shift) | (
                (columns["shift"] == "") & (columns["gear"] == new) & (not named)
            )
        if at.gear is not None:
            rows &= (
                (columns["gear"] == at.gear)
                | (columns["new"] == at.gear)
                | ((columns["gear"] == "") & (columns["shift"] == "") & (not named))
            )
        return rows


def _columns(events: tuple[Event, ...]) -> dict[str, npt.NDArray[np.str_]]:
    out = {
        key: np.array([getattr(e, key) or "" for e in events])
        for key in ("range", "gear", "shift", "throttle", "temperature", "load", "where")
    }
    out["new"] = np.array([(e.shift or "").partition("-")[2] for e in events])
    return out


@lru_cache(maxsize=16)
def signature_of(unit: Unit) -> Signature:
    """Build the signature of a unit, once."""
    return Signature(unit)

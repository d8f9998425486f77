"""Events: the single things that could be noticed or read, each with its condition and its probability."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fieldassist.deduce.states import Column

TRIED: dict[str | None, float] = {"closed": 1.0, "light": 1.0, "medium": 1.0, "full": 0.6, None: 1.0}
"""How often a driver tries each throttle opening, relative to light throttle (common practice, no source)."""
HOT_SHARE = 0.75
"""Share of what a driver notices that is noticed hot (common practice, no source)."""


_SEEN: dict[str, float] = {"fluid_condition": 0.1, "fluid_level": 0.5, "linkage": 0.5}
"""False reports of what is looked at standing still, against what is felt on the move (common practice,
no source)."""


@dataclass(frozen=True)
class Event:
    """Something that could be noticed, in one condition. None: the condition does not matter."""

    kind: str
    """A finding kind; measured kinds carry what is read: `stall_speed:low`, `pressure:high`."""
    range: str | None = None
    gear: str | None = None
    shift: str | None = None
    throttle: str | None = None
    temperature: str | None = None
    load: str | None = None
    where: str | None = None

    @property
    def weight(self) -> float:
        """How often the condition is met on a drive that does not single it out."""
        share = {"hot": HOT_SHARE, "cold": 1.0 - HOT_SHARE, None: 1.0}[self.temperature]
        return TRIED[self.throttle] * share


@dataclass(frozen=True, eq=False)
class EventTable:
    """All events of one kind."""

    events: tuple[Event, ...]
    log_absent: npt.NDArray[np.float64]
    """Natural log of the probability that the event is not noticed, shape (events, H)."""
    weight: npt.NDArray[np.float64]
    """`Event.weight`, shape (events,)."""


class EventList:
    """Collects events while the signature is being built."""

    def __init__(self, count: int) -> None:
        self.count = count
        self._rows: dict[str, list[tuple[Event, Column]]] = {}

    def add(self, event: Event, *parts: Column | float) -> None:
        """Add an event that happens when any of the parts does (independently)."""
        absent = np.ones(self.count)
        for part in parts:
            absent = absent * (1.0 - np.clip(part, 0.0, 1.0))
        self._rows.setdefault(event.kind, []).append((event, 1.0 - absent))

    def tables(self, floor: float, detected: float) -> dict[str, EventTable]:
        """Turn what happens into what is reported: `floor` is the chance of a false report, `detected` the
        chance that what happens is noticed."""
        return {kind: _table(kind, rows, floor, detected) for kind, rows in self._rows.items()}


def _table(kind: str, rows: Sequence[tuple[Event, Column]], floor: float, detected: float) -> EventTable:
    floor = floor * _SEEN.get(kind, 1.0)
    happens = np.array([p for _, p in rows])
    events = tuple(event for event, _ in rows)
    return EventTable(
        events, np.log1p(-(floor + (detected - floor) * happens)), np.array([e.weight for e in events])
    )


def likely(x: Column | float, threshold: float, width: float) -> Column:
    """Smooth step from 0 to 1 as `x` passes `threshold`; `width` is the logistic scale (negative: falling)."""
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip((np.asarray(x) - threshold) / width, -40.0, 40.0))))


def either(*parts: Column | float) -> Column:
    """Probability that at least one of independent things happens."""
    absent: Column | float = 1.0
    for part in parts:
        absent = absent * (1.0 - np.clip(part, 0.0, 1.0))
    return np.asarray(1.0 - absent)

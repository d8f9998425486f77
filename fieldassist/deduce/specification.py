"""What the unit's maker specifies: shift speeds, stall speed, engagement times, pressures per tap."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from fieldassist.deduce.roadspeed import KM_PER_MILE, parse_tyre
from fieldassist.deduce.tomlfile import Table
from fieldassist.errors import UserError
from fieldassist.finding import GEARS, RANGES, THROTTLES

KPA_PER_PSI = 6.894757293168
"""1 psi = 4.4482216152605 N / 6.4516 cm2, both factors exact by definition."""
Band = tuple[float, float]
"""Lowest and highest allowed value."""


@dataclass(frozen=True)
class Reading:
    """One line of a pressure specification."""

    ranges: tuple[str, ...]
    """Selector ranges in which it holds."""
    gear: str | None
    throttle: str | None
    rpm: float | None
    """Engine speed at which it holds, rpm."""
    speed: float | None
    """Road speed at which it holds, mph."""
    band: Band
    """psi."""


@dataclass(frozen=True)
class Tap:
    """A pressure tap on the case."""

    id: str
    name: str
    reads: str
    """`line`, `governor`, `throttle` (the throttle valve's signal) or `elements` (the apply circuits of the
    elements that name this tap)."""
    readings: tuple[Reading, ...] = ()
    below_line: float | None = None
    """psi that a sound apply circuit may stand below line pressure."""


@dataclass(frozen=True)
class Specification:
    """Figures of one vehicle. `demo` marks invented ones."""

    demo: bool
    """Invented figures that only show the format: a technician replaces them with the vehicle maker's."""
    source: str
    """Where the figures come from."""
    tyre: str
    """Tyre size with which the shift speeds hold."""
    axle_ratio: float
    """Final drive ratio with which the shift speeds hold."""
    idle_rpm: Band | None
    stall_rpm: Band | None
    engagement_s: Mapping[str, float]
    """Range -> longest time from N until it pulls, seconds, hot and at idle."""
    shifts: Mapping[tuple[str, str], Band]
    """(shift, throttle) -> road speed, mph."""


def read_specification(table: Table, shifts: frozenset[str], ranges: tuple[str, ...]) -> Specification:
    """Read `[specification]`; speeds and pressures become mph and psi. Raises DataFileError."""
    factor = {"mph": 1.0, "km/h": 1.0 / KM_PER_MILE}[table.text("speed_unit", "mph", choices=("mph", "km/h"))]
    tyre = table.text("tyre")
    try:
        parse_tyre(tyre)
    except UserError as error:
        raise table.error("tyre", str(error)) from error
    bands: dict[tuple[str, str], Band] = {}
    for shift, row in table.table("shifts", required=False).tables():
        if shift not in shifts:
            raise row.error(None, f"shift {shift!r} is not one of {', '.join(sorted(shifts))}")
        for throttle in row.data:
            if throttle not in THROTTLES:
                raise row.error(throttle, f"throttle {throttle!r} is not one of {', '.join(THROTTLES)}")
            low, high = row.band(throttle, 0.0, 400.0)
            bands[shift, throttle] = (low * factor, high * factor)
    times = table.table("engagement_s", required=False)
    for name in times.data:
        if name not in ranges:
            raise times.error(name, f"range {name!r} is not one of {', '.join(ranges)}")
    out = Specification(
        demo=table.flag("demo", False),
        source=table.text("source"),
        tyre=tyre,
        axle_ratio=table.number("axle_ratio", low=0.5, high=20.0),
        idle_rpm=table.band("idle_rpm", 200, 2000) if "idle_rpm" in table else None,
        stall_rpm=table.band("stall_rpm", 500, 6000) if "stall_rpm" in table else None,
        engagement_s={name: times.number(name, low=0.0, high=10.0) for name in times.data},
        shifts=bands,
    )
    table.close()
    return out


def read_taps(table: Table, element_taps: Mapping[str, str]) -> dict[str, Tap]:
    """Read `[taps]`. `element_taps`: element -> tap. Raises DataFileError, also for a tap that reads nothing."""
    taps: dict[str, Tap] = {}
    for name, row in table.tables():
        reads = row.text("reads", "elements", choices=("line", "governor", "throttle", "elements"))
        if reads == "elements" and name not in element_taps.values():
            raise row.error(None, f"tap {name!r} reads elements, but no element says tap = {name!r}")
        factor = {"psi": 1.0, "kPa": 1.0 / KPA_PER_PSI}[row.text("unit", "psi", choices=("psi", "kPa"))]
        below = row.number("below_line", None, low=0.0, high=5000.0)
        readings = tuple(_reading(item, factor) for item in row.array("readings"))
        taps[name] = Tap(
            name, row.text("name", name.replace("_", " ") + " pressure"), reads, readings,
            None if below is None else below * factor,
        )  # fmt: skip
        row.close()
    return taps


def _reading(row: Table, factor: float) -> Reading:
    low, high = row.band("band", 0.0, 5000.0)
    out = Reading(
        ranges=row.texts("ranges", choices=RANGES),
        gear=row.text("gear", None, choices=GEARS),
        throttle=row.text("throttle", None, choices=THROTTLES),
        rpm=row.number("rpm", None, low=0, high=10_000),
        speed=row.number("mph", None, low=0, high=300),
        band=(low * factor, high * factor),
    )
    row.close()
    return out

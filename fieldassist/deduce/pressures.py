"""Pressure readings per tap against specification and against each other.

Five patterns are told apart: low everywhere, low only where one element is fed, falls on one shift, falls slowly,
and high. Which elements are fed in a range and gear comes from the application chart, so "low in all forward
ranges, right in P R N" names the forward clutch by itself. (Trade technical bulletin 078 on the pressure gauge,
November 1991, and shop-manual pressure tests describe these patterns; the chart does the rest.)
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from fieldassist.deduce.specification import KPA_PER_PSI, Band, Reading
from fieldassist.deduce.unit import Unit
from fieldassist.errors import UserError
from fieldassist.finding import Finding

GAUGE_ERROR = 2.0
"""psi, what a needle and its reader may be off."""
SLOW_FALL = 5.0
"""psi by which a reading has to sink, held in one condition, to count as falling slowly."""


@dataclass(frozen=True)
class GaugeReading:
    """One pressure read off a gauge, with the condition that it was read in."""

    tap: str
    psi: float
    range: str
    gear: str | None = None
    throttle: str | None = None
    rpm: float | None = None
    speed: float | None = None
    """mph, for the governor tap."""
    minutes: float | None = None
    """Minutes since the condition was set, for readings repeated in it."""


def gauge_reading(finding: Finding) -> GaugeReading | None:
    """A pressure finding as a gauge reading; None when it is no pressure or lacks tap, value or range."""
    if finding.kind != "pressure" or not finding.present:
        return None
    if finding.where is None or finding.value is None or finding.range is None:
        return None
    psi = finding.value / (KPA_PER_PSI if finding.unit == "kPa" else 1.0)
    gear = finding.gear if finding.shift is None else finding.shift.partition("-")[2]
    return GaugeReading(finding.where, psi, finding.range, gear, finding.throttle)


@dataclass(frozen=True)
class Comparison:
    """One reading against specification."""

    reading: GaugeReading
    band: Band | None
    """Specified psi; None when the unit file has none for that condition."""
    state: str
    """`low`, `normal`, `high` or `unknown`."""
    off: float
    """psi outside the band, negative below."""


@dataclass(frozen=True)
class Pattern:
    """What a set of readings shows."""

    comparisons: tuple[Comparison, ...]
    low_everywhere: bool
    """Every reading of line pressure or of an apply circuit is low: pump, regulator, filter, fluid."""
    low_at_idle_only: bool
    """Low at idle, right with engine speed: pump or relief valve."""
    high_everywhere: bool
    """Every one is high: regulator, throttle signal."""
    low_where_fed: tuple[str, ...]
    """Elements whose circuit leaks: the line is low wherever they are fed and right elsewhere, or their own tap is
    low while the line is not."""
    falls_on: tuple[str, ...]
    """Shifts on which pressure falls out of the specification: the element that comes on leaks."""
    falls_slowly: bool
    """Pressure sinks while the condition is held: a restricted filter."""
    below_line: tuple[str, ...]
    """Taps that stand further below line pressure in the same condition than allowed."""
    governor: str
    """`low`, `normal`, `high`, `high_at_rest` (does not fall to zero at standstill) or `unknown`."""


def compare(unit: Unit, reading: GaugeReading) -> Comparison:
    """Compare one reading with the specification of its tap. Raises UserError for an unknown tap."""
    if reading.tap not in unit.taps:
        raise UserError(f"{unit.name}: no tap {reading.tap!r}; it has {', '.join(unit.taps) or 'none'}")
    band = _specified(unit.taps[reading.tap].readings, reading)
    if band is None:
        return Comparison(reading, None, "unknown", 0.0)
    low, high = band[0] - GAUGE_ERROR, band[1] + GAUGE_ERROR
    state = "low" if reading.psi < low else "high" if reading.psi > high else "normal"
    off = min(reading.psi - band[0], 0.0) + max(reading.psi - band[1], 0.0)
    return Comparison(reading, band, state, off if state != "normal" else 0.0)


def fed_elements(unit: Unit, range: str, gear: str | None) -> frozenset[str]:
    """Friction elements under pressure in a range: those of the gear, or of every gear of the range alike when
    none is given. Raises UserError when the range does not give the gear."""
    gears = unit.ranges.get(range, ()) if gear is None else (gear,)
    if not gears:
        raise UserError(f"{unit.name}: no range {range!r}; it has {', '.join(unit.ranges)}")
    fed = [unit.applied(range, g) for g in gears]
    return frozenset.intersection(*fed) & frozenset(unit.friction)


def find_pattern(unit: Unit, readings: Sequence[GaugeReading]) -> Pattern:
    """Compare readings with specification and with each other. Raises UserError for an unknown tap or gear."""
    compared = tuple(compare(unit, reading) for reading in readings)
    apply = [c for c in compared if unit.taps[c.reading.tap].reads in ("line", "elements")]
    judged = [c for c in apply if c.state != "unknown"]
    low, good = [c for c in judged if c.state == "low"], [c for c in judged if c.state != "low"]
    everywhere = len(judged) > 1 and not good and _distinct(judged) > 1
    return Pattern(
        comparisons=compared,
        low_everywhere=everywhere,
        low_at_idle_only=_low_at_idle_only(judged),
        high_everywhere=len(judged) > 1 and all(c.state == "high" for c in judged),
        low_where_fed=_low_where_fed(unit, low, good),
        falls_on=_falls_on(unit, apply),
        falls_slowly=_falls_slowly(apply),
        below_line=_below_line(unit, apply),
        governor=_governor([c for c in compared if unit.taps[c.reading.tap].reads == "governor"]),
    )


def _specified(lines: Iterable[Reading], reading: GaugeReading) -> Band | None:
    """The specification line that holds in the reading's condition, nearest in engine or road speed."""
    best: tuple[float, Band] | None = None
    for line in lines:
        if reading.range not in line.ranges:
            continue
        if line.gear is not None and line.gear != reading.gear:
            continue
        if line.throttle is not None and reading.throttle is not None and line.throttle != reading.throttle:
            continue
        distance = 0.0
        if line.rpm is not None and reading.rpm is not None:
            distance += abs(line.rpm - reading.rpm) / 200.0
        if line.speed is not None:
            if reading.speed is None:
                continue
            distance += abs(line.speed - reading.speed) / 3.0
        distance += 0.5 * (line.throttle is not None and reading.throttle is None)
        if distance <= 1.0 and (best is None or distance < best[0]):
            best = (distance, line.band)
    return best[1] if best is not None else None


def _condition(c: Comparison) -> tuple[str, str | None, str | None, float | None]:
    return c.reading.range, c.reading.gear, c.reading.throttle, c.reading.rpm


def _distinct(compared: Iterable[Comparison]) -> int:
    return len({(c.reading.tap, *_condition(c)) for c in compared})


def _low_at_idle_only(judged: Sequence[Comparison]) -> bool:
    idle = [c for c in judged if c.reading.rpm is not None and c.reading.rpm <= 1000]
    faster = [c for c in judged if c.reading.rpm is not None and c.reading.rpm > 1000]
    return bool(idle) and bool(faster) and all(c.state == "low" for c in idle) and all(
        c.state != "low" for c in faster
    )


def _low_where_fed(unit: Unit, low: Sequence[Comparison], good: Sequence[Comparison]) -> tuple[str, ...]:
    """From the line tap: fed in every low reading and in no good one. From an element's own tap: low there
    although the line is not low in the same condition."""
    if not low or not good:
        return ()
    line_low, own_low = _split(unit, low)
    line_good, own_good = _split(unit, good)
    found = frozenset[str]()
    if line_low:
        found = frozenset.intersection(*(_seen(unit, c) for c in line_low))
        found -= frozenset().union(*(_seen(unit, c) for c in (*line_good, *own_good)))
    starved = {_condition(c) for c in line_low}
    for c in own_low:
        if _condition(c) not in starved:
            found |= _seen(unit, c)
    return tuple(e for e in unit.friction if e in found)


def _split(unit: Unit, compared: Iterable[Comparison]) -> tuple[list[Comparison], list[Comparison]]:
    """Readings of line taps, and readings of elements' own taps."""
    line: list[Comparison] = []
    own: list[Comparison] = []
    for c in compared:
        (line if unit.taps[c.reading.tap].reads == "line" else own).append(c)
    return line, own


def _seen(unit: Unit, c: Comparison) -> frozenset[str]:
    """Elements whose circuit this reading sees: all that are fed for the line tap, its own for the others."""
    fed = fed_elements(unit, c.reading.range, c.reading.gear)
    if unit.taps[c.reading.tap].reads == "line":
        return fed
    return fed & frozenset(unit.tap_elements(c.reading.tap))


def _falls_on(unit: Unit, apply: Sequence[Comparison]) -> tuple[str, ...]:
    """Shifts between two readings of the line tap in one range where only the second is low."""
    out = []
    by_gear: dict[tuple[str, str, str], Comparison] = {}
    for c in apply:
        if c.reading.gear is not None and unit.taps[c.reading.tap].reads == "line":
            by_gear[c.reading.range, c.reading.throttle or "", c.reading.gear] = c
    for (range, throttle, gear), before in by_gear.items():
        for shift in unit.shifts:
            old, _, new = shift.id.partition("-")
            after = by_gear.get((range, throttle, new)) if old == gear else None
            if after is None or not shift.on:
                continue
            fell = before.reading.psi - after.reading.psi > 2 * GAUGE_ERROR
            if fell and after.state != "normal" and before.state != "low":
                out.append(shift.id)
    return tuple(dict.fromkeys(out))


def _falls_slowly(apply: Sequence[Comparison]) -> bool:
    held: dict[tuple[object, ...], list[GaugeReading]] = {}
    for c in apply:
        if c.reading.minutes is not None:
            held.setdefault((c.reading.tap, *_condition(c)), []).append(c.reading)
    for readings in held.values():
        ordered = sorted(readings, key=lambda r: r.minutes or 0.0)
        steps = [b.psi - a.psi for a, b in pairwise(ordered)]
        if steps and max(steps) <= GAUGE_ERROR and ordered[0].psi - ordered[-1].psi >= SLOW_FALL:
            return True
    return False


def _below_line(unit: Unit, apply: Sequence[Comparison]) -> tuple[str, ...]:
    lines: Mapping[object, float] = {
        _condition(c): c.reading.psi for c in apply if unit.taps[c.reading.tap].reads == "line"
    }
    out = []
    for c in apply:
        allowed = unit.taps[c.reading.tap].below_line
        line = lines.get(_condition(c))
        if allowed is None or line is None or not _seen(unit, c):
            continue
        if line - c.reading.psi > allowed + GAUGE_ERROR:
            out.append(c.reading.tap)
    return tuple(dict.fromkeys(out))


def _governor(compared: Sequence[Comparison]) -> str:
    if any(c.state == "high" and c.reading.speed == 0 for c in compared):
        return "high_at_rest"
    states = {c.state for c in compared if c.state != "unknown"}
    moving = states - {"normal"}
    return moving.pop() if len(moving) == 1 else "normal" if states == {"normal"} else "unknown"

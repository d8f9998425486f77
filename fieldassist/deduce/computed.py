"""What follows from the numbers alone: shift schedule, pressures, gear and slip, in plain words."""

from __future__ import annotations

from collections.abc import Sequence

from fieldassist.deduce.context import Context, mph
from fieldassist.deduce.pressures import GaugeReading, Pattern, find_pattern, gauge_reading
from fieldassist.deduce.reading import road_speed_in, tap_in
from fieldassist.deduce.roadspeed import engaged_gear, parse_tyre
from fieldassist.deduce.schedule import fit_signals, is_limit, measured_shift, schedule_of
from fieldassist.deduce.unit import Unit
from fieldassist.finding import UNCLEAR, Finding


def computed(unit: Unit, findings: Sequence[Finding], context: Context) -> tuple[str, ...]:
    """One sentence for each thing that the numbers say; empty without numbers or without a specification."""
    findings = [finding for finding in findings if finding.confidence >= UNCLEAR]
    return (*_shift_speeds(unit, findings, context), *_pressures(unit, findings), *_gears(unit, findings, context))


def _shift_speeds(unit: Unit, findings: Sequence[Finding], context: Context) -> list[str]:
    specification = unit.specification
    measured = [m for m in (measured_shift(f) for f in findings) if m is not None]
    if specification is None or not measured:
        return []
    schedule = schedule_of(specification, context.tyre, context.axle_ratio)
    known = [m for m in measured if is_limit(schedule, m)]
    out = []
    for m in known:
        low, high = schedule.bands[m.shift, m.throttle]
        if not low <= m.speed <= high:
            word = "early" if m.speed < low else "late"
            band = f"specified {low:.0f} to {high:.0f}"
            out.append(f"{m.shift} at {m.throttle} throttle came at {m.speed:.0f} mph, {word}: {band}")
    if len({m.throttle for m in known}) >= 2:
        fit = fit_signals(schedule, known)
        signs = {
            "sound": "the shift speeds fit sound signals",
            "throttle": f"the shift speeds fit a throttle signal off by {fit.offset:+.0%}, governor sound",
            "governor": f"the shift speeds fit a governor signal of {fit.gain:.0%}, throttle signal sound",
            "both": f"the shift speeds fit throttle signal {fit.offset:+.0%} and governor signal {fit.gain:.0%}",
            "unclear": "the shift speeds do not tell throttle signal from governor: try another throttle opening",
        }
        out.append(signs[fit.verdict])
    if out and specification.demo:
        out.append(
            "the specification used is invented for demonstration: put the vehicle maker's figures in its place"
        )
    return out


def _pressures(unit: Unit, findings: Sequence[Finding]) -> list[str]:
    readings: list[GaugeReading] = []
    for finding in findings:
        tap = tap_in(unit, finding)
        if finding.kind == "pressure" and tap is not None:
            reading = gauge_reading(
                Finding("pressure", range=finding.range, gear=finding.gear, shift=finding.shift, where=tap,
                        throttle=finding.throttle, value=finding.value, unit=finding.unit, present=finding.present)
            )  # fmt: skip
            if reading is not None and reading.range in unit.ranges:
                readings.append(reading)
    if not readings:
        return []
    pattern = find_pattern(unit, [r for r in readings if r.gear is None or r.gear in unit.ranges[r.range]])
    return _pattern_words(unit, pattern)


def _pattern_words(unit: Unit, pattern: Pattern) -> list[str]:
    names = {element.id: element.name for element in unit.elements.values()}
    out = []
    if pattern.low_everywhere:
        out.append("pressure is low everywhere: pump, regulator, filter or fluid")
    if pattern.low_at_idle_only:
        out.append("pressure is low at idle only: pump or relief valve")
    if pattern.high_everywhere:
        out.append("pressure is high everywhere: regulator or throttle signal")
    if pattern.low_where_fed:
        fed = " or ".join(names[element] for element in pattern.low_where_fed)
        out.append(f"pressure is low only where the {fed} is fed: a leak in that circuit")
    out += [f"pressure falls on the {shift} shift: the element that comes on leaks" for shift in pattern.falls_on]
    if pattern.falls_slowly:
        out.append("pressure sinks while it is held: a restricted filter")
    out += [f"the {unit.taps[tap].name} stands too far below line pressure" for tap in pattern.below_line]
    if pattern.governor not in ("normal", "unknown"):
        out.append(f"governor pressure is {pattern.governor.replace('_', ' ')}")
    return out


def _gears(unit: Unit, findings: Sequence[Finding], context: Context) -> list[str]:
    specification = unit.specification
    tyre = context.tyre or (specification.tyre if specification else None)
    axle = context.axle_ratio or (specification.axle_ratio if specification else None)
    out = []
    for finding in findings:
        speed = road_speed_in(finding)
        if (
            finding.kind != "engine_speed"
            or finding.value is None
            or speed is None
            or tyre is None
            or axle is None
        ):
            continue
        ratios = {gear: ratio for gear, ratio in unit.ratios.items() if gear != "R"}
        found = engaged_gear(finding.value, mph(*speed), ratios, axle, parse_tyre(tyre))
        said = f"{finding.value:.0f} rpm at {speed[0]:g} {speed[1]}"
        if found is None:
            out.append(f"{said} fits no gear: something slips, or a reading is wrong")
        elif finding.gear is not None and found.gear != finding.gear:
            out.append(f"{said} is gear {found.gear} ({found.slip:.0%} slip), not {finding.gear}")
        else:
            out.append(f"{said} is gear {found.gear} with {found.slip:.0%} slip")
    return out

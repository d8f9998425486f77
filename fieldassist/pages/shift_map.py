"""Shift speeds as observed, against the specification band over throttle."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fieldassist.deduce.schedule import OPENING, MeasuredShift, Schedule, measured_shift, schedule_of
from fieldassist.deduce.unit import Unit
from fieldassist.errors import UserError
from fieldassist.finding import Finding
from fieldassist.pages.svg import GREY, INK, PALE, SETTINGS, WIDE, inline

MARKERS = ("o", "s", "^", "D", "v", "P", "X")
"""One shape per shift, so that print and colour-blind eyes lose nothing."""
HATCHES = ("", "///", "...", "\\\\\\", "xx", "--", "++")


@dataclass(frozen=True)
class ShiftMap:
    """Observed shift speeds and what they are held against."""

    measured: tuple[MeasuredShift, ...]
    earlier: tuple[MeasuredShift, ...]
    """Of an earlier drive, for comparison; empty otherwise."""
    schedule: Schedule | None
    """Specification corrected for tyre and axle; None when the unit file has none."""
    note: str
    """Where the band comes from and how it was corrected."""


def shift_map(
    unit: Unit,
    findings: Sequence[Finding],
    tyre: str | None,
    axle: float | None,
    earlier: Sequence[Finding] = (),
) -> ShiftMap | None:
    """Return the shift map of a drive, or None when no shift speed with its throttle was noted."""
    measured = tuple(m for m in map(measured_shift, findings) if m is not None)
    before = tuple(m for m in map(measured_shift, earlier) if m is not None)
    if not measured and not before:
        return None
    specification = unit.specification
    if specification is None:
        return ShiftMap(measured, before, None, "The unit file gives no shift speeds to compare with.")
    try:
        schedule = schedule_of(specification, tyre, axle)
    except UserError as error:
        return ShiftMap(measured, before, None, f"No band: {error}.")
    note = f"Band: {specification.source}."
    if specification.demo:
        note = f"Band from EXAMPLE figures, not from a vehicle maker ({specification.source})."
    note += f" Given for tyre {specification.tyre} and axle {specification.axle_ratio:g}"
    if tyre or axle:
        note += f"; moved to tyre {tyre or specification.tyre} and axle {axle or specification.axle_ratio:g}."
    else:
        note += "; this vehicle's tyre and axle were not recorded, so the band was not moved."
    return ShiftMap(measured, before, schedule, note)


def shift_map_picture(drawn: ShiftMap, name: str, width: float = WIDE) -> str:
    """Draw the map: throttle across, road speed up, one band and one marker shape per shift; `width` in inches."""
    shifts = _shifts(drawn)
    sides = [side for side in (_up(shifts), _down(shifts)) if side]
    with mpl.rc_context(SETTINGS):
        figure = Figure(figsize=(width, 3.9 * len(sides)), layout="constrained")
        told = []
        for axes, side in zip(figure.subplots(len(sides), squeeze=False)[:, 0], sides, strict=True):
            told.extend(_draw(axes, drawn, side))
        return inline(figure, name, "Shift speeds over throttle", " ".join(told))


def state_of(schedule: Schedule | None, m: MeasuredShift) -> str:
    """Return `in the band`, `6 mph early`, `3 mph late` or `no band`."""
    band = schedule.bands.get((m.shift, m.throttle)) if schedule is not None else None
    if band is None:
        return "no band"
    if m.speed < band[0]:
        return f"{band[0] - m.speed:.0f} mph early" if band[0] - m.speed >= 0.5 else "in the band"
    if m.speed > band[1]:
        return f"{m.speed - band[1]:.0f} mph late" if m.speed - band[1] >= 0.5 else "in the band"
    return "in the band"


def _draw(axes: Axes, drawn: ShiftMap, shifts: Sequence[str]) -> list[str]:
    told = []
    top = _top(drawn, shifts)
    aside = 0.035 if drawn.measured else 0.0
    for number, shift in enumerate(shifts):
        _band(axes, drawn.schedule, shift, HATCHES[number % len(HATCHES)])
        marker = MARKERS[number % len(MARKERS)]
        for m in drawn.earlier:
            if m.shift == shift:
                _point(axes, m.speed, top, OPENING[m.throttle] - aside, marker, "before ")
                told.append(f"Before: {shift} at {m.speed:.0f} mph, {m.throttle} throttle.")
        for m in drawn.measured:
            if m.shift == shift:
                _point(axes, m.speed, top, OPENING[m.throttle], marker, "after " if drawn.earlier else "")
                said = state_of(drawn.schedule, m)
                told.append(f"{shift} at {m.speed:.0f} mph, {m.throttle} throttle: {said}.")
        if any(m.shift == shift for m in (*drawn.measured, *drawn.earlier)):
            axes.plot([], [], marker=marker, linestyle="", color=INK, label=f"{shift} shift")
    axes.set_xlim(-0.08, 1.36)
    axes.set_ylim(0, top)
    axes.set_xticks(list(OPENING.values()), list(OPENING))
    axes.set_xlabel("throttle")
    axes.set_ylabel("road speed, mph")
    axes.legend(loc="upper left", frameon=False)
    axes.grid(axis="y", color=PALE, linewidth=0.6)
    axes.set_axisbelow(True)
    return told


def _top(drawn: ShiftMap, shifts: Sequence[str]) -> float:
    """Top of the scale, mph: at most half as much again as the highest band, whatever was misheard."""
    bands = drawn.schedule.bands if drawn.schedule is not None else {}
    highs = [band[1] for (shift, _), band in bands.items() if shift in shifts]
    speeds = [m.speed for m in (*drawn.measured, *drawn.earlier) if m.shift in shifts]
    if not highs:
        return 1.1 * max(speeds)
    return min(max(1.08 * max(highs), *(1.1 * speed for speed in speeds)), 1.5 * max(highs))


def _band(axes: Axes, schedule: Schedule | None, shift: str, hatch: str) -> None:
    points = (
        sorted((OPENING[t], band) for (s, t), band in schedule.bands.items() if s == shift) if schedule else []
    )
    if not points:
        return
    x, lows, highs = [p[0] for p in points], [p[1][0] for p in points], [p[1][1] for p in points]
    if len(points) == 1:
        axes.errorbar(
            x, [0.5 * (lows[0] + highs[0])], yerr=0.5 * (highs[0] - lows[0]), color=GREY, capsize=8, linewidth=6
        )
    else:
        axes.fill_between(x, lows, highs, facecolor="#eeeeee", edgecolor=GREY, hatch=hatch, linewidth=0.8)
    axes.text(max(x[-1] + 0.02, 1.12), 0.5 * (lows[-1] + highs[-1]), f"{shift} band", va="center", fontsize=10)


def _point(axes: Axes, speed: float, top: float, x: float, marker: str, word: str) -> None:
    """Draw one reading, hollow for an earlier drive; one that is off the scale stands at its edge and says so."""
    earlier = word.startswith("before")
    off = speed > top
    axes.plot([x], [min(speed, 0.96 * top)], marker="^" if off else marker, markersize=10,
              markerfacecolor="white" if earlier else INK, markeredgecolor=INK, markeredgewidth=1.6,
              linestyle="")  # fmt: skip
    axes.annotate(f"{word}{speed:.0f}{', off the scale' if off else ''}", (x, min(speed, 0.96 * top)),
                  xytext=(-9 if earlier else 9, 0), textcoords="offset points", va="center",
                  ha="right" if earlier else "left", fontsize=11, fontweight="bold",
                  bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0})  # fmt: skip


def _shifts(drawn: ShiftMap) -> tuple[str, ...]:
    seen = {m.shift for m in (*drawn.measured, *drawn.earlier)}
    known = drawn.schedule.shifts() if drawn.schedule is not None else ()
    return (*(s for s in known if s in seen or _is_up(s)), *sorted(seen - set(known)))


def _is_up(shift: str) -> bool:
    low, _, high = shift.partition("-")
    return low < high


def _up(shifts: Sequence[str]) -> list[str]:
    return [shift for shift in shifts if _is_up(shift)]


def _down(shifts: Sequence[str]) -> list[str]:
    return [shift for shift in shifts if not _is_up(shift)]

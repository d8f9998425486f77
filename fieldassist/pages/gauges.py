"""Pressure readings against specification, drawn."""

from __future__ import annotations

from collections.abc import Sequence

import matplotlib as mpl
from matplotlib.figure import Figure

from fieldassist.deduce.pressures import Comparison, Pattern, find_pattern, gauge_reading
from fieldassist.deduce.unit import Unit
from fieldassist.errors import UserError
from fieldassist.finding import Finding
from fieldassist.pages.svg import GREY, INK, NARROW, SETTINGS, WIDE, inline


def pressure_pattern(unit: Unit, findings: Sequence[Finding]) -> Pattern | None:
    """Compare the pressure findings with the specification; None without one that can be compared."""
    readings = [reading for reading in map(gauge_reading, findings) if reading is not None]
    usable = []
    for reading in readings:
        try:
            find_pattern(unit, [reading])
        except UserError:
            continue  # a tap or gear that this unit lacks stays in the evidence table
        usable.append(reading)
    return find_pattern(unit, usable) if usable else None


def pressure_picture(unit: Unit, pattern: Pattern, name: str, width: float = WIDE) -> str:
    """Draw every reading as a marker over its specified band, and what it comes to in words; `width` in inches."""
    lines = pattern.comparisons
    with mpl.rc_context(SETTINGS):
        narrow = width == NARROW
        figure = Figure(figsize=(width, 1.1 + (1.05 if narrow else 0.62) * len(lines)), layout="constrained")
        axes = figure.add_subplot()
        for place, line in enumerate(lines):
            if line.band is not None:
                low, high = line.band
                axes.barh(-place, high - low, left=low, height=0.35, color="#e4e4e4", edgecolor=GREY, hatch="//")
            sound = line.state in ("normal", "unknown")
            axes.plot([line.reading.psi], [-place], marker="o" if sound else "X", markersize=11, color=INK)
            at = axes.get_yaxis_transform()
            if narrow:
                text = f"{_condition(unit, line)}\n{says(line)}"
                axes.text(0.0, -place + 0.22, text, va="bottom", transform=at)
            else:
                axes.text(1.02, -place, says(line), va="center", transform=at)
        names = [] if narrow else [_condition(unit, line) for line in lines]
        axes.set_yticks([-place for place in range(len(names))], names)
        axes.set_ylim(-len(lines) + 0.6, 0.85 if narrow else 0.6)
        axes.set_xlim(left=0)
        axes.set_xlabel("pressure, psi (hatched: specified)")
        axes.tick_params(axis="y", length=0)
        told = "; ".join(f"{_condition(unit, line).replace(chr(10), ', ')}: {says(line)}" for line in lines)
        return inline(figure, name, "Pressures against specification", told + ".")


def says(line: Comparison) -> str:
    """Return a comparison in words: `48 psi, 7 low`."""
    text = f"{line.reading.psi:.0f} psi"
    if line.band is None:
        return f"{text}, no specification"
    if line.state == "normal":
        return f"{text}, as specified"
    return f"{text}, {abs(line.off):.0f} too {line.state}"


def pattern_words(unit: Unit, pattern: Pattern) -> str:
    """Return what the readings show together, in one or two sentences; empty when nothing stands out."""
    names = {element.id: element.name for element in unit.elements.values()}
    out = []
    if pattern.low_everywhere:
        out.append("Low everywhere: pump, regulator, filter or fluid.")
    if pattern.low_at_idle_only:
        out.append("Low at idle only: pump or relief valve.")
    if pattern.high_everywhere:
        out.append("High everywhere: regulator or throttle signal.")
    if pattern.low_where_fed:
        out.append(f"Low only where {' or '.join(names[e] for e in pattern.low_where_fed)} is fed: a leak there.")
    if pattern.falls_on:
        out.append(f"Falls on the {' and '.join(pattern.falls_on)} shift: the element that comes on leaks.")
    if pattern.falls_slowly:
        out.append("Sinks while held: restricted filter.")
    if pattern.below_line:
        taps = " and ".join(unit.taps[tap].name for tap in pattern.below_line)
        out.append(f"Too far below line pressure: {taps}.")
    if pattern.governor not in ("normal", "unknown"):
        out.append(f"Governor pressure {pattern.governor.replace('_', ' ')}.")
    return " ".join(out)


def _condition(unit: Unit, line: Comparison) -> str:
    reading = line.reading
    parts = [f"range {reading.range}"]
    if reading.gear:
        parts.append(f"gear {reading.gear}")
    if reading.throttle:
        parts.append(f"{reading.throttle} throttle")
    return f"{unit.taps[reading.tap].name}\n{', '.join(parts)}"

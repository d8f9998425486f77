"""Tyre, axle, engine speed and road speed: which gear is engaged, how much it slips, corrected shift speeds."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

from fieldassist.errors import UserError

KM_PER_MILE = 1.609344
"""Exact by definition of the international mile."""
MM_PER_INCH = 25.4
"""Exact by definition of the international inch."""

_METRIC = re.compile(
    r"^\s*(?:P|LT)?\s*(\d{3})\s*/\s*(\d{2,3})\s*Z?\s*[RBD-]\s*(\d{2}(?:\.5)?)(?:\s+\S.*|[A-Z]*)$", re.IGNORECASE
)
_DIAMETER = re.compile(r"^\s*(\d+(?:\.\d+)?)\s*(in|inch|inches|mm)\s*$", re.IGNORECASE)


@dataclass(frozen=True)
class Tyre:
    """A tyre's free outer diameter."""

    diameter: float
    """mm"""

    @property
    def inches(self) -> float:
        """Diameter, inches."""
        return self.diameter / MM_PER_INCH

    @property
    def revolutions_per_mile(self) -> float:
        """Turns per mile rolling on the free diameter; loaded tyres turn 2 to 4 % more (common practice)."""
        return KM_PER_MILE * 1e6 / (math.pi * self.diameter)

    @property
    def revolutions_per_km(self) -> float:
        """Turns per kilometre rolling on the free diameter."""
        return 1e6 / (math.pi * self.diameter)


def parse_tyre(size: str) -> Tyre:
    """Read a tyre size such as `205/55R16`, or a diameter such as `28 in` or `711 mm`.

    D = 2 x width x aspect/100 + 25.4 x rim (mm). Raises UserError for anything else.
    """
    if found := _METRIC.match(size):
        width, aspect, rim = (float(part) for part in found.groups())
        if 100 <= width <= 455 and 20 <= aspect <= 100 and 8 <= rim <= 30:
            return Tyre(2.0 * width * aspect / 100.0 + MM_PER_INCH * rim)
    elif found := _DIAMETER.match(size):
        value = float(found.group(1)) * (1.0 if found.group(2).lower() == "mm" else MM_PER_INCH)
        if 300 <= value <= 2000:
            return Tyre(value)
    raise UserError(f"tyre {size!r}: expected a size such as 205/55R16, or a diameter such as 28 in or 711 mm")


def engine_rpm(speed: float, ratio: float, axle: float, tyre: Tyre) -> float:
    """Engine speed (rpm) at a road speed (mph), gear ratio and axle ratio without any slip.

    rpm = mph x ratio x axle x 63360 / (60 pi D), D in inches: the trade's 336 is 63360/(60 pi) = 336.135.
    """
    return abs(speed * ratio * axle) * 63360.0 / (60.0 * math.pi * tyre.inches)


def road_speed(rpm: float, ratio: float, axle: float, tyre: Tyre) -> float:
    """Road speed (mph) at an engine speed (rpm) without slip. Raises UserError for a zero ratio or axle."""
    if not ratio or not axle:
        raise UserError("road speed: gear ratio and axle ratio must not be zero")
    return rpm / engine_rpm(1.0, ratio, axle, tyre)


@dataclass(frozen=True)
class EngagedGear:
    """What engine speed and road speed say about the gear."""

    gear: str
    """Gear that fits best."""
    overall: float
    """Engine speed / transmission output speed as measured."""
    slip: float
    """Share of engine speed that is lost before the output in that gear: 0 no slip, 0.1 ten per cent (an
    unlocked converter at cruise); negative when the engine turns slower than the gear."""
    rivals: tuple[tuple[str, float], ...]
    """(gear, slip) of every other gear that the figures do not exclude."""


def engaged_gear(
    rpm: float,
    speed: float,
    ratios: Mapping[str, float],
    axle: float,
    tyre: Tyre,
    slip: tuple[float, float] = (-0.03, 0.20),
) -> EngagedGear | None:
    """Find the gear that turns the engine at `rpm` when the car goes `speed` (mph).

    `ratios`: gear -> ratio. `slip`: what converter slip, tyre and dial may make of it (share of engine speed,
    lowest and highest; an unlocked converter slips about 10 % at cruise and more under load); of the gears within
    it the one nearest to the middle of a light cruise (5 %) is taken. None when no gear fits (the unit slips, or
    the readings are wrong) or the car stands.
    """
    if speed <= 0 or rpm <= 0:
        return None
    slips = {gear: 1.0 - engine_rpm(speed, ratio, axle, tyre) / rpm for gear, ratio in ratios.items() if ratio}
    fitting = sorted((abs(s - 0.05), g) for g, s in slips.items() if slip[0] <= s <= slip[1])
    if not fitting:
        return None
    gear = fitting[0][1]
    overall = rpm / engine_rpm(speed, 1.0, axle, tyre)
    return EngagedGear(gear, overall, slips[gear], tuple((g, slips[g]) for _, g in fitting[1:]))


def corrected_speed(speed: float, tyre: Tyre, axle: float, new_tyre: Tyre, new_axle: float) -> float:
    """Shift speed (same unit as `speed`) to expect with another tyre and axle.

    Governor and output-speed sensor sit on the transmission's output shaft, so the shift comes at the same output
    speed: road speed changes with tyre diameter and against the axle ratio.
    """
    return speed * (new_tyre.diameter / tyre.diameter) * (axle / new_axle)

"""One thing that can be tried on the car: the condition it is tried in, and what it can show."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Step:
    """A step of the procedure for one unit, expanded from `deduce/steps.toml`.

    The checklist gives it words; the deduction predicts what each cause would show there and weighs its
    cost against what it tells.
    """

    id: str
    """Procedure and its parameters: `fluid_level`, `engage_drive`, `pull_away_D`, `upshift_1_2_light`,
    `kickdown_3_2`, `engine_braking_2`, `stall_D`, `pressure_line`, `pan_inspection`."""
    procedure: str
    """The part of the id that names the work: `upshift`, `kickdown`, `engine_braking`, `stall`."""
    kinds: tuple[str, ...]
    """Finding kinds that can be seen here; `normal` is always among them."""
    minutes: float
    """Working time, minutes."""
    depth: str
    """Where the work is: `look`, `road`, `gauge`, `pan` or `removal`."""
    risk: float
    """Extra cost for danger and wear, in minutes-equivalent (a stall test heats the fluid)."""
    range: str | None = None
    gear: str | None = None
    shift: str | None = None
    throttle: str | None = None
    load: str | None = None
    temperature: str | None = None
    where: str | None = None
    """Pressure tap, for `pressure_*`."""
    title: str = ""
    """The step in a few shop words: `1-2 upshift at light throttle`."""

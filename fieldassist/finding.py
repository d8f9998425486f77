"""The finding: the vocabulary that every room shares. This module depends on nothing but `errors`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from fieldassist.errors import UserError

KINDS: tuple[str, ...] = (
    "normal", "slip", "flare", "harsh", "soft", "early", "late", "skip", "no_shift",
    "delayed_engagement", "no_drive", "no_reverse", "wrong_gear_start", "bind", "creep", "shudder",
    "hunting", "no_engine_braking", "no_kickdown", "sensitive_kickdown", "noise", "poor_acceleration",
    "poor_top_speed", "leak", "fluid_level", "fluid_condition", "linkage", "shift_speed",
    "engine_speed", "stall_speed", "pressure", "engagement_time",
)  # fmt: skip
UNITS_OF: dict[str, tuple[str, ...]] = {
    "shift_speed": ("mph", "km/h"), "engine_speed": ("rpm",), "stall_speed": ("rpm",), "pressure": ("psi", "kPa"),
    "engagement_time": ("s",),
}  # fmt: skip
"""Units of the kinds that are read off; the first is that of a bare number."""
MEASURED_KINDS: tuple[str, ...] = tuple(UNITS_OF)
RANGES: tuple[str, ...] = ("P", "R", "N", "D", "3", "2", "1")
GEARS: tuple[str, ...] = ("1", "2", "3", "4", "5", "6", "7", "8", "R", "N")
THROTTLES: tuple[str, ...] = ("closed", "light", "medium", "full")
TEMPERATURES: tuple[str, ...] = ("cold", "hot")
LOADS: tuple[str, ...] = ("drive", "coast")
UNITS: tuple[str, ...] = ("mph", "km/h", "rpm", "psi", "kPa", "s")
SEVERITIES: tuple[str, ...] = ("slight", "moderate", "severe")


UNCLEAR = 0.5
"""A number heard with less confidence than this is not computed with; it waits to be confirmed."""


@dataclass(frozen=True)
class Finding:
    """One structured observation. Fields that do not apply are None."""

    kind: str
    """One of KINDS."""
    shift: str | None = None
    """Shift concerned, from-to: `1-2`, `3-2`."""
    range: str | None = None
    """Selector position, one of RANGES (a spoken or written `L` is read as `1`)."""
    throttle: str | None = None
    """One of THROTTLES."""
    temperature: str | None = None
    """One of TEMPERATURES."""
    load: str | None = None
    """One of LOADS."""
    gear: str | None = None
    """Gear concerned, one of GEARS."""
    value: float | None = None
    """Number spoken or measured, in `unit`."""
    unit: str | None = None
    """One of UNITS."""
    severity: str | None = None
    """One of SEVERITIES."""
    where: str | None = None
    """A pressure tap, a leak place, a noise kind, a fluid look (`milky`, `burnt`, `foamy`, `dark`,
    `clear`), a fluid level (`low`, `high`), or a linkage (`selector`, `throttle`)."""
    present: bool = True
    """False: it was looked for and not there, which is evidence too."""
    confidence: float = 1.0
    """Probability, 0..1, that the finding was heard right; soft evidence for the deduction."""

    def __post_init__(self) -> None:
        """Refuse values outside the vocabulary. Raises UserError naming the key and what is allowed."""
        object.__setattr__(self, "range", "1" if self.range == "L" else self.range)
        for key, allowed in _ALLOWED.items():
            value = getattr(self, key)
            if value is not None and value not in allowed:
                raise UserError(f"finding: {key} {value!r} is not one of {', '.join(allowed)}")
        if self.shift is not None and not _is_shift(self.shift):
            raise UserError(f"finding: shift {self.shift!r} is not like '1-2' or '3-2'")
        if not 0.0 <= self.confidence <= 1.0:
            raise UserError(f"finding: confidence {self.confidence!r} is not between 0 and 1")

    def to_json(self) -> dict[str, Any]:
        """Return the finding as a JSON object: keys that do not apply are left out, `present` always there."""
        out = {f.name: getattr(self, f.name) for f in fields(self)}
        confidence = out.pop("confidence")
        out = {key: value for key, value in out.items() if value is not None}
        if confidence != 1.0:
            out["confidence"] = confidence
        return out

    @classmethod
    def from_json(cls, data: object) -> Finding:
        """Read a finding from a JSON object; null keys are the same as absent ones.

        Raises UserError that names the offending key and what was expected.
        """
        if not isinstance(data, Mapping):
            raise UserError(f"finding: expected an object with at least \"kind\", got {type(data).__name__}")
        known = {f.name for f in fields(cls)}
        unknown = sorted(str(key) for key in data if key not in known)
        if unknown:
            raise UserError(f"finding: unknown key {unknown[0]!r}; known keys are {', '.join(sorted(known))}")
        values = {key: value for key, value in data.items() if value is not None}
        if "kind" not in values:
            raise UserError("finding: \"kind\" is missing")
        for key in known - {"value", "present", "confidence"}:
            if key in values and not isinstance(values[key], str):
                if key in ("gear", "range") and isinstance(values[key], int):
                    values[key] = str(values[key])
                    continue
                raise UserError(f"finding: {key} must be text, got {values[key]!r}")
        for key in ("value", "confidence"):
            number = values.get(key)
            if number is not None and (isinstance(number, bool) or not isinstance(number, int | float)):
                raise UserError(f"finding: {key} must be a number, got {number!r}")
            if number is not None:
                values[key] = float(number)
                if values[key] != values[key] or values[key] in (float("inf"), float("-inf")):
                    raise UserError(f"finding: {key} must be a finite number")
        if not isinstance(values.get("present", True), bool):
            raise UserError("finding: present must be true or false")
        return cls(**values)


_ALLOWED: dict[str, tuple[str, ...]] = {
    "kind": KINDS,
    "range": RANGES,
    "throttle": THROTTLES,
    "temperature": TEMPERATURES,
    "load": LOADS,
    "gear": GEARS,
    "unit": UNITS,
    "severity": SEVERITIES,
}


def _is_shift(text: str) -> bool:
    low, dash, high = text.partition("-")
    return dash == "-" and low in GEARS[:8] and high in GEARS[:8] and low != high

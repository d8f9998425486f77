"""What is known about the car and the complaint before the drive."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from fieldassist.deduce.roadspeed import KM_PER_MILE, engine_rpm, parse_tyre
from fieldassist.deduce.unit import Unit
from fieldassist.errors import UserError

_AFTER: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("after_fluid_change", ("fluid", "oil", "filter", "service", "flush", "topped")),
    ("after_linkage_work", ("linkage", "cable", "carburet", "throttle", "selector", "intake", "engine")),
    ("after_repair", ("repair", "rebuil", "overhaul", "replace", "install", "transmission", "service")),
    ("after_overheating", ("heat", "boil", "radiator", "cooler")),
)
"""Circumstance -> beginnings of words that name it in the intake's "after"."""
HIGH_MILEAGE = 100_000.0
"""Miles from which wear is likelier (common practice, no source)."""


@dataclass(frozen=True)
class Context:
    """Intake. Everything may be left out.

    As JSON: `onset` (sudden | gradual), `after` (in words: "fluid change", "throttle cable work", "overhaul"),
    `temperature` (hot | cold | any), `mileage` (miles), `heavy_use` (true | false), `tyre` (size or diameter),
    `axle_ratio`, `stall_rpm` ([lowest, highest] by the service information). Other keys are passed over.
    """

    onset: str | None = None
    """`sudden` or `gradual`."""
    after: str | None = None
    """Work or event after which it began, in words."""
    temperature: str | None = None
    """`hot` or `cold` when it only happens so."""
    mileage: float | None = None
    """Miles."""
    heavy_use: bool = False
    """Towing, taxi, hills."""
    tyre: str | None = None
    """Tyre fitted, as `parse_tyre` reads it."""
    axle_ratio: float | None = None
    """Final drive ratio fitted."""
    stall_rpm: tuple[float, float] | None = None
    """Specified stall speed, rpm."""

    @property
    def circumstances(self) -> frozenset[str]:
        """The circumstances that move base rates, of `causes.CONTEXTS`."""
        out = {name for name in (self.onset, self.temperature) if name in ("sudden", "gradual", "hot", "cold")}
        words = (self.after or "").lower()
        out |= {name for name, starts in _AFTER if any(start in words for start in starts)}
        if self.mileage is not None and self.mileage >= HIGH_MILEAGE:
            out.add("high_mileage")
        if self.heavy_use:
            out.add("heavy_use")
        return frozenset(out)

    @classmethod
    def from_json(cls, data: object) -> Context:
        """Read the context of a deduction. Raises UserError that names the key and what was expected."""
        if data is None:
            return cls()
        if not isinstance(data, Mapping):
            raise UserError(f"context: expected an object, got {type(data).__name__}")
        onset = _word(data, "onset", ("sudden", "gradual"))
        temperature = _word(data, "temperature", ("hot", "cold", "any"))
        tyre = _text(data, "tyre")
        if tyre is not None:
            parse_tyre(tyre)
        stall = data.get("stall_rpm")
        if stall is not None and not (
            isinstance(stall, list | tuple) and len(stall) == 2 and all(_is_number(v) for v in stall)
        ):
            raise UserError(f"context: stall_rpm must be [lowest, highest], got {stall!r}")
        heavy = data.get("heavy_use", False)
        if not isinstance(heavy, bool | None):
            raise UserError(f"context: heavy_use must be true or false, got {heavy!r}")
        return cls(
            onset, _text(data, "after"), temperature, _number(data, "mileage"), bool(heavy), tyre,
            _number(data, "axle_ratio"), None if stall is None else (float(stall[0]), float(stall[1])),
        )  # fmt: skip

    @classmethod
    def from_intake(cls, data: Mapping[str, object]) -> Context:
        """Read what a session holds; an answer that means nothing here is passed over."""
        out: dict[str, object] = {}
        for key in ("onset", "after", "temperature", "mileage", "heavy_use", "tyre", "axle_ratio", "stall_rpm"):
            try:
                cls.from_json({key: data.get(key)})
            except UserError:
                continue
            out[key] = data.get(key)
        return cls.from_json(out)

    def slip(self, unit: Unit, speed: float, rpm: float, gear: str) -> float | None:
        """Share of engine speed lost before the output in a gear (0 none); None when tyre or axle is unknown.

        `speed`: mph.
        """
        specification = unit.specification
        tyre = self.tyre or (specification.tyre if specification else None)
        axle = self.axle_ratio or (specification.axle_ratio if specification else None)
        if tyre is None or axle is None or gear not in unit.ratios or rpm <= 0:
            return None
        return 1.0 - engine_rpm(speed, unit.ratios[gear], axle, parse_tyre(tyre)) / rpm


def mph(value: float, unit: str | None) -> float:
    """A road speed in mph."""
    return value / KM_PER_MILE if unit == "km/h" else value


def _word(data: Mapping[str, object], key: str, allowed: tuple[str, ...]) -> str | None:
    value = _text(data, key)
    if value is not None and value not in allowed:
        raise UserError(f"context: {key} {value!r} is not one of {', '.join(allowed)}")
    return value


def _text(data: Mapping[str, object], key: str) -> str | None:
    value = data.get(key)
    if value is None or value == "":
        return None
    if not isinstance(value, str):
        raise UserError(f"context: {key} must be text, got {value!r}")
    return value


def _number(data: Mapping[str, object], key: str) -> float | None:
    value = data.get(key)
    if value is None:
        return None
    if not _is_number(value):
        raise UserError(f"context: {key} must be a number, got {value!r}")
    return float(value)  # type: ignore[arg-type]


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e9

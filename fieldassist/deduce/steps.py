"""The steps of the procedure for one unit, expanded from `steps.toml`."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from fieldassist.deduce.kinematics import power_flow
from fieldassist.deduce.step import Step
from fieldassist.deduce.tomlfile import Table, read_toml
from fieldassist.deduce.unit import Unit
from fieldassist.errors import UserError
from fieldassist.finding import KINDS

_FILE = Path(__file__).resolve().parent / "steps.toml"
DEPTHS: tuple[str, ...] = ("look", "road", "gauge", "pan", "removal")
_CONDITION = ("range", "gear", "shift", "throttle", "load", "temperature", "where")


def _upshifts(unit: Unit) -> list[dict[str, str]]:
    return [{"from": a, "to": b} for a, b in zip(unit.forward, unit.forward[1:], strict=False)]


def _braking(unit: Unit) -> list[dict[str, str]]:
    rows = []
    for range_ in _forward_ranges(unit):
        # A range is tried in its highest gear that holds on the overrun: that is what the lever is used for.
        braking = [g for g in unit.ranges[range_] if power_flow(unit, range_, g, load="coast").drives]
        if braking:
            rows.append({"range": range_, "gear": braking[-1]})
    return rows


def _forward_ranges(unit: Unit) -> list[str]:
    return [r for r, gears in unit.ranges.items() if gears[0] not in ("R", "N")]


_EACH: Mapping[str, Callable[[Unit], list[dict[str, str]]]] = {
    "upshift": _upshifts,
    "downshift": lambda unit: [{"from": row["to"], "to": row["from"]} for row in reversed(_upshifts(unit))],
    "throttle": lambda unit: [{"throttle": name} for name in ("light", "medium", "full")],
    "drive_range": lambda unit: [{"range": r, "gear": unit.ranges[r][0]} for r in (*_forward_ranges(unit), "R")],
    "forward_range": lambda unit: [{"range": r} for r in _forward_ranges(unit)],
    "stall_range": lambda unit: [{"range": r} for r in ("D", "R")],
    "braking_range": _braking,
    "gear": lambda unit: [{"gear": g} for g in unit.forward],
    "tap": lambda unit: [{"tap": t, "tap_title": t.replace("_", " ")} for t in unit.taps],
}

_GIVES: Mapping[str, tuple[str, ...]] = {
    "upshift": ("from", "to"), "downshift": ("from", "to"), "throttle": ("throttle",),
    "drive_range": ("range", "gear"),
    "forward_range": ("range",), "stall_range": ("range",), "braking_range": ("range", "gear"), "gear": ("gear",),
    "tap": ("tap", "tap_title"),
}  # fmt: skip

_NEEDS: Mapping[str, Callable[[Unit], bool]] = {
    "governor": lambda unit: unit.shift_control == "governor",
    "throttle_valve": lambda unit: unit.throttle_signal in ("linkage", "cable"),
    "electronic": lambda unit: unit.shift_control == "electronic",
}


@lru_cache(maxsize=64)
def steps_for(unit: Unit) -> tuple[Step, ...]:
    """Return the steps that a unit can be put through, in the order of the file.

    Procedures that the unit file forbids are left out. Raises DataFileError for a bad `steps.toml`.
    """
    out: list[Step] = []
    for template in templates():
        if template.needs is not None and not _NEEDS[template.needs](unit):
            continue
        for values in _expand(unit, template.for_each):
            step = template.step(values)
            if step.procedure not in unit.forbids:
                out.append(step)
    return tuple(out)


def step_by_id(unit: Unit, step_id: str) -> Step:
    """Return one step of a unit. Raises UserError when the unit has no such step."""
    for step in steps_for(unit):
        if step.id == step_id:
            return step
    raise UserError(f"{unit.name}: no step {step_id!r}; the first ones are {', '.join(_some(unit))}")


def _some(unit: Unit) -> list[str]:
    return [step.id for step in steps_for(unit)[:8]]


@dataclass(frozen=True)
class StepTemplate:
    """One [[step]] of the file, before it is repeated for a unit."""

    id: str
    title: str
    kinds: tuple[str, ...]
    minutes: float
    depth: str
    risk: float
    for_each: tuple[str, ...]
    needs: str | None
    condition: Mapping[str, str]

    def step(self, values: Mapping[str, str]) -> Step:
        """Fill in the placeholders."""
        return Step(
            id=self.id.format_map(values),
            procedure=self.id.partition("_{")[0],
            kinds=("normal", *self.kinds),
            minutes=self.minutes,
            depth=self.depth,
            risk=self.risk,
            title=self.title.format_map(values),
            **{key: text.format_map(values) for key, text in self.condition.items()},
        )


@lru_cache(maxsize=8)
def templates(path: Path = _FILE) -> tuple[StepTemplate, ...]:
    """Read a file of steps. Raises DataFileError that names the line and what was expected."""
    return tuple(_template(row) for row in read_toml(path).top.array("step"))


def _template(row: Table) -> StepTemplate:
    out = StepTemplate(
        id=row.text("id"),
        title=row.text("title"),
        kinds=row.texts("kinds", choices=KINDS),
        minutes=row.number("minutes", low=0.1),
        depth=row.text("depth", choices=DEPTHS),
        risk=row.number("risk", low=0.0),
        for_each=row.texts("for_each", (), choices=tuple(_EACH)),
        needs=row.text("needs", None, choices=tuple(_NEEDS)),
        condition={key: row.text(key) for key in _CONDITION if key in row},
    )
    row.close()
    values = {key: "" for name in out.for_each for key in _GIVES[name]}
    for key, text in (("id", out.id), ("title", out.title), *out.condition.items()):
        for name in re.findall(r"{(\w*)}", text):
            if name not in values:
                raise row.error(key, f"{{{name}}} is not given by for_each; expected one of {sorted(values)}")
    return out


def _expand(unit: Unit, names: Iterable[str]) -> list[dict[str, str]]:
    rows: list[dict[str, str]] = [{}]
    for name in names:
        rows = [old | new for old in rows for new in _EACH[name](unit)]
    return rows

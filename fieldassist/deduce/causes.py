"""The causes for one unit, expanded from `causes.toml`."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from fieldassist.deduce.tomlfile import Table, read_toml
from fieldassist.deduce.unit import Unit
from fieldassist.errors import UserError

_FILE = Path(__file__).resolve().parent / "causes.toml"

DEGREES: tuple[str, ...] = ("slight", "moderate", "severe")
"""The three degrees (or variants) in which every cause is predicted."""

WORK_DEPTHS: tuple[str, ...] = ("adjust", "fluid_and_filter", "in_vehicle", "removal", "not_transmission")

CONTEXTS: tuple[str, ...] = (
    "sudden", "gradual", "hot", "cold", "high_mileage", "heavy_use", "after_fluid_change",
    "after_linkage_work", "after_repair", "after_overheating",
)  # fmt: skip
"""Circumstances that move a cause's base rate."""

ELEMENT_QUANTITIES: Mapping[str, float] = {
    "capacity": 1.0, "drag": 0.0, "circuit": 1.0, "apply_time": 0.0, "release_time": 0.0, "cushion": 0.0,
}  # fmt: skip
"""Quantity of one element -> its value in a good unit."""

SHIFT_QUANTITIES: Mapping[str, float] = {"stuck_low": 0.0, "stuck_high": 0.0, "erratic": 0.0}
"""Quantity of one shift -> its value in a good unit."""

NOISES: tuple[str, ...] = ("whine", "grind", "buzz", "rattle", "clunk", "hum")
NOISE_WHEN: tuple[str, ...] = ("all", "stopped", "moving", "in_gear_stopped")
LOOKS: tuple[str, ...] = ("milky", "burnt", "dark", "foamy", "particles", "varnish")

UNIT_QUANTITIES: Mapping[str, float] = {
    "line": 1.0, "line_idle": 1.0, "line_hot": 1.0, "fade": 0.0, "aeration": 0.0, "friction": 1.0, "judder": 0.0,
    "governor_gain": 1.0, "governor_offset": 0.0, "governor_erratic": 0.0, "throttle_gain": 1.0,
    "throttle_offset": 0.0, "throttle_stiff": 0.0, "kickdown": 1.0, "manual_valve": 0.0, "stator_slips": 0.0,
    "stator_seized": 0.0,
    "lockup_off": 0.0, "lockup_on": 0.0, "lockup_judder": 0.0, "engine": 1.0, "exhaust": 0.0, "input": 1.0,
    "output": 1.0, "load_drag": 0.0, "idle_high": 0.0, "level": 0.0, "linkage_seen": 0.0, "leak": 0.0,
    **{f"look_{look}": 0.0 for look in LOOKS}, **{f"noise_{noise}": 0.0 for noise in NOISES},
}  # fmt: skip
"""Quantity of the whole unit -> its value in a good one."""


@dataclass(frozen=True)
class Cause:
    """Something that can be wrong with one unit, as a change of physical quantities."""

    id: str
    name: str
    subject: str | None
    """Element id or shift id that it concerns; None for the whole unit."""
    base_rate: float
    """Among 1000 cars with a transmission complaint."""
    depth: str
    """One of WORK_DEPTHS."""
    work: str
    """What is done then."""
    weights: tuple[float, float, float]
    """Share of each degree; sums to 1."""
    acts: Mapping[str, tuple[float, float, float]]
    """Physical quantity -> its value for each degree."""
    noise_when: str
    context: Mapping[str, float]
    """Circumstance -> factor on the base rate."""
    cautions: tuple[str, ...]


def _each(unit: Unit, kinds: tuple[str, ...]) -> list[tuple[str, str]]:
    return [(e.id, e.name) for e in unit.elements.values() if e.kind in kinds]


_SUBJECTS: Mapping[str, tuple[str, Callable[[Unit], list[tuple[str, str]]]]] = {
    "friction": ("element", lambda unit: _each(unit, ("clutch", "brake", "band"))),
    "clutch": ("element", lambda unit: _each(unit, ("clutch", "brake"))),
    "band": ("band", lambda unit: _each(unit, ("band",))),
    "one_way": ("one_way", lambda unit: _each(unit, ("one_way",))),
    "cushion": ("element", lambda unit: [(e.id, e.name) for e in unit.elements.values() if e.cushions]),
    "shift": ("shift", lambda unit: [(s.id, s.id) for s in unit.shifts if s.up]),
    "shift_valve": ("shift", lambda unit: [(s, s) for s in unit.shift_valves]),
}
"""`for_each` -> placeholder, and the (id, name) of every subject."""

_NEEDS: Mapping[str, Callable[[Unit], bool]] = {
    "governor": lambda unit: unit.shift_control == "governor",
    "electronic": lambda unit: unit.shift_control == "electronic",
    "throttle_linkage": lambda unit: unit.throttle_signal in ("linkage", "cable"),
    "hydraulic": lambda unit: unit.throttle_signal != "electronic",
    "vacuum": lambda unit: unit.throttle_signal == "vacuum",
    "lockup": lambda unit: bool(unit.converter_clutch),
}


@lru_cache(maxsize=64)
def causes_for(unit: Unit) -> tuple[Cause, ...]:
    """Return everything that can be wrong with a unit. Raises DataFileError for a bad `causes.toml`."""
    out: list[Cause] = []
    for template in templates():
        if template.needs is not None and not _NEEDS[template.needs](unit):
            continue
        if template.for_each is None:
            out.append(template.cause(None, None))
        else:
            out.extend(template.cause(subject, name) for subject, name in _SUBJECTS[template.for_each][1](unit))
    return tuple(out)


def cause_by_id(unit: Unit, cause_id: str) -> Cause:
    """Return one cause of a unit. Raises UserError when the unit has no such cause."""
    for cause in causes_for(unit):
        if cause.id == cause_id:
            return cause
    raise UserError(f"{unit.name}: no cause {cause_id!r}; causes are such as {causes_for(unit)[0].id}, fluid_low")


@dataclass(frozen=True)
class CauseTemplate:
    """One [[cause]] of the file, before it is repeated for a unit."""

    id: str
    name: str
    for_each: str | None
    needs: str | None
    base_rate: float
    depth: str
    work: str
    weights: tuple[float, float, float]
    acts: Mapping[str, tuple[float, float, float]]
    noise_when: str
    context: Mapping[str, float]
    cautions: tuple[str, ...]

    def cause(self, subject: str | None, name: str | None) -> Cause:
        """Make the cause of one subject."""

        def fill(text: str, value: str | None) -> str:
            return text if self.for_each is None else text.format_map({_SUBJECTS[self.for_each][0]: value})

        return Cause(
            fill(self.id, subject), fill(self.name, name), subject, self.base_rate, self.depth, self.work,
            self.weights, self.acts, self.noise_when, self.context, self.cautions,
        )  # fmt: skip


@lru_cache(maxsize=8)
def templates(path: Path = _FILE) -> tuple[CauseTemplate, ...]:
    """Read a file of causes. Raises DataFileError that names the line and what was expected."""
    out = tuple(_template(row) for row in read_toml(path).top.array("cause"))
    seen: set[str] = set()
    for number, row in enumerate(read_toml(path).top.array("cause")):
        if out[number].id in seen:
            raise row.error("id", f"cause {out[number].id} stands twice")
        seen.add(out[number].id)
    return out


def _template(row: Table) -> CauseTemplate:
    each = row.text("for_each", None, choices=tuple(_SUBJECTS))
    weights = _three(row, "weights", 0.0, 1.0)
    if abs(sum(weights) - 1.0) > 1e-6:
        raise row.error("weights", f"weights: expected three shares that sum to 1, got {sum(weights):g}")
    acts, noise_when = _acts(row.table("acts"), each)
    context = row.table("context", required=False)
    factors = {key: context.number(key, 1.0, low=0.01, high=100.0) for key in CONTEXTS}
    context.close()
    factors = {key: factor for key, factor in factors.items() if factor != 1.0}
    out = CauseTemplate(
        row.text("id"), row.text("name"), each, row.text("needs", None, choices=tuple(_NEEDS)),
        row.number("base_rate", low=0.01, high=1000.0), row.text("depth", choices=WORK_DEPTHS), row.text("work"),
        weights, acts, noise_when, factors, row.texts("cautions", ()),
    )  # fmt: skip
    row.close()
    allowed = set() if each is None else {_SUBJECTS[each][0]}
    for key in ("id", "name"):
        for name in re.findall(r"{(\w*)}", str(row.data[key])):
            if name not in allowed:
                raise row.error(key, f"{{{name}}} is not given by for_each; expected {sorted(allowed) or 'none'}")
    return out


def _acts(table: Table, each: str | None) -> tuple[Mapping[str, tuple[float, float, float]], str]:
    known = set(UNIT_QUANTITIES)
    if each is not None:
        known |= set(SHIFT_QUANTITIES if _SUBJECTS[each][0] == "shift" else ELEMENT_QUANTITIES)
    noise_when = table.text("noise_when", "all", choices=NOISE_WHEN)
    acts = {key: _three(table, key, -1.0, 3.0) for key in table.data if key in known}
    for key in table.data:
        if key not in known and key != "noise_when":
            raise table.error(
                key, f"{key} is not a quantity that a cause can act on; expected {', '.join(sorted(known))}"
            )
    if not acts:
        raise table.error(None, "acts: expected at least one quantity")
    return acts, noise_when


def _three(table: Table, key: str, low: float, high: float) -> tuple[float, float, float]:
    """A number for each degree; one number stands for all."""
    value = table._get(key, ..., "three numbers, slight to severe")
    items = value if isinstance(value, list) else [value] * len(DEGREES)
    if len(items) != len(DEGREES):
        raise table.error(key, f"{key}: expected three numbers, slight to severe, got {value!r}")
    for item in items:
        if isinstance(item, bool) or not isinstance(item, int | float) or not low <= item <= high:
            raise table.error(key, f"{key}: expected numbers from {low:g} to {high:g}, got {item!r}")
    slight, moderate, severe = (float(item) for item in items)
    return slight, moderate, severe

"""`fieldassist gears UNIT`: what the gear train of a unit does, solved from its file."""

from __future__ import annotations

import argparse
import json
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from fieldassist.deduce.kinematics import PowerFlow, power_flow
from fieldassist.deduce.unit import Shift, Unit, load_unit

WIDTH = 80


@dataclass(frozen=True)
class GearRow:
    """One gear as it is in one or more selector ranges."""

    gear: str
    ranges: tuple[str, ...]
    drive: PowerFlow
    coast: PowerFlow


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `fieldassist gears`."""
    parser.add_argument("unit", metavar="UNIT", help="name of a unit, or the path of a unit file (.toml)")
    parser.add_argument("--json", action="store_true", help="one JSON object instead of tables")


def run(args: argparse.Namespace) -> int:
    """Print the gears of a unit. Raises UserError for an unknown unit or a bad unit file."""
    unit = load_unit(args.unit)
    print(json.dumps(as_json(unit), indent=2) if args.json else as_text(unit))
    return 0


def rows(unit: Unit) -> list[GearRow]:
    """Every gear, once per set of applied elements, with the ranges in which it is so."""
    found: dict[tuple[str, frozenset[str]], list[str]] = {}
    order = [r for r in ("D", "3", "2", "1", "R") if r in unit.ranges]
    for gear in unit.gears:
        for range in order:
            if gear in unit.ranges[range]:
                found.setdefault((gear, unit.applied(range, gear)), []).append(range)
    return [
        GearRow(gear, tuple(ranges), power_flow(unit, ranges[0], gear), power_flow(unit, ranges[0], gear, "coast"))
        for (gear, _), ranges in found.items()
    ]


def as_json(unit: Unit) -> dict[str, object]:
    """The same as `as_text`, for programs. Torques and speeds are multiples of the input's."""
    return {
        "unit": unit.name,
        "title": unit.title,
        "gears": [_gear_json(unit, row) for row in rows(unit)],
        "shifts": [
            {"shift": s.id, "on": sorted(s.on), "off": sorted(s.off), "overruns": sorted(s.overruns),
             "catches": sorted(s.catches)}
            for s in unit.shifts
        ],
    }  # fmt: skip


def _gear_json(unit: Unit, row: GearRow) -> dict[str, object]:
    ids = [e for e in unit.elements if e in unit.applied(row.ranges[0], row.gear)]
    return {
        "gear": row.gear,
        "ranges": list(row.ranges),
        "ratio": row.drive.ratio,
        "free": row.drive.free,
        "redundant": row.drive.redundant,
        "applied": ids,
        "torques": {"drive": dict(row.drive.torques), "coast": dict(row.coast.torques)},
        "one_way": {"drive": dict(row.drive.one_way), "coast": dict(row.coast.one_way)},
        "indeterminate": sorted(row.drive.indeterminate),
        "engine_braking": row.coast.drives,
        "circulating": row.drive.circulating,
        "speeds": dict(row.drive.speeds),
    }


def as_text(unit: Unit) -> str:
    """Tables for people, at most 80 columns wide."""
    table = rows(unit)
    lines = textwrap.wrap(f"{unit.title} ({unit.name})", WIDTH)
    names = [s.name for s in unit.sets] + [shaft for shaft, _ in unit.train.shafts]
    width = 2 + max(map(len, names))
    lines += [
        f"  {s.name:<{width}}{'double-pinion' if s.kind == 'double' else 'simple'} set, sun {s.sun}, ring {s.ring}"
        for s in unit.sets
    ]
    for shaft, members in unit.train.shafts:
        lines += _fill(f"  {shaft:<{width}}", members, " + ")
    lines += ["", "Gear  Ratio   Step  Ranges   Engine braking  Applied"]
    for row in table:
        lines += _summary(unit, row)
    lines += ["", *textwrap.wrap(_NOTES, WIDTH)]
    for row in table:
        lines += ["", *_detail(unit, row)]
    lines += ["", "Shift  What changes"]
    for shift in unit.shifts:
        lines += _fill(f"{shift.id:<7}", _change(unit, shift), "; ")
    if unit.specification is not None and unit.specification.demo:
        lines += ["", *textwrap.wrap(_DEMO, WIDTH)]
    return "\n".join(lines)


_NOTES = (
    "Torque shares are multiples of input torque (1 on drive, -1 on coast): for a brake or band the torque that "
    "the case puts on the held member, + in the input's direction; for a clutch the torque passed on, - when it "
    "flows back. Speeds are multiples of input speed."
)
_DEMO = "The shift speeds, stall speed and pressures in this unit's file are invented demonstration figures."


def _summary(unit: Unit, row: GearRow) -> list[str]:
    position = unit.forward.index(row.gear) if row.gear in unit.forward else 0
    step = f"{unit.ratios[unit.forward[position - 1]] / unit.ratios[row.gear]:.3f}" if position else ""
    braking = "yes" if row.coast.drives else "no"
    head = f"{row.gear:<4}{_number(unit.ratios[row.gear]):>7}{step:>7}  {' '.join(row.ranges):<9}{braking:<16}"
    return _fill(head, _names(unit, unit.applied(row.ranges[0], row.gear)), ", ")


def _detail(unit: Unit, row: GearRow) -> list[str]:
    ranges = "range " + row.ranges[0] if len(row.ranges) == 1 else "ranges " + " ".join(row.ranges)
    lines = [f"Gear {row.gear}, {ranges}, ratio {_number(unit.ratios[row.gear])}"]
    lines.append(f"  {'':<32}{'drive':>10} {'coast':>10}")
    flows = (row.drive, row.coast)
    for name, element in unit.elements.items():
        cells = [_cell(flow, name) for flow in flows]
        if any(cells):
            lines.append(f"  {element.name:<32}{cells[0]:>11}{cells[1]:>11}".rstrip())
    speeds = {unit.train.shaft_of[member]: speed for member, speed in row.drive.speeds.items()}
    pieces = [f"{shaft} {_number(speed)}" for shaft, speed in speeds.items() if shaft not in ("input", "case")]
    lines += _fill("  speeds: ", pieces, "   ")
    if row.drive.circulating > 0.0005:
        lines.append(f"  circulating power: {row.drive.circulating:.3f} of input power")
    if any(flow.indeterminate for flow in flows):
        lines += _fill("  * ", ["carried together; shown as if they were equally stiff"], "")
    if not row.coast.drives:
        lines.append("  no engine braking: a one-way clutch lets go on coast")
    return lines


def _cell(flow: PowerFlow, element: str) -> str:
    if element in flow.torques:
        if not flow.drives:
            return "no load "
        return _number(flow.torques[element]) + ("*" if element in flow.indeterminate else " ")
    return "overruns " if element in flow.one_way else ""


def _change(unit: Unit, shift: Shift) -> list[str]:
    parts = [
        (shift.on, "on"), (shift.off, "off"), (shift.overruns, "lets go by itself"),
        (shift.catches, "takes hold by itself"),
    ]  # fmt: skip
    return [f"{', '.join(_names(unit, ids))} {what}" for ids, what in parts if ids]


def _names(unit: Unit, ids: Iterable[str]) -> list[str]:
    wanted = set(ids)
    return [element.name for name, element in unit.elements.items() if name in wanted]


def _number(value: float) -> str:
    return f"{value:.3f}" if abs(value) >= 0.0005 else "0"


def _fill(head: str, pieces: Sequence[str], separator: str) -> list[str]:
    """Lines of at most WIDTH with whole pieces, the later lines indented to the end of `head`."""
    lines = [head]
    for number, piece in enumerate(pieces):
        text = piece + (separator if number < len(pieces) - 1 else "")
        if len(lines[-1]) + len(text.rstrip()) > WIDTH and lines[-1].strip() and lines[-1] != head:
            lines.append(" " * len(head))
        lines[-1] += text
    return [line.rstrip() for line in lines]

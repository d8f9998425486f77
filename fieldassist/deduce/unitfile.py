"""Reading a unit file: every mistake is named with file, line and what was expected."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from itertools import pairwise
from pathlib import Path

from fieldassist.deduce.geartrain import CASE, INPUT, MEMBERS, OUTPUT, Coupling, GearTrain, PlanetarySet
from fieldassist.deduce.kinematics import power_flow
from fieldassist.deduce.specification import Tap, read_specification, read_taps
from fieldassist.deduce.tomlfile import Table, TomlFile, read_toml
from fieldassist.deduce.unit import (
    ELEMENT_KINDS,
    SHIFT_CONTROLS,
    THROTTLE_SIGNALS,
    Element,
    Solenoid,
    Unit,
)
from fieldassist.finding import GEARS, RANGES


def read_unit(path: Path) -> Unit:
    """Read and check one unit file. Raises UserError or DataFileError as `load_unit` does."""
    file = read_toml(path)
    top = file.top
    sets = _sets(top.table("sets"))
    shafts = _shafts(top.table("shafts"), sets)
    places = {*(name for name, _ in shafts), *_members(sets), CASE, INPUT, OUTPUT}
    element_rows = top.table("elements")
    elements = {name: _element(name, row, places) for name, row in element_rows.tables()}
    couplings = tuple(Coupling(e.id, *e.joins, one_way=not e.friction) for e in elements.values())
    train = GearTrain(sets, shafts, couplings)
    _check_train(train, top)
    chart = _chart(top.table("chart"), tuple(elements))
    ranges = _ranges(top.table("ranges"), chart)
    steps = [gear for gear in GEARS[:8] if gear in chart]
    upshifts = tuple(f"{a}-{b}" for a, b in pairwise(steps))
    shifts = (*upshifts, *(f"{b}-{a}" for a, b in pairwise(steps)))
    taps = read_taps(top.table("taps", required=False), {e.id: e.tap for e in elements.values() if e.tap})
    _check_references(element_rows, elements, taps, shifts)
    hydraulics = top.table("hydraulics")
    control = hydraulics.text("shift_control", choices=SHIFT_CONTROLS)
    converter = top.table("converter", required=False)
    forbids = top.table("forbids", required=False)
    unit = Unit(
        name=path.stem,
        title=top.text("title"),
        path=path,
        train=train,
        elements=elements,
        chart=chart,
        ranges=ranges,
        also=_also(top.table("also", required=False), ranges, tuple(elements)),
        shift_control=control,
        throttle_signal=hydraulics.text("throttle_signal", choices=THROTTLE_SIGNALS),
        shift_valves=hydraulics.texts("shift_valves", upshifts if control == "governor" else (), upshifts),
        solenoids=_solenoids(top.table("solenoids", required=False), elements, steps),
        converter_clutch=converter.texts("clutch_gears", (), steps),
        taps=taps,
        forbids={name: forbids.text(name) for name in forbids.data},
        specification=read_specification(top.table("specification"), frozenset(shifts), tuple(ranges))
        if "specification" in top
        else None,
    )
    for table in (hydraulics, converter, top):
        table.close()
    _check_chart(unit, file)
    return unit


def _sets(table: Table) -> tuple[PlanetarySet, ...]:
    sets = []
    for name, row in table.tables():
        kind = row.text("kind", choices=("simple", "double"))
        sun, ring = row.integer("sun", 1, 999), row.integer("ring", 1, 999)
        if ring <= sun:
            raise row.error("ring", f"set {name}: expected more teeth than the sun ({sun}), got {ring}")
        row.close()
        sets.append(PlanetarySet(name, kind, sun, ring))
    if not sets:
        raise table.error(None, "sets: expected at least one planetary set")
    return tuple(sets)


def _members(sets: Iterable[PlanetarySet]) -> list[str]:
    return [f"{s.name}.{part}" for s in sets for part in MEMBERS]


def _shafts(table: Table, sets: tuple[PlanetarySet, ...]) -> tuple[tuple[str, tuple[str, ...]], ...]:
    members = _members(sets)
    seen: dict[str, str] = {}
    for shaft in table.data:
        if "." in shaft:
            raise table.error(shaft, f"shaft {shaft!r}: expected a plain name; members are listed behind it")
        for member in table.texts(shaft, choices=members):
            if member in seen:
                raise table.error(shaft, f"{member} is on shaft {seen[member]} already")
            seen[member] = shaft
    return tuple((shaft, tuple(row)) for shaft, row in table.data.items())


def _element(name: str, row: Table, places: set[str]) -> Element:
    if not name.isidentifier() or name != name.lower():
        raise row.error(None, f"element {name!r}: expected a name of small letters, digits and _")
    kind = row.text("kind", choices=ELEMENT_KINDS)
    if kind in ("brake", "band") or (kind == "one_way" and "holds" in row):
        joins = (CASE, row.text("holds"))
        key = "holds"
    else:
        sides = row.texts("joins")
        if len(sides) != 2:
            raise row.error("joins", f'element {name}: expected two sides, as in ["input", "front.ring"]')
        joins, key = (sides[0], sides[1]), "joins"
    for side in joins:
        if side not in places:
            raise row.error(key, f"element {name}: {side!r} is neither a shaft nor a member such as front.sun")
    plain = name.replace("_", " ")
    band = kind == "band"
    out = Element(
        id=name,
        name=row.text("name", plain),
        kind=kind,
        joins=joins,
        spoken=row.texts("spoken", (row.text("name", plain),)),
        tap=row.text("tap", None),
        released_by=row.text("released_by", None) if band else None,
        cushions=row.texts("cushions", ()),
        adjustable=row.flag("adjustable", True) if band else False,
    )
    row.close()
    return out


def _check_train(train: GearTrain, top: Table) -> None:
    """Both sides of every coupling differ, and input and output are there."""
    for coupling in train.couplings:
        if train.shaft_of[coupling.first] == train.shaft_of[coupling.second]:
            raise top.file.error(
                ("elements", coupling.id),
                f"element {coupling.id}: {coupling.first} and {coupling.second} are one shaft already",
            )
    used = {train.shaft_of[side] for c in train.couplings for side in (c.first, c.second)}
    used |= {shaft for _, shaft in train.members}
    for shaft in (INPUT, OUTPUT):
        if shaft not in used:
            raise top.error("shafts", f"no member and no element is on the {shaft} shaft")


def _chart(table: Table, elements: tuple[str, ...]) -> dict[str, frozenset[str]]:
    for gear in table.data:
        if gear not in GEARS:
            raise table.error(gear, f"gear {gear!r} is not one of {', '.join(GEARS)}")
    chart = {gear: frozenset(table.texts(gear, choices=elements)) for gear in table.data}
    forward = [gear for gear in GEARS[:8] if gear in chart]
    if not forward or forward != list(GEARS[: len(forward)]):
        raise table.error(None, f"chart: expected gears 1, 2 ... without a gap, got {', '.join(forward)}")
    return {gear: chart.get(gear, frozenset()) for gear in GEARS if gear in chart or gear == "N"}


def _ranges(table: Table, chart: Mapping[str, frozenset[str]]) -> dict[str, tuple[str, ...]]:
    for name in table.data:
        if name not in RANGES:
            raise table.error(name, f"range {name!r} is not one of {', '.join(RANGES)}")
    given = {name: table.texts(name, choices=tuple(chart)) for name in table.data}
    forward = tuple(gear for gear in GEARS[:8] if gear in chart)
    if given.setdefault("D", forward) != forward:
        raise table.error("D", f"ranges.D: expected every forward gear of the chart in order, {list(forward)}")
    if "R" in chart and given.setdefault("R", ("R",)) != ("R",):
        raise table.error("R", 'ranges.R: expected ["R"]')
    for name, gears in given.items():
        if name in ("P", "N") and gears != ("N",):
            raise table.error(name, f'ranges.{name}: expected ["N"]')
        if name in ("3", "2", "1") and (not gears or "R" in gears or "N" in gears):
            raise table.error(name, f"ranges.{name}: expected forward gears")
    given.setdefault("P", ("N",))
    given.setdefault("N", ("N",))
    return {name: given[name] for name in RANGES if name in given}


def _also(
    table: Table, ranges: Mapping[str, tuple[str, ...]], elements: tuple[str, ...]
) -> dict[tuple[str, str], frozenset[str]]:
    out = {}
    for name, row in table.tables():
        for gear in row.data:
            if gear not in ranges.get(name, ()):
                raise row.error(gear, f"also.{name}: range {name} does not give gear {gear}")
            out[name, gear] = frozenset(row.texts(gear, choices=elements))
    return out


def _check_references(
    table: Table, elements: Mapping[str, Element], taps: Mapping[str, Tap], shifts: tuple[str, ...]
) -> None:
    for name, element in elements.items():
        row = table.table(name)
        if element.tap is not None and element.tap not in taps:
            raise row.error("tap", f"element {name}: tap {element.tap!r} is not in [taps]")
        if element.released_by is not None and element.released_by not in elements:
            raise row.error("released_by", f"element {name}: {element.released_by!r} is not an element")
        row.texts("cushions", (), shifts)


def _solenoids(table: Table, elements: Mapping[str, Element], steps: list[str]) -> dict[str, Solenoid]:
    out = {}
    friction = tuple(e.id for e in elements.values() if e.friction)
    for name, row in table.tables():
        element = row.text("applies", None, choices=friction)
        on = frozenset(row.texts("on", None if element is None else (), steps))
        out[name] = Solenoid(name, row.text("name", name.replace("_", " ")), on, element)
        row.close()
    return out


def _check_chart(unit: Unit, file: TomlFile) -> None:
    """Refuse a chart that the gear train cannot do, naming the gear."""
    for range in ("D", *(name for name in unit.ranges if name != "D")):
        for gear in unit.ranges[range]:
            keys = ("also", range, gear) if (range, gear) in unit.also else ("chart", gear)
            if problem := _problem(unit, range, gear):
                raise file.error(keys, f"gear {gear} in range {range}: {problem}")
    for low, high in pairwise(unit.forward):
        if unit.ratio(high) >= unit.ratio(low):
            wanted = f"expected a ratio below the {unit.ratio(low):.3f} of gear {low}"
            raise file.error(("chart", high), f"gear {high}: {wanted}, got {unit.ratio(high):.3f}")


def _problem(unit: Unit, range: str, gear: str) -> str | None:
    flow = power_flow(unit, range, gear)
    listed = ", ".join(sorted(unit.applied(range, gear))) or "no element"
    if flow.locked:
        return f"{listed} together lock the gear train; expected a gear"
    if gear == "N":
        return f"with {listed} the output is driven; expected it free" if flow.drives else None
    if flow.ratio is None:
        return f"with {listed} the output is {'held' if flow.output_held else 'free'}; expected a gear"
    if (flow.ratio < 0) != (gear == "R"):
        return f"{listed} turn the output the wrong way (ratio {flow.ratio:.3f})"
    for name, state in flow.one_way.items():
        if (state == "holds") != (name in unit.chart[gear]):
            told = "listed as holding, but overruns" if state == "overruns" else "not listed, but has to hold"
            return f"one-way clutch {name} is {told} on drive"
    return None

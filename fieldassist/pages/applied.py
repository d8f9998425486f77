"""The applied-elements table of a unit, with the suspects marked and the findings laid over it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from fieldassist.deduce.unit import Unit


@dataclass(frozen=True)
class Cell:
    """One element in one gear."""

    on: bool
    suspect: bool
    text: str


@dataclass(frozen=True)
class ChartRow:
    """One gear of a range."""

    label: str
    ratio: float
    cells: tuple[Cell, ...]
    findings: tuple[str, ...]


def chart_rows(
    unit: Unit, marked: Mapping[str, str], observed: Mapping[str, Sequence[str]]
) -> tuple[tuple[str, ...], tuple[ChartRow, ...]]:
    """Return (element names, rows) of the applied-elements table.

    `marked`: element id -> mark of the suspect (`1`, `2`); `observed`: gear or shift -> findings in shop words.
    """
    heads = tuple(e.name + (f" [{marked[e.id]}]" if e.id in marked else "") for e in unit.elements.values())
    rows: list[ChartRow] = []
    for gear in unit.gears:
        for range, gears in unit.ranges.items():
            if gear not in gears or (range != unit.range_of(gear) and (range, gear) not in unit.also):
                continue
            on = unit.applied(range, gear)
            cells = tuple(
                Cell(
                    on=e.id in on,
                    suspect=e.id in marked and e.id in on,
                    text="" if e.id not in on else "on" if e.friction else "holds",
                )
                for e in unit.elements.values()
            )
            found = tuple(observed.get(gear, ())) if range == unit.range_of(gear) else ()
            rows.append(
                ChartRow(f"{range}, gear {gear}" if gear != "R" else "Reverse", unit.ratio(gear), cells, found)
            )
    return heads, tuple(rows)

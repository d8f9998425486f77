"""Symptom rows as tests of the deduction: reading them, and judging what the deduction makes of them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from fieldassist.deduce import Context, Deduction, Unit, deduce, load_unit, unit_names
from fieldassist.deduce.causes import causes_for
from fieldassist.deduce.tomlfile import read_toml
from fieldassist.errors import UserError
from fieldassist.finding import Finding

_HERE = Path(__file__).resolve().parent
PUBLISHED = _HERE / "symptom_rows.toml"
PRACTICE = _HERE / "practice_rows.toml"


@dataclass(frozen=True)
class Row:
    """One symptom row."""

    id: str
    source: str
    """Code of the source; "M" when it is remembered, "" for common practice without one."""
    units: tuple[str, ...]
    findings: tuple[Finding, ...]
    context: Context
    expect: tuple[str, ...]
    """Cause ids, any of which is right; or one of the special words of `judge`."""

    @property
    def remembered(self) -> bool:
        """The row is from memory."""
        return self.source == "M"


@dataclass(frozen=True)
class Verdict:
    """What became of one row on one unit."""

    row: Row
    unit: str
    rank: int | None
    """Rank of the first right suspect, from 1; None when it is not among the causes shown."""
    top: tuple[str, ...]
    """The three top suspects."""

    @property
    def first(self) -> bool:
        """The right one is on top."""
        return self.rank == 1

    @property
    def in_three(self) -> bool:
        """The right one is among the first three."""
        return self.rank is not None and self.rank <= 3


def read_rows(path: Path) -> tuple[Row, ...]:
    """Read a file of rows. Raises UserError."""
    return tuple(_row(path, data) for data in read_toml(path).data["row"])


def _row(path: Path, data: dict[str, Any]) -> Row:
    units = data["units"]
    try:
        return Row(
            data["id"], data.get("source", ""), tuple(units) if isinstance(units, list) else _named(units),
            tuple(Finding.from_json(f) for f in data["findings"]), Context.from_json(data.get("context")),
            tuple(data["expect"]),
        )  # fmt: skip
    except UserError as error:
        raise UserError(f"{path}: row {data['id']}: {error}") from error


@lru_cache(maxsize=16)
def _named(group: str) -> tuple[str, ...]:
    units = {name: load_unit(name) for name in unit_names()}
    if group == "any":
        return tuple(units)
    if group == "three_speed":
        return tuple(name for name in units if name.startswith("three_speed"))
    if group == "governor":
        return tuple(name for name, unit in units.items() if unit.shift_control == "governor")
    if group == "apart":  # no element is applied both in first and in reverse, so one element cannot spoil both
        return tuple(name for name, unit in units.items() if not _shared(unit))
    if group == "low_one_way":
        return tuple(name for name, unit in units.items() if "low_one_way_clutch" in unit.one_way)
    raise UserError(f"units {group!r}: expected any, apart, three_speed, governor, low_one_way or a list of names")


def _shared(unit: Unit) -> frozenset[str]:
    """Friction elements applied both in the first gear of D and in reverse."""
    return unit.applied("D", unit.forward[0]) & unit.applied("R", "R") & frozenset(unit.friction)


def expressible(row: Row, unit: Unit) -> bool:
    """The unit has the gears, ranges and shifts of the row and at least one of the causes expected."""
    shifts = {s.id for s in unit.shifts} | {f"{a}-{b}" for a in unit.forward for b in unit.forward}
    for f in row.findings:
        if (
            f.gear not in (None, *unit.gears, "N")
            or f.range not in (None, *unit.ranges)
            or f.shift not in (None, *shifts)
        ):
            return False
    ids = {cause.id for cause in causes_for(unit)}
    return any(
        name.partition(":")[0] in ("not", "any", "next", "flat", "removal") or name in ids for name in row.expect
    )


def judge(row: Row, unit: Unit) -> Verdict:
    """Deduce from a row.

    Special words in `expect`: `not:CAUSE` must be below its prior and out of the first three; `any:slips` any
    cause of that sort; `removal` the likeliest work; `flat` hardly anything may change; `next:STEP` that step is
    among the tests proposed.
    """
    result = deduce(unit, row.findings, row.context)
    ranked = sorted(result.probabilities, key=lambda cause: -result.probabilities[cause])
    return Verdict(row, unit.name, _rank(row, unit, result, ranked), tuple(ranked[:3]))


def _rank(row: Row, unit: Unit, result: Deduction, ranked: Sequence[str]) -> int | None:
    special = row.expect[0].partition(":")[0]
    if special == "not":
        before = deduce(unit, (), row.context).probabilities
        banned = [name.partition(":")[2] for name in row.expect]
        good = all(n not in result.probabilities or result.probabilities[n] < before[n] for n in banned)
        return 1 if good and not set(banned) & set(ranked[:3]) else None
    if special == "removal":
        return 1 if max(result.work, key=lambda depth: result.work[depth]) == "removal" else None
    if special == "flat":
        before = deduce(unit, (), row.context).probabilities
        return 1 if all(result.probabilities[n] < 3.0 * p + 0.02 for n, p in before.items()) else None
    if special == "next":
        wanted = row.expect[0].partition(":")[2]
        return 1 if wanted in [test.step for test in result.next_tests] else None
    for number, cause in enumerate(ranked, start=1):
        sort = cause.rpartition(":")[2] if cause.rpartition(":")[2] in ("slips", "fails") else ""
        if cause in row.expect or f"any:{sort}" in row.expect:
            return number
    return None


def judge_all(rows: Sequence[Row]) -> Iterator[Verdict]:
    """Judge every row on every unit that can express it."""
    units = {name: load_unit(name) for name in unit_names()}
    for row in rows:
        for name in row.units:
            if expressible(row, units[name]):
                yield judge(row, units[name])

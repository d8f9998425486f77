"""Published symptom rows: the suspect that the source names is among the first three."""

from __future__ import annotations

import re

import pytest

from fieldassist.bench.rows import PRACTICE, PUBLISHED, Row, expressible, judge, read_rows
from fieldassist.deduce import load_unit
from fieldassist.deduce.tomlfile import read_toml

SIMPSON = load_unit("three_speed_simpson")
ROWS = [row for row in read_rows(PUBLISHED) if SIMPSON.name in row.units and expressible(row, SIMPSON)]
PRACTICE_ROWS = [row for row in read_rows(PRACTICE) if SIMPSON.name in row.units and expressible(row, SIMPSON)]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.id} {row.source}")
def test_published_row(row: Row) -> None:
    """Source of each row: its code in the test's name (list of sources in the data file); M is from memory."""
    verdict = judge(row, SIMPSON)
    assert verdict.in_three, f"rank {verdict.rank}: {verdict.top}"


@pytest.mark.parametrize("row", PRACTICE_ROWS, ids=lambda row: row.id)
def test_rule_of_thumb(row: Row) -> None:
    """Common practice, no source."""
    verdict = judge(row, SIMPSON)
    assert verdict.in_three, f"rank {verdict.rank}: {verdict.top}"


def test_every_row_names_a_source_of_the_list() -> None:
    sources = read_toml(PUBLISHED).data["sources"]
    for row in read_rows(PUBLISHED):
        codes = re.findall(r"\b[SD]\d+\b|^M$", row.source)
        assert codes and set(codes) <= set(sources), row.id
    assert all(not row.source for row in read_rows(PRACTICE))


def test_first_place_in_three_quarters() -> None:
    verdicts = [judge(row, SIMPSON) for row in ROWS]
    assert sum(v.first for v in verdicts) >= 0.75 * len(verdicts)


@pytest.mark.parametrize("name", ["four_speed_simpson_overdrive", "six_speed_three_sets"])
def test_rows_on_other_units(name: str) -> None:
    """At least 95 % in the top three, at least 75 % first; the benchmark has all units."""
    unit = load_unit(name)
    verdicts = [judge(row, unit) for row in read_rows(PUBLISHED) if name in row.units and expressible(row, unit)]
    assert sum(v.in_three for v in verdicts) >= 0.95 * len(verdicts)
    assert sum(v.first for v in verdicts) >= 0.75 * len(verdicts)


def test_overload_of_what_has_to_carry_alone() -> None:
    """Overdrive one-way clutch fails: its clutch carries the drive alone and burns, so that 1 to 3 and reverse
    slip and fourth holds (1998 shop manual's chart, row 8; the last step is an inference there too)."""
    unit = load_unit("four_speed_simpson_overdrive")
    row = next(r for r in read_rows(PUBLISHED) if r.id == "8")
    assert judge(row, unit).first


def test_a_row_can_fail() -> None:
    """The judge does not wave everything through: one row's findings do not lead to another's suspect."""
    row = next(r for r in ROWS if r.id == "67")
    other = next(r for r in ROWS if r.id == "1")
    wrong = Row("x", "", row.units, row.findings, row.context, other.expect)
    assert not judge(wrong, SIMPSON).in_three

"""Benchmark of the deduction: published symptom rows, simulated drives, steps to certainty, speed."""

from __future__ import annotations

from fieldassist.bench.rows import PRACTICE, PUBLISHED, Verdict, judge_all, read_rows


def run(argv: list[str]) -> int:
    """Print all parts."""
    symptom_rows()
    return 0


def symptom_rows() -> None:
    """(a) The published rows, the remembered ones and common practice, apart."""
    published = list(judge_all(read_rows(PUBLISHED)))
    _rate("published rows", [v for v in published if not v.row.remembered])
    _rate("remembered rows", [v for v in published if v.row.remembered])
    _rate("common practice, no source", list(judge_all(read_rows(PRACTICE))))


def _rate(title: str, verdicts: list[Verdict]) -> None:
    rows = {v.row.id for v in verdicts}
    three = sum(v.in_three for v in verdicts) / len(verdicts)
    first = sum(v.first for v in verdicts) / len(verdicts)
    print(f"{title}: {len(rows)} rows, {len(verdicts)} on units; in the top three {three:.1%}, first {first:.1%}")
    for v in verdicts:
        if not v.first:
            mark = "second or third" if v.in_three else "MISSED"
            print(f"  {v.row.id:>4} {v.unit:<27} {mark:<15} rank {v.rank or '-'}: {', '.join(v.top)}")

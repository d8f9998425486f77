"""The shop's confirmed cases: a small SQLite file of what teardowns showed, and the rates that follow from it.

Shipped base rates count as if a number of cases had already been seen (a Dirichlet prior), so a few cases of the
shop's own move them a little and many move them far. Nothing is overwritten: a case can be taken back, and the
shipped rate stands beside the one in use.
"""

from __future__ import annotations

import datetime as dt
import sqlite3
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from fieldassist.deduce.belief import TWO_FAULTS
from fieldassist.deduce.causes import Cause
from fieldassist.errors import UserError
from fieldassist.resources import home

STRENGTH = 60.0
"""Number of cases that the shipped rates count for."""
_SCHEMA = """
CREATE TABLE IF NOT EXISTS cases (
    id INTEGER PRIMARY KEY, at TEXT NOT NULL, unit TEXT NOT NULL, remark TEXT, session TEXT UNIQUE,
    taken_back TEXT
);
CREATE TABLE IF NOT EXISTS causes (
    case_id INTEGER NOT NULL REFERENCES cases(id), cause TEXT NOT NULL, PRIMARY KEY (case_id, cause)
);
PRAGMA user_version = 1;
"""


def cases_path() -> Path:
    """The shop's own file: `cases.sqlite` in its home folder."""
    return home() / "cases.sqlite"


@dataclass(frozen=True)
class ShopPriors:
    """Counts of confirmed causes for one unit."""

    counts: Mapping[str, int]
    """Cause id -> confirmed cases."""
    cases: int = 0
    """Confirmed cases."""
    with_two: int = 0
    """Of these, with more than one cause."""

    def rates(self, causes: Sequence[Cause]) -> dict[str, float]:
        """Cause id -> rate per 1000: posterior mean of a Dirichlet of shipped rates and the shop's counts."""
        shipped = {cause.id: cause.base_rate for cause in causes}
        total = sum(shipped.values())
        seen = sum(self.counts.get(cause, 0) for cause in shipped)
        return {
            cause: total * (STRENGTH * rate / total + self.counts.get(cause, 0)) / (STRENGTH + seen)
            for cause, rate in shipped.items()
        }

    def two_faults(self) -> float:
        """Probability of two causes at once: posterior mean of a Beta."""
        return (STRENGTH * TWO_FAULTS + self.with_two) / (STRENGTH + self.cases)


@dataclass(frozen=True)
class Case:
    """One confirmed case."""

    id: int
    at: str
    """UTC, ISO 8601."""
    unit: str
    causes: tuple[str, ...]
    remark: str | None
    taken_back: str | None
    """When it was taken back; None when it counts."""


class CaseBook:
    """The file of confirmed cases."""

    def __init__(self, path: Path) -> None:
        """Open or create it. Raises UserError when the file is not one or cannot be written."""
        self.path = path
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._db = sqlite3.connect(path, timeout=10.0)
            version = self._db.execute("PRAGMA user_version").fetchone()[0]
            if version > 1:
                raise UserError(f"{path}: cases were written by a newer version (schema {version}); expected 1")
            self._db.executescript(_SCHEMA)
        except (sqlite3.Error, OSError) as error:
            raise UserError(f"{path}: not a usable file of confirmed cases ({error})") from error

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def confirm(
        self, unit: str, causes: Sequence[str], remark: str | None = None, session: str | None = None
    ) -> int:
        """Record what the teardown showed; return the case's number.

        The same `session` is recorded once: a second time replaces its causes.
        """
        with self._db:
            old = self._db.execute("SELECT id FROM cases WHERE session = ?", (session,)).fetchone()
            if old is None:
                row = (_now(), unit, remark, session)
                sql = "INSERT INTO cases (at, unit, remark, session) VALUES (?, ?, ?, ?)"
                case = int(self._db.execute(sql, row).lastrowid or 0)
            else:
                case = int(old[0])
                sql = "UPDATE cases SET at = ?, unit = ?, remark = ?, taken_back = NULL WHERE id = ?"
                self._db.execute(sql, (_now(), unit, remark, case))
                self._db.execute("DELETE FROM causes WHERE case_id = ?", (case,))
            self._db.executemany("INSERT OR IGNORE INTO causes VALUES (?, ?)", [(case, cause) for cause in causes])
        return case

    def take_back(self, case: int) -> None:
        """Make a case count no longer; it stays in the file. Raises UserError when there is no such case."""
        with self._db:
            sql = "UPDATE cases SET taken_back = ? WHERE id = ? AND taken_back IS NULL"
            if self._db.execute(sql, (_now(), case)).rowcount == 0:
                raise UserError(f"{self.path}: no case {case} that counts")

    def cases(self) -> tuple[Case, ...]:
        """All cases, oldest first, those taken back too."""
        rows = self._db.execute("SELECT id, at, unit, remark, taken_back FROM cases ORDER BY id").fetchall()
        causes: dict[int, list[str]] = {}
        for case, cause in self._db.execute("SELECT case_id, cause FROM causes ORDER BY cause"):
            causes.setdefault(case, []).append(cause)
        return tuple(Case(i, at, unit, tuple(causes.get(i, ())), text, back) for i, at, unit, text, back in rows)

    def priors(self, unit: str) -> ShopPriors:
        """Counts for one unit."""
        cases = [case for case in self.cases() if case.unit == unit and case.taken_back is None]
        counts = Counter(cause for case in cases for cause in case.causes)
        return ShopPriors(dict(counts), len(cases), sum(len(case.causes) > 1 for case in cases))


def _now() -> str:
    return dt.datetime.now(dt.UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def shop_priors(unit: str) -> ShopPriors | None:
    """Return what the shop's confirmed cases say about a unit (its name); None while there are none."""
    path = cases_path()
    if not path.is_file():
        return None
    book = CaseBook(path)
    try:
        return book.priors(unit)
    finally:
        book.close()

"""`fieldassist deduce FILE`: suspects, reasons and the next test, from a session or from findings as JSON."""

from __future__ import annotations

import argparse
import json
import sys
import textwrap
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fieldassist.deduce import CaseBook, Context, Deduction, Suspect, Unit, cases_path, deduce, load_unit
from fieldassist.deduce.causes import cause_by_id
from fieldassist.deduce.priors import Case, ShopPriors
from fieldassist.deduce.shopwords import describe
from fieldassist.errors import UserError
from fieldassist.finding import SEVERITIES, Finding
from fieldassist.record.projection import project
from fieldassist.record.store import Store

WIDTH = 80
_SQLITE = b"SQLite format 3\x00"
_MOST = 10_000_000
"""Bytes of JSON that are read at most."""
_DEPTH = {
    "adjust": "adjustment", "fluid_and_filter": "fluid and filter", "in_vehicle": "work with the unit in place",
    "removal": "removal of the unit", "not_transmission": "not the transmission", "none": "nothing to mend",
    "unknown": "something else",
}  # fmt: skip


@dataclass(frozen=True)
class Question:
    """What a file asks."""

    unit: Unit
    findings: tuple[Finding, ...]
    context: Context
    done: frozenset[str]


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument(
        "file", metavar="FILE", help="a session file, or JSON: unit, findings, context; - for stdin"
    )
    parser.add_argument("--unit", help="unit to use in place of the file's")
    parser.add_argument("--cases", type=Path, metavar="FILE", help="confirmed cases that move the priors")
    parser.add_argument("--shipped-priors", action="store_true", help="leave the shop's confirmed cases out")
    parser.add_argument(
        "--confirm", action="append", metavar="CAUSE", help="record what the teardown showed; may be repeated"
    )
    parser.add_argument("--take-back", type=int, metavar="N", help="make confirmed case N count no longer")
    parser.add_argument("--json", action="store_true", help="print JSON")


def run(args: argparse.Namespace) -> int:
    """Deduce and print, after recording or taking back a confirmed case. Raises UserError for bad input."""
    question = read_question(args.file, args.unit)
    path = args.cases or cases_path()
    if args.cases is not None and not path.is_file() and not args.confirm:
        raise UserError(f"{path}: no such file; expected the shop's confirmed cases")
    for cause in args.confirm or ():
        cause_by_id(question.unit, cause)
    priors: ShopPriors | None = None
    cases: tuple[Case, ...] = ()
    if path.is_file() or args.confirm:
        book = CaseBook(path)
        try:
            if args.take_back is not None:
                book.take_back(args.take_back)
            if args.confirm:
                session = None if args.file == "-" else str(Path(args.file).resolve())
                book.confirm(question.unit.name, args.confirm, session=session)
            priors = book.priors(question.unit.name)
            cases = tuple(case for case in book.cases() if case.unit == question.unit.name)
        finally:
            book.close()
    elif args.take_back is not None:
        raise UserError(f"{path}: no confirmed cases yet, so none to take back")
    used = None if args.shipped_priors else priors
    result = deduce(question.unit, question.findings, question.context, question.done, used)
    if args.json:
        print(json.dumps(result.to_json(), indent=2, ensure_ascii=False))
    else:
        print("\n".join([*page(question, result), *_cases(cases, used is not None)]))
    return 0


def _cases(cases: tuple[Case, ...], used: bool) -> list[str]:
    """The shop's cases of this unit, newest first."""
    if not cases:
        return []
    counting = sum(case.taken_back is None for case in cases)
    lines = ["", f"Confirmed cases of this unit: {counting}" + ("" if used else " (left out)")]
    for case in reversed(cases[-5:]):
        back = ", taken back" if case.taken_back else ""
        lines += _wrap(f"{case.id:>5}  {case.at[:10]}  {', '.join(case.causes)}{back}", 19)
    return lines


def read_question(name: str, unit: str | None = None) -> Question:
    """Read a session file or JSON. Raises UserError that names the file and what was expected."""
    if name == "-":
        return _from_json(sys.stdin.buffer.read(_MOST), "standard input", unit)
    path = Path(name)
    try:
        with path.open("rb") as file:
            head = file.read(len(_SQLITE))
            rest = b"" if head == _SQLITE else file.read(_MOST)
    except OSError as error:
        raise UserError(f"{path}: cannot be read ({error.strerror})") from error
    return _from_session(path, unit) if head == _SQLITE else _from_json(head + rest, str(path), unit)


def _from_session(path: Path, unit: str | None) -> Question:
    store = Store.open(path, readonly=True)
    try:
        view = project(store.events())
    finally:
        store.close()
    name = unit or view.unit
    if name is None:
        raise UserError(f"{path}: the session names no unit; give one with --unit")
    context = Context.from_intake({**view.started, **view.intake})
    return Question(load_unit(name), view.findings(), context, frozenset(view.steps_done) - view.steps_skipped)


def _from_json(content: bytes, name: str, unit: str | None) -> Question:
    try:
        data = json.loads(content.decode("utf-8"))
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError) as error:
        where = f" (line {error.lineno})" if isinstance(error, json.JSONDecodeError) else ""
        raise UserError(f"{name}: expected a session file or JSON with unit and findings{where}") from error
    if isinstance(data, list):
        data = {"findings": data}
    if not isinstance(data, dict):
        raise UserError(f"{name}: expected a JSON object with unit and findings, got {type(data).__name__}")
    wanted = unit or data.get("unit")
    if not isinstance(wanted, str):
        raise UserError(f'{name}: "unit" is missing; expected the name of a unit such as three_speed_simpson')
    rows: Any = data.get("findings")
    if not isinstance(rows, list):
        raise UserError(f'{name}: "findings" is missing; expected a list of findings')
    findings = []
    for number, row in enumerate(rows, start=1):
        try:
            if isinstance(row, dict) and row.get("severity") not in (None, *SEVERITIES):
                row = {key: value for key, value in row.items() if key != "severity"}  # a word of another list
            findings.append(Finding.from_json(row))
        except UserError as error:
            raise UserError(f"{name}: finding {number}: {error}") from error
    done = data.get("done", [])
    if not isinstance(done, list) or not all(isinstance(step, str) for step in done):
        raise UserError(f'{name}: "done" must be a list of step ids')
    try:
        context = Context.from_json(data.get("context"))
    except UserError as error:
        raise UserError(f"{name}: {error}") from error
    return Question(load_unit(wanted), tuple(findings), context, frozenset(done))


def page(question: Question, result: Deduction) -> list[str]:
    """The answer for a terminal, at most WIDTH columns."""
    lines = [question.unit.title, ""]
    if question.findings:
        lines.append("Findings")
        for number, finding in enumerate(question.findings, start=1):
            doubt = f"  (heard {finding.confidence:.0%} sure)" if finding.confidence < 1.0 else ""
            lines += _wrap(f"{number:>3}  {describe(finding)}{doubt}", 5)
    else:
        lines.append("No findings yet: what follows is how often each cause occurs.")
    if result.computed:
        lines += ["", "Computed"]
        for sentence in result.computed:
            lines += _wrap(f"     {sentence}", 5)
    lines += ["", "Suspects"]
    for number, suspect in enumerate(result.suspects[:5], start=1):
        lines += _suspect(number, suspect)
    rest = [s for s in result.suspects[5:] if s.probability >= 0.01]
    if rest:
        lines += _wrap("     also: " + ", ".join(f"{s.name} {s.probability:.0%}" for s in rest), 11)
    lines += _wrap(f"     something else {result.unknown:.0%}, nothing wrong {result.good:.0%}", 5)
    for a, b, p in result.pairs[:2]:
        lines += _wrap(f"     two at once: {a} and {b} {p:.0%}", 5)
    work = sorted(((p, depth) for depth, p in result.work.items() if p >= 0.02), reverse=True)
    lines += ["", "Work", *_wrap("     " + ", ".join(f"{_DEPTH[depth]} {p:.0%}" for p, depth in work), 5)]
    if result.contradictions:
        lines += ["", "Does not fit together"]
        for c in result.contradictions:
            again = f"; repeat {c.repeat}" if c.repeat else ""
            lines += _wrap(f"     {c.text}{again}", 5)
    lines += ["", "Next test"]
    if result.stop is not None:
        lines += _wrap(f"     none: {result.stop}", 5)
    for test in result.next_tests[:3]:
        lines += _wrap(f"     {test.title} [{test.step}]", 5)
        lines += _wrap(f"       {test.gain_bits:.2f} bits, {test.minutes:g} min, {test.depth}. {test.why}", 7)
        for caution in test.cautions:
            lines += _wrap(f"       ! {caution}", 9)
    for step, why in result.withheld.items():
        lines += _wrap(f"     not now: {step} ({why})", 5)
    lines += [
        "",
        *_wrap("The vehicle maker's service information, local law and licensed practice come first.", 0),
    ]
    return lines


def _suspect(number: int, suspect: Suspect) -> list[str]:
    bar = "#" * round(10 * suspect.probability)
    lines = _wrap(f"{number:>3}  {suspect.probability:>4.0%} {bar:<10} {suspect.name}", 21)
    rate = ""
    if abs(suspect.used_rate - suspect.shipped_rate) >= 0.05 * suspect.shipped_rate:
        rate = f"; per 1000: {suspect.shipped_rate:g} as shipped, {suspect.used_rate:.1f} with the shop's cases"
    lines += _wrap(f"       {suspect.cause}: {suspect.work} ({_DEPTH[suspect.depth]}){rate}", 7)
    for weight in suspect.for_[:4]:
        lines += _wrap(f"       for     {weight.decibans:+5.1f} dB  {weight.text}", 24)
    for weight in suspect.against[:4]:
        lines += _wrap(f"       against {weight.decibans:+5.1f} dB  {weight.text}", 24)
    if suspect.clears and suspect.probability >= 0.05:
        clearing = suspect.clears[0]
        lines += _wrap(f"       cleared if normal: {clearing.title} ({clearing.decibans:+.0f} dB)", 26)
    if suspect.probability >= 0.05:
        for caution in suspect.cautions:
            lines += _wrap(f"       ! {caution}", 9)
    return lines


def _wrap(text: str, indent: int) -> list[str]:
    return textwrap.wrap(text, WIDTH, subsequent_indent=" " * indent, drop_whitespace=True) or [""]

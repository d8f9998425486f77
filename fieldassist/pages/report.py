"""The write-up as one self-contained HTML file: no script, nothing fetched, pictures inside."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import jinja2

from fieldassist import __version__
from fieldassist.deduce.unit import Unit
from fieldassist.errors import UserError
from fieldassist.finding import Finding
from fieldassist.pages.case import Case, read_case
from fieldassist.pages.pictures import chart_rows, flow_picture, flow_view, gears_range
from fieldassist.pages.wording import words
from fieldassist.pages.writeup import SuspectLine, percent, suspect_lines, write_up

HERE = Path(__file__).resolve().parent


@dataclass(frozen=True)
class Picture:
    """One picture with its heading."""

    title: str
    svg: str
    caption: str


def write_report(session_path: str | Path, html_path: str | Path) -> Path:
    """Write the report of a session and return its path.

    The file is replaced in one step, so that a failure leaves an earlier one whole. Raises UserError when
    the session cannot be read or the file cannot be written.
    """
    target = Path(html_path)
    text = report_html(read_case(session_path))
    part = target.with_name(target.name + ".part")
    try:
        part.write_text(text, encoding="utf-8")
        part.replace(target)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise UserError(f"{target}: cannot be written ({error.strerror})") from None
    return target


def report_html(case: Case) -> str:
    """Return the report of a session as a whole HTML document."""
    style = (HERE / "static" / "report.css").read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    heads, rows = applied_table(case)
    return (
        templates()
        .get_template("report.html")
        .render(
            w=write_up(case.events, case.unit_title, case.step_names, case.planned),
            pictures=pictures(case),
            chart_heads=heads,
            chart_rows=rows,
            percent=percent,
            style=style,
            style_hash=f"sha256-{digest}",
            file_name=case.path.name,
            version=__version__,
        )
    )


@cache
def templates() -> jinja2.Environment:
    """Return the template environment of all pages; everything put into a template is escaped."""
    return jinja2.Environment(
        loader=jinja2.FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def applied_table(case: Case) -> tuple[tuple[str, ...], Sequence[object]]:
    """Return heads and rows of the applied-elements table, suspects marked and findings laid over it."""
    if case.unit is None:
        return (), ()
    return chart_rows(case.unit, _marks(case.unit, suspect_lines(case.view.deduced)), by_gear(case))


def pictures(case: Case) -> tuple[Picture, ...]:
    """Return the pictures that this session has data for."""
    out: list[Picture] = []
    if case.unit is not None:
        out.extend(_flow_pictures(case.unit, case))
    return tuple(out)


def by_gear(case: Case) -> Mapping[str, list[str]]:
    """Return the findings that count, in shop words, per gear; one on a shift belongs to the gear it leads to."""
    out: dict[str, list[str]] = {}
    for finding in case.view.findings():
        gear = gear_of(finding)
        if gear is not None and finding.kind != "normal":
            out.setdefault(gear, []).append(words(finding))
    return out


def gear_of(finding: Finding) -> str | None:
    """Return the gear that a finding speaks of, None when it speaks of none."""
    if finding.gear:
        return finding.gear
    if finding.shift:
        return finding.shift.partition("-")[2]
    return "R" if finding.range == "R" else None


def suspect_element(unit: Unit, line: SuspectLine) -> str | None:
    """Return the element that a cause blames, None for causes that blame none."""
    return next((part for part in line.cause.split(":") if part in unit.elements), None)


def gear_in_question(unit: Unit, case: Case) -> tuple[str, str, frozenset[str]] | None:
    """Return (range, gear, elements taken as not holding) that the first suspect points to.

    Of the gears in which the suspect's element works, the one with the most complaints; None without a
    suspect that blames an element.
    """
    for line in suspect_lines(case.view.deduced, most=1):
        element = suspect_element(unit, line)
        if element is None:
            return None
        found = by_gear(case)
        gears = [gear for gear in unit.gears if element in unit.applied(gears_range(unit, gear), gear)]
        if not gears:
            return None
        gear = max(gears, key=lambda g: len(found.get(g, ())))
        return gears_range(unit, gear), gear, frozenset({element})
    return None


def _flow_pictures(unit: Unit, case: Case) -> list[Picture]:
    question = gear_in_question(unit, case)
    if question is None:
        return []
    range, gear, missing = question
    out = []
    for name, without in (("flow-good", frozenset[str]()), ("flow-bad", missing)):
        view = flow_view(unit, range, gear, missing=without)
        told = "; ".join(f"{element}: {what}" for element, what in view.elements)
        out.append(Picture(f"Power flow: {view.title}", flow_picture(unit, view, name), f"{view.summary} {told}."))
    return out


def _marks(unit: Unit, lines: Sequence[SuspectLine]) -> Mapping[str, str]:
    marks: dict[str, str] = {}
    for line in lines:
        element = suspect_element(unit, line)
        if element is not None and line.probability >= 0.02:
            marks.setdefault(element, str(line.rank))
    return marks

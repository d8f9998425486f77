"""Which pictures a session has data for, put together for the bay review and the report."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from fieldassist.deduce import Context, Unit
from fieldassist.finding import Finding
from fieldassist.pages.applied import ChartRow, chart_rows
from fieldassist.pages.case import Case
from fieldassist.pages.flow import flow_picture, flow_view
from fieldassist.pages.gauges import pattern_words, pressure_pattern, pressure_picture
from fieldassist.pages.shift_map import shift_map, shift_map_picture
from fieldassist.pages.svg import NARROW, WIDE
from fieldassist.pages.wording import words
from fieldassist.pages.writeup import SuspectLine, suspect_lines

MARKED = 0.02
"""Probability from which a suspect is marked in the table."""


@dataclass(frozen=True)
class Picture:
    """One picture with its heading."""

    id: str
    title: str
    svg: str
    """Drawn twice, for a wide and for a narrow page; the style sheet shows one."""
    caption: str


@dataclass(frozen=True)
class Question:
    """The gear that the first suspect points to."""

    range: str
    gear: str
    missing: frozenset[str]
    """Elements taken as not holding."""


def pictures(case: Case, question: Question | None = None) -> tuple[Picture, ...]:
    """Return the pictures that this session has data for; `question` asks for another gear's power flow."""
    unit = case.unit
    if unit is None:
        return ()
    out: list[Picture] = []
    tyre, axle = tyre_and_axle(case)
    shifts = shift_map(unit, case.view.findings(), tyre, axle)
    if shifts is not None:
        svg = both(lambda *at: shift_map_picture(shifts, *at), "shift-map")
        out.append(Picture("shift-map", "Shift speeds over throttle", svg, shifts.note))
    pattern = pressure_pattern(unit, case.view.findings())
    if pattern is not None:
        caption = pattern_words(unit, pattern)
        if unit.specification is not None and unit.specification.demo:
            caption = f"{caption} Specified figures are EXAMPLES of the unit file, not a vehicle maker's.".strip()
        out.append(
            Picture(
                "pressures",
                "Pressures against specification",
                both(lambda *at: pressure_picture(unit, pattern, *at), "pressures"),
                caption,
            )
        )
    question = question or gear_in_question(unit, case)
    if question is not None:
        out.extend(_flow_pictures(unit, question))
    return tuple(out)


def both(draw: Callable[[str, float], str], name: str) -> str:
    """Draw a picture for a wide and for a narrow page."""
    return draw(name, WIDE) + draw(f"{name}-narrow", NARROW)


def applied_table(case: Case) -> tuple[tuple[str, ...], tuple[ChartRow, ...]]:
    """Return heads and rows of the applied-elements table, suspects marked and findings laid over it."""
    if case.unit is None:
        return (), ()
    return chart_rows(
        case.unit, _marks(case.unit, suspect_lines(case.view.deduced)), by_gear(case.view.findings())
    )


def tyre_and_axle(case: Case) -> tuple[str | None, float | None]:
    """Return the vehicle's tyre (size or diameter) and axle ratio as recorded, None where they were not."""
    context = Context.from_intake({**case.view.started, **case.view.intake})
    return context.tyre, context.axle_ratio


def by_gear(findings: Sequence[Finding]) -> Mapping[str, list[str]]:
    """Return findings in shop words per gear; one on a shift belongs to the gear it leads to."""
    out: dict[str, list[str]] = {}
    for finding in findings:
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


def gear_in_question(unit: Unit, case: Case) -> Question | None:
    """Return the gear that the first suspect points to; None when it blames no element.

    Of the gears in which the suspect's element works, the one with the most complaints.
    """
    lines = suspect_lines(case.view.deduced, most=1)
    element = suspect_element(unit, lines[0]) if lines else None
    gears = [gear for gear in unit.gears if element in unit.applied(unit.range_of(gear), gear)]
    if element is None or not gears:
        return None
    found = by_gear([f for f in case.view.findings() if f.present])
    gear = max(gears, key=lambda g: len(found.get(g, ())))
    return Question(unit.range_of(gear), gear, frozenset({element}))


def _flow_pictures(unit: Unit, question: Question) -> list[Picture]:
    sound = _flow_picture(unit, question, frozenset(), "flow-sound")
    return [sound, _flow_picture(unit, question, question.missing, "flow-fault")] if question.missing else [sound]


def _flow_picture(unit: Unit, question: Question, missing: frozenset[str], name: str) -> Picture:
    view = flow_view(unit, question.range, question.gear, missing=missing)
    told = "; ".join(f"{element}: {what}" for element, what in view.elements)
    svg = both(lambda *at: flow_picture(unit, view, *at), name)
    return Picture(name, f"Power flow: {view.title}", svg, f"{view.summary} {told}.")


def _marks(unit: Unit, lines: Sequence[SuspectLine]) -> Mapping[str, str]:
    marks: dict[str, str] = {}
    for line in lines:
        element = suspect_element(unit, line)
        if element is not None and line.probability >= MARKED:
            marks.setdefault(element, str(line.rank))
    return marks

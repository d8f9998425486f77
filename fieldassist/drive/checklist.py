"""The checklist: what is asked in which order, read from a TOML file and laid out for one unit."""

from __future__ import annotations

import string
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

from fieldassist.deduce import steps as deduction_steps
from fieldassist.deduce.step import Step
from fieldassist.deduce.tomlfile import Table, read_toml
from fieldassist.errors import UserError
from fieldassist.finding import KINDS, Finding
from fieldassist.phrases.readback import say_shift
from fieldassist.resources import home, shipped

PROMPT_WORDS = 12
"""A prompt that a driver can take in without looking: about four seconds of speech."""
CAUTION_WORDS = 24
"""A caution is spoken once, before the work that it is about."""

GEAR_WORDS: dict[str, str] = {
    "1": "first", "2": "second", "3": "third", "4": "fourth", "5": "fifth", "6": "sixth", "7": "seventh",
    "8": "eighth", "R": "reverse", "N": "neutral",
}  # fmt: skip
RANGE_WORDS: dict[str, str] = {
    "P": "park", "R": "reverse", "N": "neutral", "D": "drive", "3": "three", "2": "two", "1": "low",
}  # fmt: skip
Pattern = tuple[tuple[str, Any], ...]
"""Keys of a finding and the values they must have, for `skip_when` and `stop_when`."""


@dataclass(frozen=True)
class Section:
    """A stretch of the job: before the drive, on the road."""

    id: str
    title: str
    caution: str = ""
    """Spoken once, when the first item of the section begins."""


@dataclass(frozen=True)
class Item:
    """One thing that is asked, laid out for the unit."""

    id: str
    """The deduction step's id, or the item's own where the deduction has no such step."""
    section: Section
    title: str
    """For the page and the terminal."""
    prompt: str
    step: Step | None = None
    answers: tuple[str, ...] = ()
    """Finding kinds that answer it; anything else heard meanwhile is kept and the item stays open."""
    follow_up: str | None = None
    """Kind of the number asked for after the answer: `shift_speed`, `engagement_time`."""
    follow_up_prompt: str = ""
    normal: Finding | None = None
    """What a bare "normal" means here; None: normal in every way, in the step's condition."""
    assume: Pattern = ()
    """Condition of what is found here, besides the step's own: the gear that the car pulls away in."""
    yes: Finding | None = None
    """What a bare "yes" means here."""
    no: Finding | None = None
    """What a bare "no" means here."""
    expect: str = ""
    """What a good unit does here; for the page."""
    caution: str = ""
    """Spoken before the prompt."""
    stop_when: tuple[Pattern, ...] = ()
    """Findings after which the drive had better not go on."""
    stop_prompt: str = ""
    skip_when: tuple[Pattern, ...] = ()
    """Findings after which this item is left out."""
    on_request: bool = False
    """Asked only when the deduction asks for it and the driver agrees."""


@dataclass(frozen=True)
class Checklist:
    """A checklist laid out for a unit."""

    name: str
    title: str
    items: tuple[Item, ...]

    def item(self, item_id: str) -> Item | None:
        """Return the item with this id, or None."""
        return next((item for item in self.items if item.id == item_id), None)


def checklist_names() -> tuple[str, ...]:
    """Names that `load_checklist` knows: the shop's own and the shipped ones."""
    names = [path.stem for folder in _folders() for path in sorted(folder.glob("*.toml"))]
    return tuple(dict.fromkeys(names))


def load_checklist(name: str | Path, steps: Sequence[Step]) -> Checklist:
    """Read a checklist by name, or from the path of a `.toml` file, and lay it out for a unit's steps.

    The folder `checklists` in FIELDASSIST_HOME is searched before the shipped ones. Raises UserError
    for an unknown name, DataFileError (file, line, what was expected) for a bad file.
    """
    text = str(name)
    if text.endswith(".toml"):
        return read_checklist(Path(text), steps)
    for folder in _folders():
        path = folder / f"{text}.toml"
        if "/" not in text and "\\" not in text and path.is_file():
            return read_checklist(path, steps)
    raise UserError(
        f"checklist {text!r} is not known; known are {', '.join(checklist_names())}, or the path of a .toml"
    )


def read_checklist(path: Path, steps: Sequence[Step]) -> Checklist:
    """Read one checklist file. Raises DataFileError (file, line, what was expected)."""
    top = read_toml(path).top
    title = top.text("title")
    sections = {name: _section(name, table) for name, table in top.table("sections").tables()}
    rows = top.table("items")
    top.close()
    items: list[Item] = []
    for name, table in rows.tables():
        for item in _laid_out(name, table, sections, steps):
            if any(other.id == item.id for other in items):
                raise table.error(None, f"asks {item.id} a second time; expected every step once")
            items.append(item)
    if not any(not item.on_request for item in items):
        raise top.error("items", "nothing is asked for this unit; expected at least one item")
    return Checklist(path.stem, title, tuple(items))


def fits(pattern: Pattern, finding: Finding) -> bool:
    """Tell whether a finding has what a pattern asks for; it must be a present one unless the pattern says so."""
    wanted = {"present": True, **dict(pattern)}
    return all(getattr(finding, key) == value for key, value in wanted.items())


def _folders() -> tuple[Path, ...]:
    return tuple(folder for folder in (home() / "checklists", shipped("checklists")) if folder.is_dir())


def _section(name: str, table: Table) -> Section:
    caution = _short(table, "caution", table.text("caution", ""), CAUTION_WORDS)
    section = Section(name, table.text("title"), caution)
    table.close()
    return section


_CONDITIONS = ("range", "gear", "shift", "throttle", "load", "temperature", "where")


def _laid_out(
    name: str, table: Table, sections: Mapping[str, Section], steps: Sequence[Step]
) -> tuple[Item, ...]:
    """Make the items of one table: one, or one for every step of its procedure that the unit has."""
    section = sections[table.text("section", choices=tuple(sections))]
    step_id, procedure = table.text("step", None), table.text("procedure", None)
    if step_id is not None and procedure is not None:
        raise table.error("step", "expected step or procedure, not both")
    wanted = _conditions(table, "only")
    found: tuple[Step | None, ...] = tuple(
        step
        for step in steps
        if (step.id == step_id or step.procedure == procedure)
        and all(getattr(step, key) == value for key, value in wanted)
    )
    if step_id is None and procedure is None:
        found = (None,)
    elif not found:
        _expect_known(table, step_id, procedure)  # this unit may lack it, but it must exist
    answers = table.texts("answers", (), choices=KINDS)
    also = table.texts("also", (), choices=KINDS)
    follow_up = table.text("follow_up", None, choices=KINDS)
    skip_when, stop_when = _patterns(table, "skip_when"), _patterns(table, "stop_when")
    meant = {
        key: _finding(table.table(key))
        for key in ("yes", "no", "normal")
        if table.table(key, required=False).data
    }
    assume = _conditions(table, "assume")
    on_request = table.flag("on_request", False)
    text = {key: table.text(key, "") for key in ("title", "expect", "caution", "follow_up_prompt", "stop_prompt")}
    text["prompt"] = table.text("prompt")
    table.close()
    for key, partner, given in (
        ("follow_up_prompt", "follow_up", follow_up is not None),
        ("stop_prompt", "stop_when", bool(stop_when)),
    ):
        if bool(text[key]) != given:
            raise table.error(None, f"expected {key} and {partner} together")
    return tuple(
        Item(
            id=step.id if step is not None else name,
            section=section,
            step=step,
            answers=tuple(dict.fromkeys((*(answers or (step.kinds if step else ())), *also, "normal"))),
            follow_up=follow_up,
            normal=_at_place(meant.get("normal"), step),
            assume=tuple((key, _top_gear(steps) if value == "top" else value) for key, value in assume),
            yes=meant.get("yes"),
            no=meant.get("no"),
            stop_when=stop_when,
            skip_when=skip_when,
            on_request=on_request,
            **_filled(table, text, step),
        )
        for step in found
    )


def _expect_known(table: Table, step_id: str | None, procedure: str | None) -> None:
    """Refuse a step or procedure that no unit has."""
    known = _procedures()
    if procedure is not None and procedure not in known:
        raise table.error("procedure", f"{procedure!r} is no procedure; expected one of {', '.join(known)}")
    if step_id is not None and not any(step_id == name or step_id.startswith(f"{name}_") for name in known):
        raise table.error("step", f"{step_id!r} is no step; expected one of {', '.join(known)}, ...")


@lru_cache(maxsize=1)
def _procedures() -> tuple[str, ...]:
    rows = read_toml(Path(deduction_steps.__file__).with_name("steps.toml")).top.array("step")
    return tuple(row.text("id").partition("_{")[0] for row in rows)


def _conditions(table: Table, key: str) -> Pattern:
    below = table.table(key, required=False)
    values = {name: below.text(name, None) for name in _CONDITIONS}
    below.close()
    return tuple((name, value) for name, value in values.items() if value is not None)


def _top_gear(steps: Sequence[Step]) -> str:
    return max(step.gear for step in steps if step.gear is not None and step.gear.isdigit())


def _at_place(finding: Finding | None, step: Step | None) -> Finding | None:
    """A pressure is normal at a tap: put the step's in front of what the finding says."""
    if finding is None or step is None or finding.kind != "pressure":
        return finding
    return replace(finding, where=f"{step.where} {finding.where or ''}".strip())


def _filled(table: Table, text: Mapping[str, str], step: Step | None) -> dict[str, str]:
    """Fill the placeholders of an item's texts for one step, and refuse what is too long to be spoken."""
    words = _words(step)
    out: dict[str, str] = {}
    for key, template in text.items():
        try:
            names = {name for _, name, _, _ in string.Formatter().parse(template) if name is not None}
            for name in names:
                if not words.get(name):
                    known = ", ".join("{" + known + "}" for known, word in words.items() if word) or "none"
                    raise table.error(key, f"{{{name}}} is not known for this step; known here: {known}")
            filled = template.format(**words)
            out[key] = filled if key == "title" else filled[:1].upper() + filled[1:]
        except (ValueError, IndexError, AttributeError, KeyError) as error:
            raise table.error(key, f"expected text with {{placeholders}} ({error})") from None
        if key in ("prompt", "follow_up_prompt", "stop_prompt"):
            _short(table, key, out[key], PROMPT_WORDS)
    _short(table, "caution", out["caution"], CAUTION_WORDS)
    out["title"] = out["title"] or (step.title if step is not None else "") or out["prompt"].rstrip("?.")
    return out


def _words(step: Step | None) -> dict[str, str]:
    if step is None:
        return {}
    words = {
        "gear": GEAR_WORDS.get(step.gear or "", ""),
        "range": RANGE_WORDS.get(step.range or "", ""),
        "throttle": step.throttle or "",
        "where": (step.where or "").replace("_", " "),
    }
    if step.shift:
        low, _, high = step.shift.partition("-")
        words |= {"shift": say_shift(step.shift), "from": GEAR_WORDS[low], "to": GEAR_WORDS[high]}
    return words


def _patterns(table: Table, key: str) -> tuple[Pattern, ...]:
    patterns: list[Pattern] = []
    for row in table.array(key):
        finding = _finding(row)
        patterns.append(tuple((name, getattr(finding, name)) for name in row.data))
    return tuple(patterns)


def _finding(table: Table) -> Finding:
    try:
        return Finding.from_json(table.data)
    except UserError as error:
        raise table.error(None, str(error)) from None


def _short(table: Table, key: str, text: str, most: int) -> str:
    count = len(text.split())
    if count > most:
        raise table.error(key, f"{count} words; expected at most {most}, since it is spoken to somebody driving")
    return text

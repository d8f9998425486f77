"""The checklist: what is asked in which order, read from a TOML file and laid out for one unit."""

from __future__ import annotations

import string
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fieldassist.deduce.step import Step
from fieldassist.deduce.tomlfile import TomlFile, read_toml
from fieldassist.errors import UserError
from fieldassist.finding import KINDS, Finding
from fieldassist.resources import shipped
from fieldassist.words.models import home

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
NUMBER_WORDS: dict[str, str] = {
    "1": "one", "2": "two", "3": "three", "4": "four", "5": "five", "6": "six", "7": "seven", "8": "eight",
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
    file = read_toml(path)
    _only_keys(file, (), file.data, {"title": str, "sections": dict, "items": dict})
    title = file.data.get("title")
    if not isinstance(title, str) or not title:
        raise file.error(("title",), 'expected title = "..."')
    sections = {
        name: _section(file, name, table) for name, table in _tables(file, "sections", file.data.get("sections"))
    }
    items: list[Item] = []
    for name, table in _tables(file, "items", file.data.get("items")):
        for item in _laid_out(file, name, table, sections, steps):
            if any(other.id == item.id for other in items):
                raise file.error(("items", name), f"asks {item.id} a second time; expected every step once")
            items.append(item)
    if not any(not item.on_request for item in items):
        raise file.error(("items",), "nothing is asked for this unit; expected at least one item")
    return Checklist(path.stem, title, tuple(items))


def fits(pattern: Pattern, finding: Finding) -> bool:
    """Tell whether a finding has what a pattern asks for; it must be a present one unless the pattern says so."""
    wanted = {"present": True, **dict(pattern)}
    return all(getattr(finding, key) == value for key, value in wanted.items())


def spoken_shift(shift: str) -> str:
    """`1-2` as the trade says it: `one two`."""
    low, _, high = shift.partition("-")
    return f"{NUMBER_WORDS[low]} {NUMBER_WORDS[high]}"


def _folders() -> tuple[Path, ...]:
    return tuple(folder for folder in (home() / "checklists", shipped("checklists")) if folder.is_dir())


_ITEM_KEYS: dict[str, type] = {
    "section": str, "step": str, "procedure": str, "only": dict, "title": str, "prompt": str, "answers": list,
    "also": list, "follow_up": str, "follow_up_prompt": str, "yes": dict, "no": dict, "expect": str, "caution": str,
    "stop_when": list, "stop_prompt": str, "skip_when": list, "on_request": bool,
}  # fmt: skip

_TYPE_WORDS: dict[type, str] = {str: "text", dict: "a table", list: "a list", bool: "true or false"}

_CONDITIONS = ("range", "gear", "shift", "throttle", "load", "temperature", "where")


def _section(file: TomlFile, name: str, table: Mapping[str, Any]) -> Section:
    keys = ("sections", name)
    _only_keys(file, keys, table, {"title": str, "caution": str})
    if "title" not in table:
        raise file.error(keys, 'expected title = "..."')
    caution = str(table.get("caution", ""))
    _expect_short(file, (*keys, "caution"), caution, CAUTION_WORDS)
    return Section(name, table["title"], caution)


def _laid_out(
    file: TomlFile,
    name: str,
    table: Mapping[str, Any],
    sections: Mapping[str, Section],
    steps: Sequence[Step],
) -> Iterable[Item]:
    """Make the items of one table: one, or one for every step of its procedure that the unit has."""
    keys = ("items", name)
    _only_keys(file, keys, table, _ITEM_KEYS)
    if "prompt" not in table:
        raise file.error(keys, 'expected prompt = "..."')
    section = sections.get(table.get("section", ""))
    if section is None:
        raise file.error((*keys, "section"), f"expected section = one of {', '.join(sections) or '[sections.*]'}")
    only = table.get("only", {})
    for key in only:
        if key not in _CONDITIONS:
            raise file.error((*keys, "only"), f"{key!r} is no condition; expected {', '.join(_CONDITIONS)}")
    if "procedure" in table and "step" in table:
        raise file.error((*keys, "step"), "expected step or procedure, not both")
    wanted: tuple[Step | None, ...] = (None,)
    if "step" in table:
        wanted = tuple(step for step in steps if step.id == table["step"])
    elif "procedure" in table:
        wanted = tuple(
            step
            for step in steps
            if step.procedure == table["procedure"] and all(getattr(step, k) == v for k, v in only.items())
        )
    kinds = {key: _kinds(file, (*keys, key), table[key]) for key in ("answers", "also") if key in table}
    _kinds(file, (*keys, "follow_up"), [table["follow_up"]] if "follow_up" in table else [])
    meant = {key: _finding(file, (*keys, key), table[key]) for key in ("yes", "no") if key in table}
    if ("follow_up" in table) != ("follow_up_prompt" in table):
        raise file.error(keys, "expected follow_up and follow_up_prompt together")
    if ("stop_when" in table) != ("stop_prompt" in table):
        raise file.error(keys, "expected stop_when and stop_prompt together")
    patterns = {key: _patterns(file, (*keys, key), table.get(key, ())) for key in ("stop_when", "skip_when")}
    for step in wanted:
        words = _words(step)
        text = {
            key: _filled(file, (*keys, key), str(table.get(key, "")), words)
            for key in ("prompt", "follow_up_prompt", "caution", "stop_prompt", "expect", "title")
        }
        for key in ("prompt", "follow_up_prompt", "stop_prompt"):
            _expect_short(file, (*keys, key), text[key], PROMPT_WORDS)
        _expect_short(file, (*keys, "caution"), text["caution"], CAUTION_WORDS)
        answers = kinds.get("answers", step.kinds if step is not None else ())
        title = text["title"] or (step.title if step is not None else "") or text["prompt"].rstrip("?.")
        yield Item(
            id=step.id if step is not None else name,
            section=section,
            title=title,
            prompt=text["prompt"],
            step=step,
            answers=tuple(dict.fromkeys((*answers, *kinds.get("also", ()), "normal"))),
            follow_up=table.get("follow_up"),
            follow_up_prompt=text["follow_up_prompt"],
            yes=meant.get("yes"),
            no=meant.get("no"),
            expect=text["expect"],
            caution=text["caution"],
            stop_when=patterns["stop_when"],
            stop_prompt=text["stop_prompt"],
            skip_when=patterns["skip_when"],
            on_request=table.get("on_request", False),
        )


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
        words |= {"shift": spoken_shift(step.shift), "from": GEAR_WORDS[low], "to": GEAR_WORDS[high]}
    return words


def _filled(file: TomlFile, keys: tuple[str, ...], text: str, words: Mapping[str, str]) -> str:
    try:
        names = {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}
    except ValueError as error:
        raise file.error(keys, f"expected text with {{placeholders}} ({error})") from None
    for name in names:
        if not words.get(name):
            known = ", ".join(sorted(key for key, word in words.items() if word)) or "none"
            raise file.error(keys, f"{{{name}}} is not known for this step; known here: {known}")
    return text.format(**words)


def _kinds(file: TomlFile, keys: tuple[str, ...], kinds: Sequence[Any]) -> tuple[str, ...]:
    for kind in kinds:
        if kind not in KINDS:
            raise file.error(keys, f"{kind!r} is no kind of finding; expected one of {', '.join(KINDS)}")
    return tuple(kinds)


def _patterns(file: TomlFile, keys: tuple[str, ...], tables: Sequence[Any]) -> tuple[Pattern, ...]:
    out: list[Pattern] = []
    for table in tables:
        if not isinstance(table, dict) or "kind" not in table:
            raise file.error(keys, 'expected a list of tables like { kind = "no_drive", range = "D" }')
        finding = _finding(file, keys, table)
        out.append(tuple((key, getattr(finding, key)) for key in table))
    return tuple(out)


def _finding(file: TomlFile, keys: tuple[str, ...], table: Mapping[str, Any]) -> Finding:
    try:
        return Finding.from_json(table)
    except UserError as error:
        raise file.error(keys, str(error)) from None


def _tables(file: TomlFile, name: str, tables: Any) -> Iterable[tuple[str, Mapping[str, Any]]]:
    if not isinstance(tables, dict):
        raise file.error((name,), f"expected tables [{name}.NAME]")
    for key, table in tables.items():
        if not isinstance(table, dict):
            raise file.error((name, key), f"expected a table [{name}.{key}]")
        yield key, table


def _only_keys(file: TomlFile, keys: tuple[str, ...], table: Mapping[str, Any], known: Mapping[str, type]) -> None:
    for key, value in table.items():
        if key not in known:
            raise file.error((*keys, key), f"{key!r} is not known here; expected {', '.join(known)}")
        if not isinstance(value, known[key]):
            raise file.error((*keys, key), f"{key} must be {_TYPE_WORDS[known[key]]}, got {value!r}")


def _expect_short(file: TomlFile, keys: tuple[str, ...], text: str, most: int) -> None:
    count = len(text.split())
    if count > most:
        raise file.error(keys, f"{count} words; expected at most {most}, since it is spoken to somebody driving")

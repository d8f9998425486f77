"""Example wordings: what technicians say in words of their own, and what they mean by it (`wordings.toml`)."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from fieldassist.errors import DataFileError
from fieldassist.finding import KINDS

FILE = "wordings.toml"
TALK = "talk"
"""What a wording means that is not for the tool."""
COMMAND = "command"
"""First word of the meaning of a command."""
COMMANDS = ("next", "again", "back", "skip", "strike", "hold", "resume", "note", "how_far", "finish", "yes", "no")
"""As in `commands.gram`."""
_LEVELS = ("low", "normal", "high")
_BEHIND: Mapping[str, tuple[str, ...] | None] = {
    "fluid_level": ("low", "high"),
    "fluid_condition": ("milky", "burnt", "foamy", "dark", "clear", "particles", "varnish"),
    "pressure": _LEVELS, "stall_speed": _LEVELS, "linkage": ("selector", "throttle"), "noise": None, "leak": None,
}  # fmt: skip
"""What may stand behind a kind; None: any one word."""
_KEYS = ("at", "means", "said")
_EXPECTED = (
    'expected { at = "...", means = "...", said = "..." }, means being a kind of finding (with "no" before it, or '
    'a place or look behind it), "command ..." or "talk"'
)


@dataclass(frozen=True)
class Wording:
    """One example."""

    at: str
    """The procedure under way, as in the ids of steps: `upshift`, `engine_braking`, `pressure`."""
    means: str
    """`slip`, `no slip`, `fluid_condition burnt`, `command next`, `talk`."""
    said: str


def read_wordings(path: Path) -> tuple[Wording, ...]:
    """Read a file of examples. Raises DataFileError that names file, line and what was expected."""
    try:
        text = path.read_text(encoding="utf-8")
        data = tomllib.loads(text)
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise DataFileError(path, None, f"cannot be read as TOML ({error})") from None
    rows = data.pop("wording", None)
    if not isinstance(rows, list) or data:
        raise DataFileError(path, None, "expected one list and nothing else: wording = [ ... ]")
    return tuple(_wording(path, text, number, row) for number, row in enumerate(rows))


def _wording(path: Path, text: str, number: int, row: object) -> Wording:
    given = row if isinstance(row, dict) else {}
    if set(given) != set(_KEYS) or not all(isinstance(given[key], str) and given[key].strip() for key in _KEYS):
        raise DataFileError(path, _line(text, number), _EXPECTED)
    means = " ".join(given["means"].split())
    if not _is_meaning(means):
        raise DataFileError(path, _line(text, number), f"means {means!r}: {_EXPECTED}")
    return Wording(given["at"].strip(), means, given["said"])


def _is_meaning(means: str) -> bool:
    words = means.split()
    if means == TALK:
        return True
    if words[0] == COMMAND:
        return len(words) == 2 and words[1] in COMMANDS
    denied = words[0] == "no" and len(words) > 1
    kind, *behind = words[1:] if denied else words
    if kind not in KINDS or (denied and kind == "normal"):
        return False
    allowed = _BEHIND.get(kind, ())
    return not behind or (len(behind) == 1 and (allowed is None or behind[0] in allowed))


_PIECES = re.compile(r"""#.*|"(?:\\.|[^"\\])*"|'[^']*'|[\[\]{},]|[^\s\[\]{},#"']+""")


def _line(text: str, number: int) -> int | None:
    """The line on which a row of the list begins: a row follows on a bracket or comma that stands in one bracket,
    which goes for `[[wording]]` as well. None where quotes within long strings hide it."""
    depth, after, seen = 0, "", -1
    for piece in _PIECES.finditer(text):
        mark = piece[0]
        if mark.startswith("#"):
            continue
        seen += depth == 1 and after in ("[", ",") and mark != "]"
        if seen == number:
            return text.count("\n", 0, piece.start()) + 1
        depth += (mark in ("[", "{")) - (mark in ("]", "}"))
        after = mark
    return None

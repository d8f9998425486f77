"""Example wordings: what technicians say in words of their own, and what they mean by it (`wordings.toml`)."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from fieldassist.errors import DataFileError
from fieldassist.finding import KINDS

FILE = "wordings.toml"
TALK = "talk"
"""What a wording means that is not for the tool."""
COMMAND = "command"
"""First word of the meaning of a command."""
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
        rows = tomllib.loads(text).get("wording", [])
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise DataFileError(path, None, f"cannot be read as TOML ({error})") from None
    if not isinstance(rows, Sequence) or isinstance(rows, str):
        raise DataFileError(path, None, "expected a list: wording = [ ... ]")
    return tuple(_wording(path, text, number, row) for number, row in enumerate(rows))


def _wording(path: Path, text: str, number: int, row: object) -> Wording:
    given = row if isinstance(row, dict) else {}
    if set(given) != set(_KEYS) or not all(isinstance(given[key], str) and given[key].strip() for key in _KEYS):
        raise DataFileError(path, _line(text, number), _EXPECTED)
    if not _is_meaning(given["means"]):
        raise DataFileError(path, _line(text, number), f"means {given['means']!r}: {_EXPECTED}")
    return Wording(given["at"], given["means"], given["said"])


def _is_meaning(means: str) -> bool:
    words = means.split()
    if words[0] == COMMAND:
        return len(words) == 2
    kind, *rest = words[1:] if words[0] == "no" and len(words) > 1 else words
    return (means == TALK or kind in KINDS) and len(rest) <= 1


def _line(text: str, number: int) -> int | None:
    """The line on which a list's row begins, counting the braces that open one; None in another shape of file."""
    lines = [at for at, line in enumerate(text.splitlines(), 1) if line.lstrip().startswith("{")]
    return lines[number] if number < len(lines) else None

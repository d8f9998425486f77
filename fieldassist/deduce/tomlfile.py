"""A TOML file that a technician edits, with the line of every key, so that an error can point at it."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fieldassist.errors import DataFileError, UserError

_HEADER = re.compile(r"^\s*\[\[?\s*([^\[\]]+?)\s*\]\]?\s*(#.*)?$")
_KEY = re.compile(r"^\s*((?:[A-Za-z0-9_-]+|\"[^\"]*\"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|\"[^\"]*\"|'[^']*'))*)\s*=")
_PART = re.compile(r"[A-Za-z0-9_-]+|\"[^\"]*\"|'[^']*'")


@dataclass(frozen=True)
class TomlFile:
    """Parsed data and where its keys stand."""

    path: Path
    data: dict[str, Any]
    lines: dict[tuple[str, ...], int]
    """(table, ..., key) -> line number; for arrays of tables the first one's."""

    def line(self, *keys: str) -> int | None:
        """Line of a key, or of the nearest table around it."""
        for count in range(len(keys), 0, -1):
            if keys[:count] in self.lines:
                return self.lines[keys[:count]]
        return None

    def error(self, keys: tuple[str, ...], expected: str) -> DataFileError:
        """Make the error that names file, line and what was expected."""
        return DataFileError(self.path, self.line(*keys), expected)


def read_toml(path: Path) -> TomlFile:
    """Read a TOML file. Raises UserError when it cannot be read, DataFileError with the line when it is not TOML."""
    try:
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError as error:
        raise DataFileError(path, None, "expected UTF-8 text") from error
    except OSError as error:
        raise UserError(f"{path}: cannot be read ({error.strerror})") from error
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        found = re.search(r"\(at line (\d+)", str(error))
        line = int(found.group(1)) if found else text.count("\n") + 1
        reason = str(error).split(" (at ")[0]
        raise DataFileError(path, line, f"expected TOML: {reason[:1].lower()}{reason[1:]}") from error
    except RecursionError as error:
        raise DataFileError(path, None, "expected TOML: nested too deeply") from error
    return TomlFile(path, data, _key_lines(text))


def _key_lines(text: str) -> dict[tuple[str, ...], int]:
    lines: dict[tuple[str, ...], int] = {}
    table: tuple[str, ...] = ()
    for number, line in enumerate(text.splitlines(), start=1):
        if header := _HEADER.match(line):
            table = _split(header.group(1))
            lines.setdefault(table, number)
        elif key := _KEY.match(line):
            lines.setdefault(table + _split(key.group(1)), number)
    return lines


def _split(dotted: str) -> tuple[str, ...]:
    return tuple(part.strip("\"'") for part in _PART.findall(dotted))

"""A TOML file that a technician edits: typed access, and errors that name file, line and what was expected."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar, overload

from fieldassist.errors import DataFileError, UserError

_PART = re.compile(r"[A-Za-z0-9_-]+|\"[^\"]*\"|'[^']*'")
_DOTTED = rf"(?:{_PART.pattern})(?:\s*\.\s*(?:{_PART.pattern}))*"
_HEADER = re.compile(rf"^\s*(\[\[?)\s*({_DOTTED})\s*\]\]?\s*(#.*)?$")
_KEY = re.compile(rf"^\s*({_DOTTED})\s*=")

T = TypeVar("T")


@dataclass(frozen=True)
class TomlFile:
    """Parsed data and where its keys stand."""

    path: Path
    data: dict[str, Any]
    lines: dict[tuple[str, ...], int]
    """(table, ..., key) -> line number; the second and later of an array of tables have their position, from
    `1`, as a further part: `("taps", "line", "readings", "1", "psi")`."""

    @property
    def top(self) -> Table:
        """The whole file as a table."""
        return Table(self, (), self.data)

    def error(self, keys: tuple[str, ...], expected: str) -> DataFileError:
        """Make the error for a key; it names the line of the key, or of the nearest table around it."""
        counts = range(len(keys), 0, -1)
        line = next((self.lines[keys[:n]] for n in counts if keys[:n] in self.lines), None)
        return DataFileError(self.path, line, expected)


@dataclass(frozen=True)
class Table:
    """One table of a file. Each getter raises DataFileError when the key is missing (and has no default) or is
    of another type; `close` refuses the keys that nobody asked for, which are mostly misspellings."""

    file: TomlFile
    keys: tuple[str, ...]
    data: dict[str, Any]
    _asked: set[str] = field(default_factory=set)

    def error(self, key: str | None, expected: str) -> DataFileError:
        """Make the error for a key of this table, or for the table itself."""
        return self.file.error(self.keys if key is None else (*self.keys, key), expected)

    def __contains__(self, key: str) -> bool:
        return key in self.data

    @overload
    def text(self, key: str, *, choices: Sequence[str] = ()) -> str: ...
    @overload
    def text(self, key: str, default: T, *, choices: Sequence[str] = ()) -> str | T: ...
    def text(self, key: str, default: Any = ..., *, choices: Sequence[str] = ()) -> Any:
        """Text, not empty, one of `choices` if given."""
        value = self._get(key, default, "text")
        if value is default and key not in self.data:
            return default
        if not isinstance(value, str) or not value.strip() or (choices and value not in choices):
            wanted = f"one of {', '.join(choices)}" if choices else "text in quotes"
            raise self.error(key, f"{self._name(key)}: expected {wanted}, got {value!r}")
        return value

    def texts(
        self, key: str, default: Sequence[str] | None = None, choices: Sequence[str] = ()
    ) -> tuple[str, ...]:
        """List of texts without repetition, each one of `choices` if given."""
        value = self._get(key, ... if default is None else default, "a list of texts")
        if not isinstance(value, list | tuple) or any(not isinstance(v, str) or not v.strip() for v in value):
            raise self.error(key, f'{self._name(key)}: expected a list such as ["a", "b"], got {value!r}')
        for number, item in enumerate(value):
            if choices and item not in choices:
                raise self.error(key, f"{self._name(key)}: {item!r} is not one of {', '.join(choices)}")
            if item in value[:number]:
                raise self.error(key, f"{self._name(key)}: {item!r} stands twice")
        return tuple(value)

    @overload
    def number(self, key: str, *, low: float = ..., high: float = ...) -> float: ...
    @overload
    def number(self, key: str, default: T, *, low: float = ..., high: float = ...) -> float | T: ...
    def number(self, key: str, default: Any = ..., *, low: float = -math.inf, high: float = math.inf) -> Any:
        """Finite number within `low` and `high`."""
        value = self._get(key, default, "a number")
        if value is default and key not in self.data:
            return default
        return self._checked(key, value, low, high)

    def integer(self, key: str, low: int, high: int) -> int:
        """Whole number within `low` and `high`."""
        value = self._get(key, ..., "a whole number")
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise self.error(key, f"{self._name(key)}: expected a whole number {low} to {high}, got {value!r}")
        return value

    def flag(self, key: str, default: bool) -> bool:
        """true or false."""
        value = self._get(key, default, "true or false")
        if not isinstance(value, bool):
            raise self.error(key, f"{self._name(key)}: expected true or false, got {value!r}")
        return value

    def band(self, key: str, low: float = -math.inf, high: float = math.inf) -> tuple[float, float]:
        """Two numbers, `[lowest, highest]`."""
        value = self._get(key, ..., "[lowest, highest]")
        if not isinstance(value, list) or len(value) != 2:
            raise self.error(key, f"{self._name(key)}: expected [lowest, highest], got {value!r}")
        first, last = (self._checked(key, item, low, high) for item in value)
        if first > last:
            raise self.error(key, f"{self._name(key)}: expected [lowest, highest], got {value!r}")
        return first, last

    def table(self, key: str, required: bool = True) -> Table:
        """A table below this one; empty when it is absent and not required."""
        value = self._get(key, ... if required else {}, "a table")
        if not isinstance(value, dict):
            raise self.error(key, f"{self._name(key)}: expected a table, got {value!r}")
        return Table(self.file, (*self.keys, key), value)

    def tables(self) -> Iterator[tuple[str, Table]]:
        """Every key of this table as a table."""
        for key in self.data:
            yield key, self.table(key)

    def array(self, key: str) -> Iterator[Table]:
        """The tables of an array `[[table.key]]`; none when it is absent."""
        value = self._get(key, [], "tables")
        if not isinstance(value, list) or any(not isinstance(item, dict) for item in value):
            raise self.error(key, f"{self._name(key)}: expected tables headed [[{'.'.join((*self.keys, key))}]]")
        for number, item in enumerate(value):
            keys = (*self.keys, key)
            yield Table(self.file, keys if number == 0 else (*keys, str(number)), item)

    def close(self) -> None:
        """Refuse keys that no getter was asked for."""
        for key in self.data:
            if key not in self._asked:
                known = ", ".join(sorted(self._asked))
                raise self.error(key, f"{self._name(key)}: unknown key; expected one of {known}")

    def _get(self, key: str, default: Any, wanted: str) -> Any:
        self._asked.add(key)
        if key not in self.data and default is ...:
            raise self.error(None, f"{self._name(key)}: missing; expected {wanted}")
        return self.data.get(key, default)

    def _checked(self, key: str, value: object, low: float, high: float) -> float:
        good = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
        if not good or not low <= float(value) <= high:  # type: ignore[arg-type]
            limits = [f"from {low:g}"] * math.isfinite(low) + [f"to {high:g}"] * math.isfinite(high)
            raise self.error(key, f"{self._name(key)}: expected {' '.join(['a number', *limits])}, got {value!r}")
        return float(value)  # type: ignore[arg-type]

    def _name(self, key: str) -> str:
        return ".".join((*self.keys, key))


def read_toml(path: Path) -> TomlFile:
    """Read a TOML file.

    Raises UserError when it cannot be read, DataFileError with the line when it is not TOML.
    """
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
    except (RecursionError, ValueError) as error:
        raise DataFileError(path, None, "expected TOML: nested too deeply or a number too long") from error
    return TomlFile(path, data, _key_lines(text))


def _key_lines(text: str) -> dict[tuple[str, ...], int]:
    lines: dict[tuple[str, ...], int] = {}
    table: tuple[str, ...] = ()
    count: dict[tuple[str, ...], int] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        if header := _HEADER.match(line):
            table = _split(header.group(2))
            if header.group(1) == "[[":
                position = count.get(table, 0)
                count[table] = position + 1
                table = table if position == 0 else (*table, str(position))
            lines.setdefault(table, number)
        elif key := _KEY.match(line):
            lines.setdefault(table + _split(key.group(1)), number)
    return lines


def _split(dotted: str) -> tuple[str, ...]:
    return tuple(part.strip("\"'") for part in _PART.findall(dotted))

"""The one error type that reaches a person."""

from __future__ import annotations


class UserError(Exception):
    """Bad input or a missing part, told in one line; the command line prints it and exits with code 2.

    The message says what is wrong, where (file and line when there is one) and what was expected or
    what to do. Anything else that escapes a command is a defect.
    """


class DataFileError(UserError):
    """A human-edited file (TOML, JSGF, lexicon) that cannot be used."""

    def __init__(self, path: object, line: int | None, expected: str) -> None:
        where = f"{path}:{line}" if line is not None else f"{path}"
        super().__init__(f"{where}: {expected}")

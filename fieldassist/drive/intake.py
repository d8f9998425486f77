"""Complaint and car, asked in the terminal while the car still stands, or read from a file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from fieldassist.deduce import Context
from fieldassist.deduce.tomlfile import read_toml
from fieldassist.errors import UserError

QUESTIONS: tuple[tuple[str, str], ...] = (
    ("vehicle", "vehicle or job number"),
    ("complaint", "complaint"),
    ("when", "when does it happen"),
    ("temperature", "only hot, only cold, or any"),
    ("onset", "sudden or gradual"),
    ("after", "after which work or event"),
    ("mileage", "mileage"),
    ("tyre", "tire size, like 205/75R15 or 27 in"),
    ("axle_ratio", "axle ratio"),
)
"""Key and what is asked; every one may be left out."""
_NUMBERS = ("mileage", "axle_ratio")


def read_intake(path: Path) -> dict[str, Any]:
    """Read complaint and car from a TOML file. Raises DataFileError for what cannot be used."""
    top = read_toml(path).top
    try:
        Context.from_json(top.data)
    except UserError as error:
        raise top.error(None, str(error)) from None
    return {key: value for key, value in top.data.items() if isinstance(value, str | int | float | bool | list)}


def ask_intake(ask: Callable[[str], str], show: Callable[[str], None]) -> dict[str, Any]:
    """Ask one line after another; what cannot be used is said and asked again, an empty line leaves it out."""
    out: dict[str, Any] = {}
    for key, text in QUESTIONS:
        while line := ask(f"  {text}: ").strip():
            try:
                value = float(line) if key in _NUMBERS else line
                Context.from_json({key: value})
            except ValueError:
                show("  a number, please")
            except UserError as error:
                show(f"  {error}")
            else:
                out[key] = value
                break
    return out

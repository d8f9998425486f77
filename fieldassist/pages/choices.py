"""What a passenger or the bay may pick: the vocabulary as lists, and the nearest other readings of an entry."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from fieldassist.deduce.causes import LOOKS, NOISES
from fieldassist.errors import UserError
from fieldassist.finding import KINDS, LOADS, RANGES, SEVERITIES, TEMPERATURES, THROTTLES, UNITS, UNITS_OF, Finding
from fieldassist.pages.wording import KIND_WORDS, spaced, words

GROUPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("How it shifts", ("normal", "flare", "harsh", "soft", "early", "late", "skip", "no_shift", "hunting",
                       "shift_speed")),
    ("How it pulls", ("slip", "no_drive", "no_reverse", "wrong_gear_start", "bind", "creep", "poor_acceleration",
                      "poor_top_speed", "engine_speed", "stall_speed")),
    ("Engaging and slowing", ("delayed_engagement", "engagement_time", "no_engine_braking", "no_kickdown",
                              "sensitive_kickdown")),
    ("Heard, felt, seen", ("shudder", "noise", "leak", "fluid_level", "fluid_condition", "linkage", "pressure")),
)  # fmt: skip
"""Heading -> kinds, for the pick list. Every kind is in exactly one group."""

_SHIFTING = ("shift", "throttle", "range", "temperature", "severity")
_PULLING = ("gear", "range", "throttle", "temperature", "load", "severity")
FIELDS: dict[str, tuple[str, ...]] = {
    "normal": ("shift", "gear", "range", "throttle", "load", "temperature"),
    "slip": _PULLING, "flare": _SHIFTING, "harsh": ("shift", "range", "throttle", "temperature", "severity"),
    "soft": _SHIFTING, "early": _SHIFTING, "late": _SHIFTING,
    "skip": ("shift", "range", "throttle", "temperature"),
    "no_shift": ("shift", "range", "throttle", "temperature"), "hunting": _SHIFTING,
    "delayed_engagement": ("range", "temperature", "severity"), "no_drive": ("gear", "range", "temperature"),
    "no_reverse": ("range", "temperature"), "wrong_gear_start": ("gear", "range", "temperature"), "bind": _PULLING,
    "creep": ("range", "temperature", "severity"), "shudder": _PULLING, "no_engine_braking": ("gear", "range"),
    "no_kickdown": ("shift", "throttle", "range"), "sensitive_kickdown": ("shift", "throttle", "range"),
    "noise": ("where", *_PULLING), "poor_acceleration": ("range", "throttle", "temperature", "severity"),
    "poor_top_speed": ("range", "temperature", "severity"), "leak": ("where", "severity"),
    "fluid_level": ("where", "temperature"), "fluid_condition": ("where", "severity"), "linkage": ("where",),
    "shift_speed": ("shift", "throttle", "range", "value", "unit"),
    "engine_speed": ("gear", "range", "throttle", "value", "unit"),
    "stall_speed": ("range", "value", "unit"), "pressure": ("where", "range", "gear", "throttle", "value", "unit"),
    "engagement_time": ("range", "temperature", "value", "unit"),
}  # fmt: skip
"""Keys of a finding that mean something for its kind; the pick lists show only these."""

WHERE_OF: dict[str, tuple[str, ...]] = {
    "fluid_level": ("low", "high"), "fluid_condition": ("clear", *LOOKS),
    "linkage": ("selector", "throttle"), "noise": NOISES,
    "leak": ("pan", "front_seal", "rear_seal", "cooler_line", "selector_shaft"),
}  # fmt: skip
"""Places and looks that are offered; taps come from the unit."""

NEAR_KINDS: tuple[tuple[str, ...], ...] = (
    ("slip", "flare", "shudder"), ("harsh", "soft", "bind"), ("early", "late", "hunting"), ("skip", "no_shift"),
    ("no_drive", "delayed_engagement"), ("no_kickdown", "sensitive_kickdown"),
)  # fmt: skip
"""Kinds that are mixed up when heard or typed in haste."""

_TEENS = {13: 30, 14: 40, 15: 50, 16: 60, 17: 70, 18: 80, 19: 90}
"""Numbers that sound alike: thirteen and thirty."""


def vocabulary(shifts: Sequence[str], gears: Sequence[str], taps: Sequence[str]) -> dict[str, Any]:
    """Return the pick lists as JSON for a unit's shifts, gears and pressure taps."""
    return {
        "groups": [
            {"title": title, "kinds": [{"id": kind, "words": KIND_WORDS[kind]} for kind in kinds]}
            for title, kinds in GROUPS
        ],
        "fields": {kind: list(FIELDS[kind]) for kind in KINDS},
        "units": {kind: list(units) for kind, units in UNITS_OF.items()},
        "where": {
            **{
                kind: [{"id": place, "words": spaced(place)} for place in places]
                for kind, places in WHERE_OF.items()
            },
            "pressure": [{"id": tap, "words": spaced(tap)} for tap in taps],
        },
        "shifts": list(shifts),
        "gears": list(gears),
        "ranges": list(RANGES),
        "throttles": list(THROTTLES),
        "temperatures": list(TEMPERATURES),
        "loads": list(LOADS),
        "severities": list(SEVERITIES),
    }


def alternatives(finding: Finding, heard: object, shifts: Sequence[str], most: int = 5) -> list[dict[str, Any]]:
    """Return other readings of an entry, nearest first, as `{"words", "finding"}`.

    `heard` is what the matcher kept beside the winner (a list of findings, or of objects with a
    `finding`), which goes first; readings one slip of the tongue or ear away fill the rest.
    """
    found: list[Finding] = []
    for near in (*kept_readings(heard), *neighbours(finding, shifts)):
        plain = replace(near, confidence=1.0)
        if plain != replace(finding, confidence=1.0) and plain not in found:
            found.append(plain)
    return [option(near) for near in found[:most]]


def option(finding: Finding) -> dict[str, Any]:
    """Return a finding as something to pick: `{"words", "finding"}`."""
    return {"words": words(finding), "finding": finding.to_json()}


def neighbours(finding: Finding, shifts: Sequence[str]) -> tuple[Finding, ...]:
    """Return findings that differ in one thing: the sound-alike number, a kin kind, the next shift, yes or no."""
    out: list[Finding] = []
    if finding.value is not None:
        out.extend(replace(finding, value=float(value)) for value in _sound_alike(finding.value))
    if finding.shift in shifts:
        place = shifts.index(finding.shift)
        out.extend(
            replace(finding, shift=shifts[near]) for near in (place + 1, place - 1) if 0 <= near < len(shifts)
        )
    for group in NEAR_KINDS:
        if finding.kind in group:
            out.extend(replace(finding, kind=kind) for kind in group if kind != finding.kind)
    if finding.throttle is not None:
        place = THROTTLES.index(finding.throttle)
        out.extend(
            replace(finding, throttle=THROTTLES[near])
            for near in (place + 1, place - 1)
            if 0 < near < len(THROTTLES)
        )
    if finding.value is None:
        out.append(replace(finding, present=not finding.present))
    return tuple(out)


def from_form(form: Mapping[str, str]) -> Finding:
    """Return the finding that a filled-in pick list says; empty fields are absent ones.

    Raises UserError naming what is wrong.
    """
    kind = form.get("kind", "")
    if kind not in FIELDS:
        raise UserError("pick what was noticed")
    data: dict[str, Any] = {"kind": kind, "present": form.get("present", "yes") != "no"}
    for key in FIELDS[kind]:
        text = form.get(key, "").strip()
        if not text:
            continue
        if key == "value":
            try:
                data[key] = float(text.replace(",", "."))
            except ValueError:
                raise UserError(f"value: expected a number, got {text[:20]!r}") from None
        else:
            data[key] = text[:40]
    if "value" in FIELDS[kind]:
        if "value" not in data:
            raise UserError("value: expected a number")
        data.setdefault("unit", UNITS_OF[kind][0])
        if data["unit"] not in UNITS_OF[kind]:
            raise UserError(f"unit: expected {' or '.join(UNITS_OF[kind])}")
    elif "unit" in data and data["unit"] not in UNITS:
        raise UserError("unit: unknown")
    return Finding.from_json(data)


def kept_readings(heard: object) -> Iterable[Finding]:
    """Yield the findings that the matcher kept with an utterance; what is not one is passed over."""
    if not isinstance(heard, list):
        return
    for item in heard:
        data = item.get("finding", item) if isinstance(item, dict) else None
        try:
            yield Finding.from_json(data)
        except UserError:
            continue


def _sound_alike(value: float) -> list[float]:
    """Return what the number may have been: 14 <-> 40, 2150 <-> 2115, and one step beside."""
    if value != int(value) or value <= 0:
        return [value + 0.5, value - 0.5] if value > 0.5 else []
    whole = int(value)
    hundreds, rest = divmod(whole, 100)
    swapped = {**_TEENS, **{tens: teens for teens, tens in _TEENS.items()}}.get(rest)
    step = 1 if whole < 100 else 50 if whole >= 1000 else 5
    near = [float(hundreds * 100 + swapped)] if swapped is not None else []
    return [*near, float(whole + step), *([float(whole - step)] if whole > step else [])]

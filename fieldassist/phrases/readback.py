"""A finding in a few spoken words, for reading back and for asking."""

from __future__ import annotations

from collections.abc import Sequence

from fieldassist.finding import Finding
from fieldassist.phrases.numbers import say_number

KIND_SAID: dict[str, str] = {
    "normal": "good", "slip": "slip", "flare": "flare", "harsh": "harsh", "soft": "soft", "early": "early",
    "late": "late", "skip": "skips a gear", "no_shift": "no shift", "delayed_engagement": "slow to engage",
    "no_drive": "no drive", "no_reverse": "no reverse", "wrong_gear_start": "starts in the wrong gear",
    "bind": "binds", "creep": "creeps", "shudder": "shudder", "hunting": "hunting",
    "no_engine_braking": "no engine braking", "no_kickdown": "no kickdown",
    "sensitive_kickdown": "kicks down too easily", "noise": "noise", "poor_acceleration": "poor acceleration",
    "poor_top_speed": "poor top speed", "leak": "leak", "fluid_level": "fluid level", "fluid_condition": "fluid",
    "linkage": "linkage", "shift_speed": "shift", "engine_speed": "engine speed", "stall_speed": "stall speed",
    "pressure": "pressure", "engagement_time": "engagement",
}  # fmt: skip
"""Finding kind -> the word that is read back."""

_RANGE_SAID = {"P": "park", "R": "reverse", "N": "neutral", "D": "drive", "3": "range three", "2": "range two",
               "1": "low"}  # fmt: skip
_GEAR_SAID = {"1": "first", "2": "second", "3": "third", "4": "fourth", "5": "fifth", "6": "sixth", "7": "seventh",
              "8": "eighth", "R": "reverse", "N": "neutral"}  # fmt: skip
_UNIT_SAID = {"mph": "miles an hour", "km/h": "kilometers an hour", "rpm": "rpm", "psi": "psi",
              "kPa": "kilopascals", "s": "seconds"}  # fmt: skip
_DIGITS = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight")


def say_shift(shift: str) -> str:
    """`2-3` as `two three`."""
    return " ".join(_DIGITS[int(gear)] for gear in shift.split("-"))


def say_value(value: float, unit: str | None) -> str:
    """A value with its unit as words."""
    number = say_number(round(value, 1))[0] if 0 <= value <= 99_999 else f"{value:g}"
    return f"{number} {_UNIT_SAID[unit]}" if unit is not None else number


def say_finding(finding: Finding) -> str:
    """Return the finding as it is read back: what, where, under what condition."""
    kind = KIND_SAID[finding.kind]
    parts: list[str] = []
    if finding.kind in ("noise", "fluid_condition") and finding.where and finding.present:
        kind = f"{kind}, {_plain(finding.where)}" if finding.kind == "noise" else f"fluid {_plain(finding.where)}"
    elif finding.kind == "fluid_level":
        kind = f"fluid level {finding.where or ''}".strip() if finding.present else "fluid level good"
    elif finding.kind == "linkage":
        kind = f"{finding.where or ''} linkage {'off' if finding.present else 'good'}".strip()
    elif finding.kind in ("pressure", "leak") and finding.where:
        kind = f"{_plain(finding.where)} {kind}"
    elif finding.kind == "wrong_gear_start" and finding.gear:
        kind = f"starts in {_GEAR_SAID[finding.gear]}"
    if finding.present:
        parts.append(kind)
    elif finding.kind == "no_engine_braking":
        parts.append("engine braking good")
    elif finding.kind == "no_kickdown":
        parts.append("kickdown good")
    elif finding.kind in ("fluid_level", "linkage"):
        parts.append(kind)
    else:
        parts.append(f"no {kind}" if not kind.startswith("no ") else f"not {kind}")
    if finding.shift:
        parts.append(say_shift(finding.shift))
    if finding.gear and finding.kind != "wrong_gear_start":
        parts.append(_GEAR_SAID[finding.gear])
    if finding.range and not (finding.range == "R" and finding.kind == "no_reverse"):
        parts.append(_RANGE_SAID[finding.range])
    if finding.value is not None:
        parts.append(say_value(finding.value, finding.unit))
    if finding.throttle:
        parts.append(f"{finding.throttle} throttle")
    elif finding.load == "coast":
        parts.append("on the coast")
    elif finding.load == "drive":
        parts.append("under load")
    if finding.temperature:
        parts.append(finding.temperature)
    if finding.severity:
        parts.append(finding.severity)
    return ", ".join(parts)


def say_choice(findings: Sequence[Finding]) -> str:
    """Return the question between two findings in as few words as tell them apart."""
    first, second = findings[0], findings[1]
    if first.shift and second.shift and first.shift != second.shift:
        return f"{say_shift(first.shift)}, or {say_shift(second.shift)}?"
    if first.value is not None and second.value is not None and (first.value, first.unit) != (
        second.value, second.unit
    ):  # fmt: skip
        units = (None, None) if first.unit == second.unit else (first.unit, second.unit)
        return f"{say_value(first.value, units[0])}, or {say_value(second.value, units[1])}?"
    if first.kind == second.kind and first.present != second.present:
        return f"{KIND_SAID[first.kind]}, yes or no?"
    for key, names in (("range", _RANGE_SAID), ("gear", _GEAR_SAID), ("throttle", {})):
        a, b = getattr(first, key), getattr(second, key)
        if first.kind == second.kind and a and b and a != b:
            return f"{names.get(a, a)}, or {names.get(b, b)}?"
    if first.where and second.where and first.where != second.where:
        return f"{_plain(first.where)}, or {_plain(second.where)}?"
    if first.kind != second.kind:
        return f"{KIND_SAID[first.kind]}, or {KIND_SAID[second.kind]}?"
    return f"{say_finding(first)}, right?"


def _plain(name: str) -> str:
    return name.replace("_", " ")

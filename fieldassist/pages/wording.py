"""Findings and identifiers in shop words, as the pages and the report write them."""

from __future__ import annotations

from fieldassist.finding import Finding

KIND_WORDS: dict[str, str] = {
    "normal": "normal", "slip": "slip", "flare": "flare", "harsh": "harsh", "soft": "soft", "early": "early",
    "late": "late", "skip": "skips a gear", "no_shift": "no shift", "delayed_engagement": "slow to engage",
    "no_drive": "no drive", "no_reverse": "no reverse", "wrong_gear_start": "starts in the wrong gear",
    "bind": "bind", "creep": "creep", "shudder": "shudder", "hunting": "hunting between gears",
    "no_engine_braking": "no engine braking", "no_kickdown": "no kickdown",
    "sensitive_kickdown": "kicks down too easily", "noise": "noise", "poor_acceleration": "weak acceleration",
    "poor_top_speed": "low top speed", "leak": "leak", "fluid_level": "fluid level",
    "fluid_condition": "fluid condition", "linkage": "linkage", "shift_speed": "shift speed",
    "engine_speed": "engine speed", "stall_speed": "stall speed", "pressure": "pressure",
    "engagement_time": "engagement time",
}  # fmt: skip
"""What a technician would write for each kind."""


def spaced(identifier: str) -> str:
    """Return an identifier as words: `forward_clutch` -> `forward clutch`."""
    return identifier.replace("_", " ")


def number(value: float) -> str:
    """Return a number without a needless fraction: `2100`, `2.5`."""
    return f"{value:.4g}" if abs(value) < 1000 else f"{value:.0f}"


def quantity(finding: Finding) -> str:
    """Return value and unit of a finding, or an empty string."""
    if finding.value is None:
        return ""
    return number(finding.value) + (f" {finding.unit}" if finding.unit else "")


def words(finding: Finding) -> str:
    """Return a finding in one line of shop words: `flare, 2-3 shift, D, light throttle`."""
    if finding.kind == "linkage":
        head = f"{finding.where or 'linkage'} linkage off" if finding.where else "linkage off"
    elif finding.kind in ("fluid_level", "fluid_condition") and finding.where:
        head = f"fluid {spaced(finding.where)}"
    elif finding.kind == "noise" and finding.where:
        head = f"{spaced(finding.where)} noise"
    elif finding.kind == "leak" and finding.where:
        head = f"leak at {spaced(finding.where)}"
    elif finding.kind == "pressure":
        head = f"{spaced(finding.where or 'line')} pressure"
    else:
        head = KIND_WORDS[finding.kind]
    if finding.kind == "shift_speed" and finding.shift and finding.value is not None:
        head = f"{finding.shift} shift at"
    if not finding.present:
        before = "no" if finding.kind in _TAKES_NO else "not" if finding.kind in _TAKES_NOT else "did not happen:"
        head = f"{before} {head}"
    if finding.value is not None:
        head += f" {quantity(finding)}"
    if finding.severity:
        head = f"{head} ({finding.severity})"
    parts = [head]
    if finding.shift and not (finding.kind == "shift_speed" and finding.value is not None):
        parts.append(f"{finding.shift} shift")
    if finding.gear:
        parts.append({"R": "reverse", "N": "neutral"}.get(finding.gear, f"gear {finding.gear}"))
    if finding.range and finding.range != finding.gear:
        parts.append(f"range {finding.range}")
    if finding.throttle:
        parts.append(f"{finding.throttle} throttle")
    if finding.load:
        parts.append({"drive": "pulling", "coast": "coasting"}[finding.load])
    if finding.temperature:
        parts.append(finding.temperature)
    return ", ".join(parts)


_TAKES_NO = ("slip", "flare", "bind", "creep", "shudder", "hunting", "noise", "leak")
_TAKES_NOT = ("normal", "harsh", "soft", "early", "late", "fluid_level", "fluid_condition", "linkage")

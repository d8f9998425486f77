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


ABSENT_WORDS: dict[str, str] = {
    "normal": "not normal", "slip": "no slip", "flare": "no flare", "harsh": "not harsh", "soft": "not soft",
    "early": "not early", "late": "not late", "skip": "skips no gear", "no_shift": "shifts",
    "delayed_engagement": "engages without delay", "no_drive": "drives", "no_reverse": "reverse drives",
    "wrong_gear_start": "starts in the right gear", "bind": "no bind", "creep": "no creep",
    "shudder": "no shudder", "hunting": "no hunting", "no_engine_braking": "engine braking good",
    "no_kickdown": "kickdown good", "sensitive_kickdown": "kickdown not too easy", "noise": "no noise",
    "poor_acceleration": "acceleration good",
    "poor_top_speed": "top speed good", "leak": "no leak", "fluid_level": "fluid level good",
    "fluid_condition": "fluid good", "linkage": "linkage good",
}  # fmt: skip
"""What a technician would write when a kind was looked for and not there."""


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
    """Return a finding in one line of shop words: `flare, 2-3 shift, range D, light throttle`."""
    parts = [_head(finding)]
    if finding.severity:
        parts[0] += f" ({finding.severity})"
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


def _head(finding: Finding) -> str:
    """What was noticed, without its circumstances."""
    where = spaced(finding.where) if finding.where else ""
    if finding.kind == "linkage":
        return f"{where} linkage {'off' if finding.present else 'good'}".strip()
    if finding.kind in ("fluid_level", "fluid_condition") and where:
        return f"fluid {'' if finding.present else 'not '}{where}"
    if finding.value is not None:
        head = f"{finding.shift} shift at" if finding.kind == "shift_speed" and finding.shift else ""
        head = head or (f"{where or 'line'} pressure" if finding.kind == "pressure" else KIND_WORDS[finding.kind])
        return f"{'' if finding.present else 'not '}{head} {quantity(finding)}"
    if finding.kind in ("noise", "leak") and where:
        no = "" if finding.present else "no "
        return f"{no}{where} noise" if finding.kind == "noise" else f"{no}leak at {where}"
    if not finding.present:
        return ABSENT_WORDS.get(finding.kind, f"no {KIND_WORDS[finding.kind]}")
    return f"{where or 'line'} pressure" if finding.kind == "pressure" else KIND_WORDS[finding.kind]

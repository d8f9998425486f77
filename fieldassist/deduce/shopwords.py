"""Findings in plain shop words."""

from __future__ import annotations

from fieldassist.finding import Finding

_KIND: dict[str, str] = {
    "normal": "normal", "slip": "slips", "flare": "flares", "harsh": "harsh", "soft": "soft", "early": "early",
    "late": "late", "skip": "skips a gear", "no_shift": "no shift", "delayed_engagement": "slow to engage",
    "no_drive": "no drive", "no_reverse": "no reverse", "wrong_gear_start": "starts in the wrong gear",
    "bind": "binds", "creep": "creeps", "shudder": "shudders", "hunting": "hunts", "no_engine_braking":
    "no engine braking", "no_kickdown": "no forced downshift", "sensitive_kickdown": "downshifts too readily",
    "noise": "noise", "poor_acceleration": "weak from rest", "poor_top_speed": "poor top speed", "leak": "leak",
    "fluid_level": "fluid level", "fluid_condition": "fluid", "linkage": "linkage off", "shift_speed":
    "shift speed", "engine_speed": "engine speed", "stall_speed": "stall speed", "pressure": "pressure",
    "engagement_time": "time to engage",
}  # fmt: skip


def kind_words(kind: str) -> str:
    """A kind of event as a noun: `slip`, `no drive`, `stall speed low`."""
    return kind.replace("_", " ").replace(":", " ")


def describe(finding: Finding) -> str:
    """A finding in a few words: `flares, 2-3, light throttle, hot`; `no slip in R` reads `not: slips, R`."""
    f = finding
    words = [_KIND[f.kind]]
    if f.where is not None:
        words[0] = f"{words[0]} {f.where.replace('_', ' ')}" if f.kind != "linkage" else f"{f.where} linkage off"
    if f.value is not None:
        words[0] = f"{words[0]} {f.value:g}{' ' + f.unit if f.unit else ''}"
    if f.severity is not None:
        words[0] = f"{words[0]} ({f.severity})"
    if f.shift is not None:
        words.append(f.shift)
    if f.gear is not None:
        words.append("reverse" if f.gear == "R" else f"gear {f.gear}")
    if f.range is not None and f.gear != f.range:
        words.append(f"in {f.range}")
    if f.throttle is not None:
        words.append(f"{f.throttle} throttle")
    words += [word for word in (f.load, f.temperature) if word is not None]
    text = ", ".join(words)
    return text if f.present else f"not: {text}"

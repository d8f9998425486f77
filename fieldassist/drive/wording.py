"""What the voice says about findings and suspects, in as few words as will do."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from fieldassist.finding import Finding
from fieldassist.phrases.readback import say_finding, say_shift, say_value


def spoken(finding: Finding, said: Finding | None = None) -> str:
    """Return a finding as it is read back: what and where, and of the condition only what was `said`.

    The rest of the condition came from the step; to hear it again every time would take longer than the drive.
    """
    placed = finding.shift is not None or finding.gear is not None
    keys = ("range", "throttle", "load", "temperature")
    condition = {key: getattr(said, key) if said is not None else None for key in keys}
    if not placed:
        condition["range"] = finding.range
    elif finding.gear == condition["range"]:
        condition["range"] = None
    short = replace(finding, **condition)  # type: ignore[arg-type]
    if finding.kind == "shift_speed" and finding.shift is not None and finding.value is not None:
        unit = None if finding.unit == "mph" else finding.unit
        return f"{say_shift(finding.shift)} at {say_value(finding.value, unit)}"
    return say_finding(short)


def leading_suspect(result: Mapping[str, Any] | None) -> str:
    """Return one spoken sentence on a deduction's first suspect; empty when there is none."""
    suspects = (result or {}).get("suspects") or ()
    if not suspects:
        return ""
    first = suspects[0]
    return f"Leading suspect: {short_name(first['name'])}, {round(100 * first['probability'])} percent."


def short_name(name: str) -> str:
    """Return a cause's name without its explanation in brackets."""
    return name.partition(" (")[0]

"""What a measured value can be, and what it rather is than another that sounds like it: fifteen or fifty.

All bounds here are common practice, no source. They never change a value: they weigh between readings that were
heard nearly alike, and make the tool ask back.
"""

from __future__ import annotations

import math

from fieldassist.deduce.step import Step
from fieldassist.finding import Finding

_POSSIBLE: dict[str, tuple[float, float]] = {
    "mph": (2, 130), "km/h": (3, 210), "rpm": (300, 8000), "psi": (0, 400), "kPa": (0, 2800), "s": (0, 30),
}  # fmt: skip
"""What a value can be at all, by unit. Outside it the value is asked back."""
_LEAST_SHIFT = 4.0
"""Lowest road speed in mph of a shift; a car that coasts to a stop makes its last one about there."""
_TOP_OF_SHIFT = {"2": 70.0, "3": 105.0}
"""Highest road speed in mph at which an upshift into a gear is likely at full throttle."""
_USUAL_SHIFT: dict[str, dict[str, tuple[float, float]]] = {
    "2": {"light": (8, 22), "medium": (14, 35), "full": (25, 60)},
    "3": {"light": (15, 38), "medium": (24, 55), "full": (40, 95)},
    "4": {"light": (24, 50), "medium": (34, 70), "full": (55, 120)},
}
"""Road speed in mph of an upshift into a gear by throttle, faults of some size included."""
_MPH = {"mph": 1.0, "km/h": 1.609344}

_NOT_FIFTY, _NOT_HUNDRED, _NOT_FIVE = 2.0, 0.4, 0.6
"""Nats against an engine speed that is no multiple of 50 rpm, or of 100, and a pressure that is none of 5 psi:
nobody reads a pointer closer."""
_OUT_OF_USUAL, _PER_E, _MOST = 1.0, 2.0, 3.0
"""Nats against a shift speed out of the usual, on top of that for each factor of e further, and at most."""
_A_FEW = {"psi": 3, "kPa": 20}
"""Pressure below which a tap that has any is hardly ever: "within a pound or two" is how near it is."""


def implausible(finding: Finding, step: Step | None = None) -> str | None:
    """Return why a finding's value cannot be right, or None. The reason is short enough to be asked aloud."""
    if finding.value is None or finding.unit is None:
        return None
    low, high = _POSSIBLE[finding.unit]
    if finding.kind in ("shift_speed", "early", "late") and finding.shift and finding.unit in ("mph", "km/h"):
        before, after = finding.shift.split("-")
        if int(after) > int(before):
            top = _TOP_OF_SHIFT.get(after, high)
            high = min(high, top if finding.unit == "mph" else top * 1.609344)
    if finding.kind == "shift_speed" and finding.unit in _MPH:
        low = _LEAST_SHIFT * _MPH[finding.unit]
    if finding.kind == "stall_speed":
        low, high = 800, 4500
    if 0 < finding.value < _A_FEW.get(finding.unit, 0):
        return f"{finding.value:g} {finding.unit} is next to nothing"
    if not low <= finding.value <= high:
        return f"{finding.value:g} {finding.unit} is out of {low:g} to {high:g}"
    return None


def is_close(finding: Finding) -> bool:
    """Tell whether a value is an engine speed that nobody reads off a pointer so closely."""
    return finding.unit == "rpm" and finding.value is not None and finding.value % 50 != 0


def surprise(finding: Finding) -> float:
    """Return how little a value is to be expected, in nats (0: as good as any)."""
    if finding.value is None or finding.unit is None:
        return 0.0
    if finding.unit == "rpm":
        if is_close(finding):
            return _NOT_FIFTY
        return _NOT_HUNDRED if finding.value % 100 else 0.0
    if finding.unit == "psi":
        return _NOT_FIVE if finding.value % 5 else 0.0
    if finding.kind == "shift_speed" and finding.shift is not None and finding.unit in _MPH:
        usual = _USUAL_SHIFT.get(finding.shift.partition("-")[2], {}).get(finding.throttle or "")
        if usual is not None and int(finding.shift[2]) > int(finding.shift[0]) and finding.value > 0:
            speed = finding.value / _MPH[finding.unit]
            beyond = max(math.log(usual[0] / speed), math.log(speed / usual[1]))
            return 0.0 if beyond <= 0 else min(_MOST, _OUT_OF_USUAL + _PER_E * beyond)
    return 0.0

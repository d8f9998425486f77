"""What the voice says about findings and suspects, in as few words as will do."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fieldassist.drive.checklist import GEAR_WORDS, RANGE_WORDS, spoken_shift
from fieldassist.finding import Finding

_UNIT_WORDS: dict[str, str] = {
    "mph": "", "km/h": "kilometers", "rpm": "", "psi": "p s i", "kPa": "kilopascals", "s": "seconds",
}  # fmt: skip


def spoken(finding: Finding) -> str:
    """Return a finding as it is read back: `flare one two`, `no slip reverse`, `one two at fourteen`."""
    kind = finding.kind.removeprefix("fluid_").replace("_", " ")
    where = finding.where.replace("_", " ") if finding.where else ""
    if finding.kind in ("fluid_level", "fluid_condition") and finding.present:
        head = f"fluid {where or kind}"
    elif finding.kind == "linkage":
        head = f"{where} linkage {'off' if finding.present else 'good'}".strip()
        where = ""
    else:
        head = " ".join(part for part in (where, kind) if part)
        if not finding.present:
            head = f"no {head}"
    place = ""
    if finding.shift:
        place = spoken_shift(finding.shift)
    elif finding.gear:
        place = GEAR_WORDS[finding.gear]
    elif finding.range and finding.kind != "normal":
        place = RANGE_WORDS[finding.range]
    if finding.value is not None:
        number = f"{finding.value:g} {_UNIT_WORDS.get(finding.unit or '', '')}".strip()
        if finding.kind == "shift_speed":
            return f"{place or 'shift'} at {number}"
        return " ".join(part for part in (place, head, number) if part)
    return " ".join(part for part in (head, place) if part)


def leading_suspect(result: Mapping[str, Any] | None) -> str:
    """Return one spoken sentence on a deduction's first suspect; empty when there is none."""
    suspects = (result or {}).get("suspects") or ()
    if not suspects:
        return ""
    first = suspects[0]
    return f"Leading suspect: {first['name']}, {round(100 * first['probability'])} percent."

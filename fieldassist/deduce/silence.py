"""What was not reported counts too: steps that were done without it, and complaints that do not mention it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from fieldassist.deduce.outcomes import nothing_there, outcomes, step_absent
from fieldassist.deduce.posterior import LeftOut
from fieldassist.deduce.reading import Evidence
from fieldassist.deduce.signature import Condition, Signature
from fieldassist.deduce.step import Step
from fieldassist.finding import Finding

DONE = 0.6
"""Chance that a step at which something shows is not passed over in silence."""
MEASURED = 0.6
"""Chance that a reading out of order is told besides another of its kind (common practice, no source)."""
COMPARED = 0.85
"""Chance that line pressure would be told too if it were out of order, besides a
circuit's that is held against it."""
NAMED = 0.2
"""Chance that another gear would be told too (common practice, no source)."""
_NAMED: tuple[str, ...] = ("slip", "bind", "no_engine_braking")
TOLD_WEIGHT, TOLD_SCALE = 1.7, 2.0
"""A complaint tells some of what there is: with m expected symptoms that it leaves out it is (1 + m/scale)^-weight
as likely (common practice, no source)."""


def silence(
    signature: Signature, steps: Sequence[Step], findings: Sequence[Finding], done: frozenset[str]
) -> list[Evidence]:
    """Evidence from what nobody said."""
    if done:
        return [item for step in steps if step.id in done for item in _nothing_said(signature, step, findings)]
    if not findings:
        return []
    unsaid = [
        row for measured in sorted({f.kind for f in findings} & {"stall_speed", "pressure"})
        for row in _measured(measured, findings)
    ]  # fmt: skip
    unsaid += [row for kind in _NAMED for row in _siblings(signature, kind, findings)]
    told = [(kind, at, p) for kind, at, p in unsaid if not _mentioned(findings, kind, at)]
    return [_unsaid(signature, kind, at, p) for kind, at, p in [*told, *_line_pressure(findings)]]


def _nothing_said(signature: Signature, step: Step, findings: Sequence[Finding]) -> list[Evidence]:
    """What a step could have shown besides what was said there is taken as one: it all stayed away."""
    could = outcomes(signature.unit, step)
    said = [n for n, (kind, at) in enumerate(could) if _mentioned(findings, kind, at)]
    if len(said) == len(could):
        return []
    absent = nothing_there(signature, step)
    if said:
        absent = np.prod(np.delete(step_absent(signature, step), said, axis=0), axis=0)
    return [Evidence(1.0 - DONE, ((DONE, absent),))]


def left_out(signature: Signature, findings: Sequence[Finding], done: frozenset[str]) -> LeftOut | None:
    """What a complaint does not mention. None when steps were done, or nothing was said at all."""
    if done or not findings:
        return None
    rows = [
        signature.said_absent(kind, at) for kind, at in _prominent(signature) if not _mentioned(findings, kind, at)
    ]
    return LeftOut(np.array(rows).reshape(-1, signature.count), TOLD_WEIGHT, TOLD_SCALE)


def _siblings(signature: Signature, kind: str, findings: Sequence[Finding]) -> list[tuple[str, Condition, float]]:
    """Who says in which gear it slips has tried the others too."""
    if not any(f.kind == kind and f.present and f.gear is not None for f in findings):
        return []
    unit = signature.unit
    return [(kind, Condition(range=unit.range_of(gear), gear=gear), NAMED) for gear in unit.gears]


def _measured(kind: str, findings: Sequence[Finding]) -> list[tuple[str, Condition, float]]:
    """Who measures in one range measures in the others, and line pressure besides a circuit's."""
    if kind == "stall_speed" and all(f.range is None for f in findings if f.kind == kind):
        return []
    where = None if kind == "stall_speed" else "line"
    return [
        (f"{kind}:{side}", Condition(range=r, where=where), MEASURED)
        for side in ("low", "high")
        for r in ("D", "R")
    ]


def _line_pressure(findings: Sequence[Finding]) -> list[tuple[str, Condition, float]]:
    """A reading at a circuit's tap is held against line pressure, which would be told if it were out of order."""
    taps = [(f.where or "").lower() for f in findings if f.kind == "pressure" and f.present]
    circuits = [
        w for w in taps if any(part in w for part in ("clutch", "band", "brake", "servo", "forward", "direct"))
    ]
    if not circuits or any("line" in w for w in taps):
        return []
    return [(f"pressure:{side}", Condition(range="D", where="line"), COMPARED) for side in ("low", "high")]


def _unsaid(signature: Signature, kind: str, at: Condition, told: float) -> Evidence:
    return Evidence(1.0 - told, ((told, signature.said_absent(kind, at)),))


_SAME: dict[str, str] = {
    "late": "shift_speed", "early": "shift_speed", "delayed_engagement": "engagement_time", "slip": "flare",
}  # fmt: skip
"""Event kind -> the finding kind that tells the same in another way."""


def _mentioned(findings: Sequence[Finding], kind: str, at: Condition) -> bool:
    """Some finding speaks of this kind, or of all kinds, in a condition that may be this one."""
    kinds = (kind.partition(":")[0], "normal", _SAME.get(kind))
    return any(
        f.kind in kinds
        and (f.range is None or at.range is None or f.range == at.range)
        and (f.gear is None or at.gear is None or f.gear == at.gear)
        and (f.shift is None or at.shift is None or f.shift == at.shift)
        and (f.throttle is None or at.throttle is None or f.throttle == at.throttle)
        for f in findings
    )


def _prominent(signature: Signature) -> list[tuple[str, Condition]]:
    """What a customer would hardly fail to notice."""
    unit = signature.unit
    out: list[tuple[str, Condition]] = []
    for gear in unit.gears:
        out.append(("slip", Condition(range=unit.range_of(gear), gear=gear)))
        out.append(("bind", Condition(range=unit.range_of(gear), gear=gear)))
    out.append(("no_drive", Condition(range="D", gear=unit.forward[0])))
    out.append(("no_reverse", Condition(range="R", gear="R")))
    for shift in unit.shifts:
        if shift.up:
            at = Condition(range="D", shift=shift.id)
            out += [(kind, at) for kind in ("flare", "harsh", "late", "early", "no_shift")]
    for range_, gear in (("D", unit.forward[0]), ("R", "R")):
        out.append(("delayed_engagement", Condition(range=range_, gear=gear)))
    out.append(("wrong_gear_start", Condition(range="D")))
    out.append(("creep", Condition(range="N")))
    everywhere = ("no_kickdown", "poor_acceleration", "poor_top_speed", "shudder", "noise")
    out += [(kind, Condition()) for kind in everywhere]
    return out

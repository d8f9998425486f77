"""What was not reported counts too: steps that were done without it, and complaints that do not mention it."""

from __future__ import annotations

from collections.abc import Sequence

from fieldassist.deduce.reading import Evidence
from fieldassist.deduce.outcomes import outcomes
from fieldassist.deduce.signature import Condition, Signature
from fieldassist.deduce.step import Step
from fieldassist.finding import Finding

DONE = 0.85
"""Chance that something is reported when it shows in a step that was done."""
TOLD = 0.3
"""Chance that a customer mentions a thing that he could have noticed (common practice, no source)."""


def silence(
    signature: Signature, steps: Sequence[Step], findings: Sequence[Finding], done: frozenset[str]
) -> list[Evidence]:
    """Evidence from what nobody said."""
    if done:
        out = []
        for step in steps:
            if step.id in done:
                for kind, at in outcomes(signature.unit, step):
                    if not _mentioned(findings, kind, at):
                        out.append(_unsaid(signature, kind, at, DONE))
        return out
    return [_unsaid(signature, kind, at, TOLD) for kind, at in _prominent(signature) if not _mentioned(findings, kind, at)]


def _unsaid(signature: Signature, kind: str, at: Condition, told: float) -> Evidence:
    return Evidence(1.0 - told, ((told, signature.said_absent(kind, at)),))


def _mentioned(findings: Sequence[Finding], kind: str, at: Condition) -> bool:
    base = kind.partition(":")[0]
    same = {"late": "shift_speed", "early": "shift_speed", "delayed_engagement": "engagement_time", "slip": "flare"}
    for f in findings:
        if f.kind not in (base, "normal", same.get(base)):
            continue
        pairs = ((f.range, at.range), (f.gear, at.gear), (f.shift, at.shift), (f.throttle, at.throttle))
        if all(said is None or asked is None or said == asked for said, asked in pairs):
            return True
    return False


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
    out += [(kind, Condition()) for kind in ("no_kickdown", "poor_acceleration", "poor_top_speed", "shudder", "noise")]
    return out

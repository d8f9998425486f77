"""The baseline: findings looked up in an application chart and a symptom chart, one vote each."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from fieldassist.deduce import Unit
from fieldassist.deduce.causes import causes_for
from fieldassist.finding import Finding

SYMPTOMS: dict[str, tuple[str, ...]] = {
    "early": ("throttle_linkage_short", "governor_high", "throttle_sensor_fault"),
    "late": ("governor_low", "throttle_linkage_long", "governor_sticking", "speed_sensor_fault",
             "vacuum_modulator_fault"),
    "harsh": ("line_pressure_high", "throttle_linkage_long", "accumulator_fault:*"),
    "soft": ("line_pressure_low", "accumulator_fault:*"),
    "delayed_engagement": ("fluid_low", "filter_restricted", "pump_worn", "line_pressure_low"),
    "creep": ("selector_linkage_off",), "hunting": ("governor_sticking", "speed_sensor_fault"),
    "no_kickdown": ("throttle_linkage_short", "kickdown_valve_fault", "governor_high"),
    "sensitive_kickdown": ("throttle_linkage_long", "engine_output_low"),
    "noise": ("pump_worn", "gearset_damaged", "converter_bearing_worn", "fluid_low", "driveline_fault"),
    "poor_acceleration": ("converter_stator_slips", "engine_output_low"),
    "poor_top_speed": ("converter_stator_seized", "exhaust_blocked", "engine_output_low"),
    "shudder": ("converter_clutch_shudders", "driveline_fault", "fluid_wrong_type"),
    "leak": ("fluid_low",),
}  # fmt: skip
WHERE: dict[tuple[str, str], tuple[str, ...]] = {
    ("fluid_level", "low"): ("fluid_low",), ("fluid_level", "high"): ("fluid_overfull",),
    ("fluid_condition", "burnt"): ("fluid_burnt",), ("fluid_condition", "milky"): ("fluid_contaminated",),
    ("fluid_condition", "foamy"): ("fluid_overfull", "fluid_low"),
    ("linkage", "selector"): ("selector_linkage_off",),
    ("linkage", "throttle"): ("throttle_linkage_short", "throttle_linkage_long"),
    ("stall_speed", "low"): ("engine_output_low", "converter_stator_slips"),
}  # fmt: skip


def look_up(unit: Unit, findings: Sequence[Finding]) -> dict[str, float]:
    """Cause -> share of the votes."""
    known = {cause.id: cause.base_rate for cause in causes_for(unit)}
    votes: Counter[str] = Counter()
    for f in findings:
        if not f.present:
            continue
        for cause in (
            _elements(unit, f) + list(SYMPTOMS.get(f.kind, ())) + list(WHERE.get((f.kind, f.where or ""), ()))
        ):
            if cause.endswith("*"):
                votes.update(c for c in known if c.startswith(cause[:-1]))
            elif cause in known:
                votes[cause] += 1
    total = sum(votes.values()) or 1
    # Ties go to what occurs more often.
    return {cause: votes[cause] / total + 1e-6 * rate for cause, rate in known.items()}


def _elements(unit: Unit, f: Finding) -> list[str]:
    gear = f.gear
    if gear is None and f.shift is not None:
        gear = f.shift.partition("-")[2]
    if gear is None and f.range in unit.ranges:
        gear = unit.ranges[f.range or "D"][0]
    if gear not in unit.gears:
        return []
    elements = unit.applied(unit.range_of(gear), gear)
    if f.kind in ("slip", "flare"):
        return [f"{e}:slips" if unit.elements[e].friction else f"{e}:fails" for e in elements]
    if f.kind in ("no_drive", "no_reverse", "no_shift", "skip", "no_engine_braking"):
        return [f"{e}:fails" for e in elements]
    if f.kind in ("bind", "wrong_gear_start"):
        return [f"{e}:drags" for e in unit.friction if e not in elements]
    return []

"""What a step can show, as events of the signature."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from fieldassist.deduce.signature import Condition, Signature
from fieldassist.deduce.step import Step
from fieldassist.deduce.unit import Unit

_NUMBERS: tuple[str, ...] = ("normal", "shift_speed", "engagement_time", "engine_speed")
"""The numbers say the same as early, late, slow to engage and slip."""


@lru_cache(maxsize=4096)
def outcomes(unit: Unit, step: Step) -> tuple[tuple[str, Condition], ...]:
    """(event kind, condition) of everything out of the ordinary that a step can show."""
    gear = step.gear
    if gear is None and step.range is not None and step.procedure.startswith("engage_"):
        gear = unit.ranges[step.range][0]  # engaging is into the first gear of the range
    at = Condition(step.range, gear, step.shift, step.throttle, step.temperature, step.load, step.where)
    out: list[tuple[str, Condition]] = []
    for kind in step.kinds:
        if kind == "engine_speed" and step.procedure == "cruise":
            out.append(("engine_speed:high", at))
        if kind in _NUMBERS:
            continue
        if kind == "wrong_gear_start":
            out.append((kind, replace(at, gear=None)))  # the gear that it starts in is another than the step's
        elif kind in ("stall_speed", "fluid_level"):
            out += [(f"{kind}:low", at), (f"{kind}:high", at)]
        elif kind == "pressure":
            target = tap_target(unit, step.where or "line")
            out += [(f"{kind}:{state}", Condition(where=target)) for state in ("low", "high", "falls")]
        elif kind == "fluid_condition":
            looks = ("particles", "varnish") if step.procedure == "pan_inspection" else ("milky", "burnt", "foamy")
            out += [(kind, Condition(where=look)) for look in looks]
        else:
            out.append((kind, at))
    return tuple(out)


def tap_target(unit: Unit, tap: str) -> str:
    """What a tap reads, as the events name it: `line`, `governor`, `throttle` or an element."""
    reads = unit.taps[tap].reads if tap in unit.taps else tap
    return unit.tap_elements(tap)[0] if reads == "elements" else reads


@lru_cache(maxsize=8192)
def step_absent(signature: Signature, step: Step) -> npt.NDArray[np.float64]:
    """Probability that each outcome of a step is absent, shape (outcomes, H)."""
    rows = [signature.said_absent(kind, at, relax=False) for kind, at in outcomes(signature.unit, step)]
    return np.array(rows) if rows else np.ones((1, signature.count))


@lru_cache(maxsize=8192)
def nothing_there(signature: Signature, step: Step) -> npt.NDArray[np.float64]:
    """Probability that a step shows nothing out of the ordinary, shape (H,)."""
    return np.asarray(np.prod(step_absent(signature, step), axis=0))

"""Shift speeds at several throttle openings, weighed together: they tell the throttle signal from the governor."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache

import numpy as np

from fieldassist.deduce.context import Context
from fieldassist.deduce.reading import Evidence
from fieldassist.deduce.schedule import explain_speeds, is_limit, measured_shift, schedule_of
from fieldassist.deduce.signature import Signature
from fieldassist.deduce.states import Column, states_of
from fieldassist.finding import UNCLEAR, Finding


def shift_speed_evidence(
    signature: Signature, findings: Sequence[Finding], context: Context
) -> dict[int, Evidence]:
    """Position of each shift speed finding -> its evidence, given the shift speeds before it.

    Only findings with shift, throttle and value that the unit file specifies a speed for and that were heard
    clearly; the others are read one by one elsewhere. Speeds are held against the schedule for the tyre and axle
    of the context.
    """
    specification = signature.unit.specification
    if specification is None:
        return {}
    schedule = schedule_of(specification, context.tyre, context.axle_ratio)
    clear = ((number, finding) for number, finding in enumerate(findings) if finding.confidence >= UNCLEAR)
    read = ((number, measured_shift(finding)) for number, finding in clear)
    known = {n: m for n, m in read if m is not None and is_limit(schedule, m)}
    out = {}
    for (number, measured), density in zip(
        known.items(), explain_speeds(schedule, list(known.values())), strict=True
    ):
        tables = dict(_tables(signature))
        low, _, high = measured.shift.partition("-")
        upshift = measured.shift if low < high else f"{high}-{low}"
        tables["shift"] = _shift_table(signature, upshift)
        out[number] = _evidence(density, tables, findings[number].confidence)
    return out


def _evidence(density: Mapping[str, float], present: Mapping[str, Column], confidence: float) -> Evidence:
    """L(h) = sound + sum over the wrong signals present under h of (its density - sound), scaled to at most 1.

    A speed that was not heard right with probability 1 - c says nothing to that extent.
    """
    top = max(density.values())
    sound = density["sound"] / top
    steps = {name: density[name] / top - sound for name in present}
    mean = float(np.mean([value / top for value in density.values()]))
    base = confidence * (sound + sum(steps.values())) + (1.0 - confidence) * mean
    return Evidence(base, tuple((-confidence * step, 1.0 - present[name]) for name, step in steps.items()))


@lru_cache(maxsize=32)
def _tables(signature: Signature) -> Mapping[str, Column]:
    """Wrong signal -> how far it is present under every hypothesis, 0..1, shape (H,)."""
    s = states_of(signature.unit, signature.causes)
    throttle = s["throttle_offset"] + 0.5 * (s["throttle_gain"] - 1.0)
    governor = s["governor_gain"] - 1.0 + 1.2 * s["governor_offset"]
    weak = 0.5 * _step(1.0 - s["engine"], 0.08)  # a weak engine is given more pedal for the same going
    steady = 1.0 - s["governor_erratic"]
    return {
        "short": steady * _step(-throttle, 0.04),
        "long": steady * np.maximum(_step(throttle, 0.04), weak),
        "low": steady * _step(-governor, 0.05),
        "high": steady * _step(governor, 0.05),
        "erratic": s["governor_erratic"],
    }


@lru_cache(maxsize=256)
def _shift_table(signature: Signature, shift: str) -> Column:
    """How far the speeds of one shift scatter under every hypothesis, shape (H,)."""
    return states_of(signature.unit, signature.causes).shift[shift, "erratic"]


def _step(value: Column, threshold: float) -> Column:
    return np.asarray(value > threshold, dtype=np.float64)

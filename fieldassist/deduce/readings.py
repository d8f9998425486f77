"""What gauges, the dipstick, the pan, the eye and the ear would show under every hypothesis."""

from __future__ import annotations

import numpy as np

from fieldassist.deduce.causes import LOOKS, NOISES
from fieldassist.deduce.events import Event, EventList, either, likely
from fieldassist.deduce.holding import Holding
from fieldassist.deduce.kinematics import power_flow
from fieldassist.deduce.states import Column
from fieldassist.deduce.unit import Unit

_DARK_BY_AGE = 0.3
"""Share of cars whose fluid has darkened without any fault: it proves nothing (published: a maker's fluid check,
2001)."""
_LEAKS_ANYWAY = 0.12
"""Share of cars with a leak that has nothing to do with the complaint (common practice, no source)."""


STALLED = 1.3
"""Extra demand at stall: the converter multiplies torque the most (published stall torque ratios: 1.8 to 2.5)."""


def add_readings(unit: Unit, holding: Holding, events: EventList) -> None:
    """Add stall speed, pressures, fluid, linkage, leaks and noise."""
    _stall(unit, holding, events)
    _pressures(unit, holding, events)
    _fluid(holding, events)
    _noise(unit, holding, events)


def _driving(unit: Unit) -> list[str]:
    return [r for r, gears in unit.ranges.items() if gears[0] != "N"]


def _stall(unit: Unit, holding: Holding, events: EventList) -> None:
    """Stall speed goes with the square root of engine torque (capacity factor K = n / sqrt(T)) and falls by a
    third or more when the stator does not hold (at least 33 %: a truck mechanic's handbook)."""
    s = holding.states
    speed = np.sqrt(s["engine"]) * (1.0 - 0.36 * s["stator_slips"]) * (1.0 - 0.12 * s["exhaust"])
    low = likely(speed, 0.9, -0.025)
    for range_ in _driving(unit):
        gear = unit.ranges[range_][0]
        parts: list[Column] = []
        for element in holding.carrying(range_, gear):
            parts.append(holding.slips(range_, gear, element, "full", "hot", extra=STALLED))
            parts.append(holding.gone(element))
        high = either(*parts, 0.5 * (1.0 - s["input"]), 0.3 * s["manual_valve"])
        events.add(Event("stall_speed:high", range=range_, gear=gear), high * (1.0 - 0.7 * low))
        events.add(
            Event("stall_speed:low", range=range_, gear=gear), low * (1.0 - 0.8 * high), 0.5 * s["lockup_on"]
        )


def _pressures(unit: Unit, holding: Holding, events: EventList) -> None:
    s = holding.states
    for range_, gears in unit.ranges.items():
        for gear in gears[:1] if range_ != "D" else gears:
            drop = np.ones(s.count)
            fed = [e for e in unit.applied(range_, gear) if unit.elements[e].friction]
            for element in fed:
                drop = drop * (1.0 - 0.35 * (1.0 - s.element[element, "circuit"]))
            for throttle in ("closed", "full"):
                base = holding.line(throttle, "hot") / holding.good_line(throttle)
                # A starved pump reads right at first and falls while it runs; that is an event of its own.
                steady = (
                    base / (1.0 - s["fade"] * {"closed": 0.1, "full": 0.6}[throttle]) * (1.0 - 0.3 * s["fade"])
                )
                line = steady * drop * (s["line_idle"] if throttle == "closed" else 1.0)
                at = {"range": range_, "gear": gear, "throttle": throttle}
                _bands(events, "line", line, at)
                for element in fed:
                    _bands(events, element, line * s.element[element, "circuit"], at)
    events.add(Event("pressure:falls", where="line"), 0.95 * likely(s["fade"], 0.15, 0.04), 0.3 * s["aeration"])
    for element in unit.friction:
        leak = 1.0 - s.element[element, "circuit"]
        events.add(
            Event("pressure:falls", where=element),
            0.5 * likely(leak, 0.25, 0.06),
            0.8 * likely(s["fade"], 0.2, 0.04),
        )
    governor = s["governor_gain"] + s["governor_offset"]
    events.add(Event("pressure:low", where="governor"), 0.95 * likely(governor, 0.89, -0.02))
    events.add(Event("pressure:high", where="governor"), 0.95 * likely(governor, 1.11, 0.02))
    events.add(Event("pressure:falls", where="governor"), 0.6 * s["governor_erratic"])
    signal = s["throttle_gain"] * 0.5 + s["throttle_offset"]
    events.add(Event("pressure:low", where="throttle"), 0.95 * likely(signal / 0.5, 0.84, -0.03))
    events.add(Event("pressure:high", where="throttle"), 0.95 * likely(signal / 0.5, 1.16, 0.03))


def _bands(events: EventList, where: str, ratio: Column, at: dict[str, str]) -> None:
    events.add(Event("pressure:low", where=where, **at), 0.97 * likely(ratio, 0.88, -0.025))
    events.add(Event("pressure:high", where=where, **at), 0.97 * likely(ratio, 1.15, 0.03))


def _fluid(holding: Holding, events: EventList) -> None:
    s = holding.states
    events.add(Event("fluid_level:low"), 0.97 * likely(s["level"], -0.3, -0.05))
    events.add(Event("fluid_level:high"), 0.97 * likely(s["level"], 0.3, 0.05))
    for look in LOOKS:
        events.add(
            Event("fluid_condition", where=look), s[f"look_{look}"], _DARK_BY_AGE if look == "dark" else 0.0
        )
    off = s["manual_valve"] > 0.0
    events.add(Event("linkage", where="selector"), np.where(off, s["linkage_seen"], 0.0))
    events.add(Event("linkage", where="throttle"), np.where(off, 0.0, s["linkage_seen"]))
    events.add(Event("leak"), s["leak"], _LEAKS_ANYWAY)


def _noise(unit: Unit, holding: Holding, events: EventList) -> None:
    s = holding.states
    heard = {
        "N": np.array([when in ("all", "stopped") for when in s.noise_when], dtype=float),
        "stopped": np.array([when in ("all", "stopped", "in_gear_stopped") for when in s.noise_when], dtype=float),
        "moving": np.array([when in ("all", "moving") for when in s.noise_when], dtype=float),
    }
    for noise in NOISES:
        loud = s[f"noise_{noise}"]
        events.add(Event("noise", where=noise, range="N"), loud * heard["N"])
        for range_ in ("D", "R"):
            events.add(Event("noise", where=noise, range=range_, throttle="closed"), loud * heard["stopped"])
        for gear in unit.gears:
            flow = power_flow(unit, unit.range_of(gear), gear)
            # Gears that turn as one block run quiet: nothing meshes in direct drive.
            block = len({round(v, 6) for v in flow.speeds.values()}) == 1
            quiet = np.array([when == "moving" and block for when in s.noise_when], dtype=float)
            moving = loud * heard["moving"] * (1.0 - 0.6 * quiet)
            events.add(Event("noise", where=noise, range=unit.range_of(gear), gear=gear, load="drive"), moving)

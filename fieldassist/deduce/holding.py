"""How firmly every element holds in every condition, and what follows when it does not."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np

from fieldassist.deduce.causes import DEGREES
from fieldassist.deduce.events import either, likely
from fieldassist.deduce.kinematics import PowerFlow, power_flow
from fieldassist.deduce.schedule import OPENING
from fieldassist.deduce.states import Column, States
from fieldassist.deduce.unit import Unit

TORQUE: dict[str, float] = {"closed": 0.12, "light": 0.33, "medium": 0.53, "full": 1.0}
"""Engine torque at that opening, as a share of full torque (assumed, a naturally aspirated engine)."""
BASE_PRESSURE = 0.27
"""Line pressure on a closed throttle as a share of that at full throttle (assumed)."""
TOPS_OUT = 0.85
"""Throttle signal from which line pressure rises no more (assumed)."""
REVERSE_BOOST = 1.5
"""Line pressure in R against D (published R test 180-220 psi at idle against far less in D)."""
LAUNCH = 1.05
"""Extra demand on pulling away: the converter multiplies torque."""
SHIFT_WORK = 1.25
"""Extra demand on an element that takes over a shift: it also slows the engine down."""
DOUBT = 0.11
"""Logistic scale of the overload at which an element slips: no two units have the same margins (assumed)."""
MARGIN = 1.55
"""Torque that a good element can hold, over the most that it is asked for (assumed)."""
SHARE_EXPONENT = 1.0 / 3.0
"""Elements are sized by heat as well as by torque, so demand grows less than the torque share."""


@dataclass(frozen=True)
class Loss:
    """What the output does when one element of a gear does not hold."""

    kind: str
    """`none` (something else holds it), `free` (no drive), `falls` (drive in another gear), `locked`."""
    ratio: float | None = None
    """Ratio then."""


@lru_cache(maxsize=65536)
def loss(unit: Unit, range_: str, gear: str, element: str, load: str = "drive") -> Loss:
    """What happens in a gear when one element does not hold, from the power flow."""
    good = power_flow(unit, range_, gear, load)
    return _compare(good, power_flow(unit, range_, gear, load, missing=frozenset((element,))))


@lru_cache(maxsize=65536)
def excess(unit: Unit, range_: str, gear: str, element: str, load: str = "drive") -> Loss:
    """What happens in a gear when one more element holds, from the power flow."""
    good = power_flow(unit, range_, gear, load)
    return _compare(good, power_flow(unit, range_, gear, load, extra=frozenset((element,))))


def _compare(good: PowerFlow, now: PowerFlow) -> Loss:
    if now.locked:
        return Loss("locked")
    if now.ratio is None:
        return Loss("locked" if now.output_held and not good.output_held and good.drives else "free")
    if good.ratio is not None and abs(now.ratio - good.ratio) < 1e-6 * abs(good.ratio):
        return Loss("none", now.ratio)
    return Loss("falls", now.ratio)


class Holding:
    """Capacity against demand for one unit under every hypothesis."""

    def __init__(self, unit: Unit, states: States) -> None:
        self.unit = unit
        self.states = states
        self.states = replace(states, element={**states.element, **self._burnt()})

    def _burnt(self) -> dict[tuple[str, str], Column]:
        """Capacity of what is overloaded for good because the element beside it has failed: it burns too."""
        out: dict[tuple[str, str], Column] = {}
        for number, cause in enumerate(self.states.causes):
            if cause.subject is None or cause.subject not in self.unit.elements or "capacity" not in cause.acts:
                continue
            for range_, gear, other, extra in self._carried_alone(cause.subject):
                if self.demand(range_, gear, other) * extra > 0.9 * self.design[other]:
                    key = (other, "capacity")
                    column = out.setdefault(key, self.states.element[key].copy())
                    lost = 1.0 - np.array(cause.acts["capacity"])
                    columns = slice(len(DEGREES) * number, len(DEGREES) * (number + 1))
                    column[columns] = np.minimum(column[columns], 1.0 - 0.55 * lost)
        return out

    def _carried_alone(self, element: str) -> list[tuple[str, str, str, float]]:
        """(range, gear, other element, factor on its demand) where others carry on when one does not hold."""
        out = []
        for range_, gears in self.unit.ranges.items():
            for gear in gears:
                if (
                    element not in self.unit.applied(range_, gear)
                    or loss(self.unit, range_, gear, element).kind != "none"
                ):
                    continue
                good = power_flow(self.unit, range_, gear).torques
                now = power_flow(self.unit, range_, gear, missing=frozenset((element,))).torques
                for other, torque in now.items():
                    share = max(abs(good.get(other, 0.0)), 1e-3)
                    if abs(torque) > share + 1e-6:
                        out.append((range_, gear, other, float((abs(torque) / share) ** SHARE_EXPONENT)))
        return out

    def signal(self, throttle: str, temperature: str = "hot") -> Column:
        """Throttle signal, part of full; a weak engine is given more pedal for the same going."""
        s = self.states
        pedal = OPENING[throttle] + (0.25 * (1.0 - s["engine"]) if throttle in ("light", "medium") else 0.0)
        offset = s["throttle_offset"] + (s["throttle_stiff"] if temperature == "cold" else 0.0)
        return np.clip(s["throttle_gain"] * pedal + offset, 0.0, 1.15)

    def line(self, throttle: str, temperature: str) -> Column:
        """Line pressure, as a share of the good unit's at full throttle (forward ranges)."""
        s = self.states
        pressure = BASE_PRESSURE + (1.0 - BASE_PRESSURE) * np.minimum(
            self.signal(throttle, temperature) / TOPS_OUT, 1.0
        )
        starved = 1.0 - s["fade"] * {"closed": 0.1, "light": 0.3, "medium": 0.45, "full": 0.6}[throttle]
        air = 1.0 - s["aeration"] * (0.38 if temperature == "hot" else 0.2)
        off_port = 1.0 - 0.45 * s["manual_valve"]
        hot = s["line_hot"] if temperature == "hot" else 1.0
        return np.asarray(pressure * s["line"] * hot * starved * air * off_port)

    def good_line(self, throttle: str) -> float:
        """Line pressure of the good unit on the same scale."""
        return BASE_PRESSURE + (1.0 - BASE_PRESSURE) * min(OPENING[throttle] / TOPS_OUT, 1.0)

    def firmness(self, element: str, throttle: str, temperature: str) -> Column:
        """Torque that an element can hold, as a factor of the good one's at full throttle."""
        s = self.states
        own = s.element[element, "capacity"]
        if not self.unit.elements[element].friction:
            return own  # a one-way clutch needs no pressure
        leak = s.element[element, "circuit"] ** (1.3 if temperature == "hot" else 0.8)
        return np.asarray(own * leak * s["friction"] * self.line(throttle, temperature))

    def share(self, range_: str, gear: str, element: str) -> float:
        """Torque share of an element in a gear, multiples of input torque."""
        return abs(power_flow(self.unit, range_, gear).torques.get(element, 0.0))

    @cached_property
    def design(self) -> dict[str, float]:
        """Element -> what a good one holds at full throttle, sized for its hardest duty.

        Duties are the gears that it holds alone (beside a one-way clutch that carries the drive it is only there
        for the overrun) and the shifts that it takes over.
        """
        unit = self.unit
        out = {}
        for element in unit.elements:
            held = [
                (range_, gear)
                for range_, gears in unit.ranges.items()
                for gear in gears
                if gear != "N" and element in unit.applied(range_, gear)
            ]
            alone = [at for at in held if loss(unit, *at, element).kind != "none"] or held
            duties = [self.demand(*at, element) / self._boost(at[0]) for at in alone]
            taken = [shift.id.partition("-")[2] for shift in unit.shifts if element in shift.on]
            duties += [self.demand("D", gear, element) * SHIFT_WORK for gear in taken if ("D", gear) in alone]
            out[element] = MARGIN * max(duties, default=1.0)
        return out

    @staticmethod
    def _boost(range_: str) -> float:
        """Line pressure of a range on a closed throttle, relative to the forward ranges."""
        return REVERSE_BOOST if range_ == "R" else 1.0

    def demand(self, range_: str, gear: str, element: str) -> float:
        """Demand on an element at full throttle; relative measure."""
        launch = LAUNCH if gear in ("R", self.unit.ranges[range_][0]) else 1.0
        return float(launch * max(self.share(range_, gear, element), 1e-3) ** SHARE_EXPONENT)

    def overload(
        self, range_: str, gear: str, element: str, throttle: str, temperature: str, extra: float = 1.0
    ) -> Column:
        """Demand over capacity: above 1 the element slips."""
        torque = TORQUE[throttle] * (self.states["engine"] if throttle == "full" else 1.0)
        demand = self.demand(range_, gear, element) * torque * extra
        # A one-way clutch is sized in the same way, but holds at every throttle alike.
        firm = self.firmness(element, throttle, temperature) * self._boost(range_) * self.design[element]
        return np.asarray(demand / np.maximum(firm, 1e-3))

    def slips(
        self, range_: str, gear: str, element: str, throttle: str, temperature: str, extra: float = 1.0
    ) -> Column:
        """Probability that an element slips."""
        p = likely(self.overload(range_, gear, element, throttle, temperature, extra), 1.0, DOUBT)
        good = float(p[-1])  # the good unit, the last hypothesis, does not slip however wide the doubt is
        return np.asarray(np.clip((p - good) / (1.0 - good), 0.0, 1.0))

    def gone(self, element: str, temperature: str = "hot") -> Column:
        """Probability that an element is as good as not there."""
        s = self.states
        firm = s.element[element, "capacity"].copy()
        if self.unit.elements[element].friction:
            firm = firm * s.element[element, "circuit"] * s["friction"] * np.minimum(s["line"], 1.0)
            firm = firm * (1.0 - 0.4 * s["aeration"])
        return likely(firm, 0.17, -0.035)

    def fill_delay(self, element: str, temperature: str, throttle: str = "closed") -> Column:
        """Seconds that an element takes longer to take hold than a good one."""
        s = self.states
        if not self.unit.elements[element].friction:
            return np.zeros(s.count)
        feed = self.line(throttle, temperature) / self.good_line(throttle)
        if throttle == "closed":
            feed = feed * s["line_idle"]
        starved = np.clip(1.0 / np.maximum(feed, 0.2) - 1.0, -0.3, 3.0)
        worn = 1.0 - s.element[element, "capacity"]
        pickup = s["fade"] * (
            0.3 if temperature == "hot" else 0.7
        )  # a clogged filter fills slowly, cold fluid worst
        return np.asarray(
            s.element[element, "apply_time"] + 0.7 * starved + 0.8 * worn + 0.6 * s["aeration"] + pickup
        )

    def carrying(self, range_: str, gear: str) -> tuple[str, ...]:
        """Elements whose loss is felt in a gear, and every one-way clutch that holds there."""
        closed = self.unit.applied(range_, gear)
        return tuple(sorted(e for e in closed if loss(self.unit, range_, gear, e).kind != "none"))

    def slip(self, range_: str, gear: str, throttle: str, temperature: str) -> Column:
        """Probability that the driver feels slip in a gear."""
        parts: list[Column] = []
        for element in self.carrying(range_, gear):
            p = self.slips(range_, gear, element, throttle, temperature)
            gone = self.gone(element)
            # A lost element that a one-way clutch stands in for gives another gear, not slip.
            keep = 0.2 if loss(self.unit, range_, gear, element).kind == "free" else 0.05
            parts.append(p * (1.0 - gone) + keep * gone)
        parts += self._stand_ins(range_, gear, throttle, temperature)
        return either(*parts) if parts else np.zeros(self.states.count)

    def _stand_ins(self, range_: str, gear: str, throttle: str, temperature: str) -> list[Column]:
        """Slip of what has to carry alone because the element beside it does not hold."""
        parts = []
        for element in sorted(self.unit.applied(range_, gear)):
            for at, in_gear, other, extra in self._alone[element]:
                if (at, in_gear) == (range_, gear):
                    alone = likely(self.overload(range_, gear, other, throttle, temperature, extra), 1.0, DOUBT)
                    weak = 1.0 - likely(self.firmness(element, "full", "hot"), 0.3, 0.05)
                    parts.append(alone * weak)
        return parts

    @cached_property
    def _alone(self) -> dict[str, list[tuple[str, str, str, float]]]:
        return {element: self._carried_alone(element) for element in self.unit.elements}

    def no_drive(self, range_: str, gear: str) -> Column:
        """Probability that a gear does not drive at all."""
        s = self.states
        parts: list[Column] = [
            self.gone(e) for e in self.carrying(range_, gear) if loss(self.unit, range_, gear, e).kind == "free"
        ]
        parts += [(1.0 - s["input"]) * 0.95, (1.0 - s["output"]) * 0.9, 0.6 * s["manual_valve"] ** 2]
        return either(*parts, likely(self.line("light", "hot") / self.good_line("light"), 0.33, -0.05))

    def bound(self, range_: str, gear: str) -> Column:
        """Probability that two elements work against each other in a gear."""
        closed = self.unit.applied(range_, gear)
        parts = [
            self.states.element[e, "drag"]
            for e in self.unit.elements
            if e not in closed and excess(self.unit, range_, gear, e).kind == "locked"
        ]
        return either(*parts) if parts else np.zeros(self.states.count)

"""What the driver would feel on the road under every hypothesis, from the holding of the elements."""

from __future__ import annotations

import numpy as np

from fieldassist.deduce.events import Event, EventList, either, likely
from fieldassist.deduce.holding import Holding, excess, loss
from fieldassist.deduce.kinematics import power_flow
from fieldassist.deduce.schedule import OPENING
from fieldassist.deduce.states import Column
from fieldassist.deduce.unit import Shift, Unit

TEMPERATURES: tuple[str, ...] = ("hot", "cold")
PULLING: tuple[str, ...] = ("light", "medium", "full")
_SPRING = 0.25
"""Share of the shift speed that is there on a closed throttle."""


def add_road_events(unit: Unit, holding: Holding, events: EventList) -> None:
    """Add everything that can be felt on the road."""
    road = _Road(unit, holding, events)
    road.engagement()
    road.neutral()
    for range_, gears in unit.ranges.items():
        for gear in gears:
            if gear != "N":
                road.gear(range_, gear)
                road.braking(range_, gear)
    for shift in unit.shifts:
        (road.upshift if shift.up else road.downshift)(shift)
    road.whole_drive()


class _Road:
    def __init__(self, unit: Unit, holding: Holding, events: EventList) -> None:
        self.unit, self.holding, self.events = unit, holding, events
        self.s = holding.states
        self.zero = np.zeros(self.s.count)

    # ------------------------------------------------------------ standing

    def engagement(self) -> None:
        """From N into every driving range."""
        s = self.s
        for range_ in self._driving_ranges():
            gear = self.unit.ranges[range_][0]
            filled = [e for e in self.unit.applied(range_, gear) if self.unit.elements[e].friction]
            reverse = gear == "R"
            for temperature in TEMPERATURES:
                delays = [self.holding.fill_delay(e, temperature) for e in filled]
                delay = np.max(delays, axis=0) if delays else self.zero
                late = likely(delay, 0.45, 0.12)
                at = {"range": range_, "gear": gear, "temperature": temperature}
                self.events.add(Event("delayed_engagement", **at), late)
                high = likely(s["line"] * s["line_idle"], 1.25, 0.08)
                cushion = either(*(0.5 * np.maximum(-s.element[e, "cushion"], 0.0) for e in filled))
                self.events.add(Event("harsh", **at), 0.85 * high, cushion, 0.8 * s["idle_high"], 0.35 * late)
                soft = either(*(0.5 * np.maximum(s.element[e, "cushion"], 0.0) for e in filled))
                self.events.add(Event("soft", **at), 0.35 * late, soft)
            none = self.holding.no_drive(range_, gear)
            kind = "no_reverse" if reverse else "no_drive"
            self.events.add(Event(kind, range=range_, gear=gear), none)

    def neutral(self) -> None:
        """Creep with the selector in N."""
        s = self.s
        parts = []
        for element in self.unit.elements:
            flow = power_flow(self.unit, "N", "N", extra=frozenset((element,)))
            if flow.drives or flow.output_held:
                parts.append(0.9 * s.element[element, "drag"])
        self.events.add(Event("creep", range="N"), *parts, 0.55 * s["manual_valve"])

    # ------------------------------------------------------------ in a gear

    def gear(self, range_: str, gear: str) -> None:
        """Pulling in a gear."""
        s, h = self.s, self.holding
        launch = gear == self.unit.ranges[range_][0]
        bound = h.bound(range_, gear)
        none = h.no_drive(range_, gear)
        if not launch:
            self.events.add(Event("no_drive", range=range_, gear=gear), none)
        for throttle in PULLING:
            for temperature in TEMPERATURES:
                at = {
                    "range": range_,
                    "gear": gear,
                    "throttle": throttle,
                    "temperature": temperature,
                    "load": "drive",
                }
                slip = h.slip(range_, gear, throttle, temperature)
                self.events.add(Event("slip", **at), slip)
                judder = 0.55 * s["judder"] if launch else 0.25 * s["judder"]
                locked = self.zero
                if gear in self.unit.converter_clutch and not launch:
                    locked = 0.9 * s["lockup_judder"] * {"light": 1.0, "medium": 0.8, "full": 0.4}[throttle]
                self.events.add(Event("shudder", **at), judder, locked, 0.12 * slip, 0.2 * bound)
        self.events.add(Event("bind", range=range_, gear=gear), 0.9 * bound)
        if launch and gear != "R":
            self.wrong_gear(range_, gear)
        if launch:
            self.acceleration(range_, gear, bound)

    def wrong_gear(self, range_: str, gear: str) -> None:
        """Starting in a higher gear than the first of the range."""
        for start, parts in self._wrong_gears(range_, gear).items():
            self.events.add(Event("wrong_gear_start", range=range_, gear=start), *parts)

    def _wrong_gears(self, range_: str, gear: str) -> dict[str, list[Column]]:
        """Gear that it starts in -> what makes it so."""
        s, unit = self.s, self.unit
        gears = unit.ranges[range_]
        out: dict[str, list[Column]] = {g: [] for g in unit.forward if g != gear}
        for element in unit.elements:
            now = excess(unit, range_, gear, element)
            if element not in unit.applied(range_, gear) and now.kind == "falls" and now.ratio is not None:
                ratio = now.ratio
                nearest = min(out, key=lambda g: abs(unit.ratio(g) - ratio))
                out[nearest].append(0.9 * s.element[element, "drag"])
        if len(gears) > 1:
            second = gears[1]
            out[second].append(0.9 * s.shift[f"{gear}-{second}", "stuck_high"])
            out[second].append(0.8 * likely(s["governor_offset"], 0.13, 0.03))
            out[second].append(0.25 * s["governor_erratic"])
        return {g: parts or [self.zero] for g, parts in out.items()}

    def acceleration(self, range_: str, gear: str, bound: Column) -> None:
        """From rest at full throttle."""
        s = self.s
        slip = self.holding.slip(range_, gear, "full", "hot")
        wrong = self.zero
        if gear != "R":
            wrong = either(*(part for parts in self._wrong_gears(range_, gear).values() for part in parts))
        self.events.add(
            Event("poor_acceleration", range=range_, gear=gear, throttle="full"),
            0.97 * likely(s["engine"], 0.86, -0.03),
            0.97 * likely(s["stator_slips"], 0.45, 0.08),
            0.85 * likely(s["exhaust"], 0.35, 0.06),
            0.75 * likely(s["load_drag"], 0.2, 0.05),
            0.5 * slip,
            0.75 * wrong,
            0.6 * bound,
            0.5 * s["lockup_on"],
        )

    def braking(self, range_: str, gear: str) -> None:
        """Closed throttle, car pushing the engine."""
        at = {"range": range_, "gear": gear, "throttle": "closed", "load": "coast"}
        design = power_flow(self.unit, range_, gear, load="coast")
        if not design.drives:  # a one-way clutch overruns: no braking by design, unless something holds it
            holds = [
                self.s.element[e, "drag"]
                for e in self.unit.elements
                if power_flow(self.unit, range_, gear, "coast", extra=frozenset((e,))).drives
            ]
            self.events.add(Event("no_engine_braking", **at), 1.0 - either(*holds) if holds else 1.0)
            return
        parts = []
        for element in self.unit.applied(range_, gear):
            if not self.unit.elements[element].friction:
                continue
            if loss(self.unit, range_, gear, element, "coast").kind in ("free", "falls"):
                firm = self.holding.firmness(element, "closed", "hot") / self.holding.good_line("closed")
                parts.append(0.95 * likely(firm, 0.5, -0.08))
        self.events.add(Event("no_engine_braking", **at), *parts, 0.9 * (1.0 - self.s["input"]))

    # ------------------------------------------------------------ shifts

    def timing(self, throttle: str, temperature: str = "hot") -> Column:
        """Shift speed over the good unit's, by throttle signal against governor signal."""
        s = self.s
        good = _SPRING + OPENING[throttle]
        signal = np.minimum(self.holding.signal(throttle, temperature), 1.08)
        speed = (_SPRING + signal) / np.maximum(s["governor_gain"], 0.05) - 1.2 * s["governor_offset"]
        return np.asarray(np.maximum(speed, 0.05) / good)

    def upshift(self, shift: Shift) -> None:
        """An upshift in D."""
        s, h, unit = self.s, self.holding, self.unit
        low, high = shift.id.split("-")
        low_ratio = unit.ratio(low)
        below = [s.shift[f"{g}-{self._next(g)}", "stuck_low"] for g in unit.forward if int(g) < int(low)]
        stuck = either(s.shift[shift.id, "stuck_low"], 0.85 * either(*below))
        starts_above = s.shift[shift.id, "stuck_high"]
        erratic = either(s["governor_erratic"], s.shift[shift.id, "erratic"])
        entering = self._bound_on_entering(low, high)
        released_late = [
            likely(s.element[e, "release_time"], 0.35, 0.08) * (1.0 - 0.5 * s.element[e, "drag"])
            for e in shift.off
            if excess(unit, "D", high, e).kind == "locked"
        ]
        kept = self._kept(low, high)
        missing, skipped = self.zero, self.zero
        for element in shift.on:
            now = loss(unit, "D", high, element)
            if now.kind == "none":
                continue
            gone = h.gone(element)
            hangs = now.kind == "falls" and now.ratio is not None and now.ratio <= low_ratio * 1.001
            missing = either(missing, gone * (0.97 if hangs else 0.6))
            if hangs:
                skipped = either(skipped, gone)
        for throttle in PULLING:
            for temperature in TEMPERATURES:
                timing = self.timing(throttle, temperature)
                never = likely(timing, 1.9, 0.12)
                late = likely(timing, 1.17, 0.05)
                early = likely(timing, 0.84, -0.045)
                pressure = h.line(throttle, temperature) / h.good_line(throttle)
                at = {"range": "D", "shift": shift.id, "throttle": throttle, "temperature": temperature}
                flare, hang = self._takeover(shift, throttle, temperature)
                held = either(self.zero, *(
                    0.6 * h.slips("D", high, e, throttle, temperature) * (1.0 - h.gone(e)) for e in kept
                ))  # fmt: skip
                harsh_line = likely(pressure / s["engine"] ** 0.35, 1.28, 0.07)
                hard = either(*(0.9 * np.maximum(-s.element[e, "cushion"], 0.0) for e in shift.on))
                soft = either(*(0.7 * np.maximum(s.element[e, "cushion"], 0.0) for e in shift.on))
                self.events.add(Event("flare", **at), 0.95 * flare, held, 0.4 * hang)
                self.events.add(Event("harsh", **at), 0.75 * hang, 0.9 * harsh_line, hard, 0.3 * entering)
                self.events.add(Event("soft", **at), soft, 0.5 * likely(pressure, 0.75, -0.06), 0.2 * flare)
                self.events.add(
                    Event("late", **at),
                    0.95 * late,
                    0.65 * hang * (1.0 - early),
                    0.4 * erratic,
                    0.3 * stuck,
                    0.5 * missing,
                )
                self.events.add(
                    Event("no_shift", **at), never, 0.95 * stuck, missing, 0.12 * erratic, 0.35 * starts_above
                )
                self.events.add(Event("early", **at), 0.95 * early, 0.35 * erratic)
                self.events.add(Event("hunting", **at), 0.55 * erratic, 0.05 * likely(timing, 1.3, 0.06))
        self.events.add(Event("bind", range="D", shift=shift.id, gear=high), 0.9 * entering, *released_late)
        if high != unit.forward[-1]:
            self.events.add(
                Event("skip", range="D", shift=shift.id, gear=high), 0.85 * skipped, 0.4 * starts_above
            )

    def _takeover(self, shift: Shift, throttle: str, temperature: str) -> tuple[Column, Column]:
        """Chance of a flare, and of a hang that ends in a thump, as the new elements take over.

        A weak or slow element flares when nothing stands in for it; where a one-way clutch still holds the old
        gear the engine cannot run away: the shift hangs and then thumps home.
        """
        unit, h = self.unit, self.holding
        low, high = shift.id.split("-")
        low_ratio = abs(unit.ratio(low))
        flares: list[Column] = []
        hangs: list[Column] = []
        for element in shift.on:
            now = loss(unit, "D", high, element)
            if now.kind == "none":
                continue
            weak = h.slips("D", high, element, throttle, temperature, extra=1.25)
            slow = likely(h.fill_delay(element, temperature, throttle), 0.4, 0.08)
            trouble = either(weak, 0.9 * slow)
            if now.kind == "falls" and now.ratio is not None and 0 < now.ratio <= low_ratio * 1.001:
                hangs.append(trouble * (1.0 - h.gone(element)))
            else:
                flares.append(trouble * (1.0 - 0.3 * h.gone(element)))
        return either(self.zero, *flares), either(self.zero, *hangs)

    def downshift(self, shift: Shift) -> None:
        """Forced, part-throttle and coasting downshifts in D."""
        s, h, unit = self.s, self.holding, self.unit
        high, low = shift.id.split("-")
        up = f"{low}-{high}"
        stays = s.shift[up, "stuck_high"]
        erratic = either(s["governor_erratic"], s.shift[up, "erratic"])
        at = {"range": "D", "shift": shift.id}
        self.events.add(
            Event("no_kickdown", **at, throttle="full"),
            0.95 * (1.0 - s["kickdown"]), 0.9 * stays, 0.9 * likely(s["governor_gain"], 1.3, 0.05),
            0.85 * likely(s["governor_offset"], 0.12, 0.03), 0.25 * erratic,
        )  # fmt: skip
        eager = either(
            likely((_SPRING + h.signal("medium")) / (_SPRING + OPENING["medium"]), 1.18, 0.05),
            0.5 * likely(1.0 / s["governor_gain"], 1.22, 0.05),
        )
        self.events.add(Event("sensitive_kickdown", **at, throttle="medium"), 0.9 * eager, 0.2 * erratic)
        self.events.add(Event("hunting", **at, throttle="medium"), 0.35 * eager, 0.5 * erratic)
        for throttle in ("full", "medium"):
            for temperature in TEMPERATURES:
                flare, hang = self._takeover(shift, throttle, temperature)
                where = {**at, "throttle": throttle, "temperature": temperature}
                self.events.add(Event("flare", **where), 0.95 * flare)
                self.events.add(Event("harsh", **where), 0.6 * hang, 0.5 * likely(s["line"], 1.25, 0.08))
        bound = self._bound_on_entering(high, low)
        late = either(*(
            likely(s.element[e, "release_time"], 0.35, 0.08)
            for e in shift.off if excess(unit, "D", low, e).kind == "locked"
        ), self.zero)  # fmt: skip
        self.events.add(Event("bind", **at, gear=low), 0.7 * bound, 0.7 * late)
        coast = {**at, "throttle": "closed", "load": "coast"}
        closed = h.line("closed", "hot") / h.good_line("closed")
        self.events.add(Event("harsh", **coast), 0.5 * likely(closed, 1.4, 0.1), 0.5 * s["idle_high"], 0.4 * bound)
        self.events.add(Event("no_shift", **coast), 0.9 * stays)
        self.events.add(Event("early", **coast), 0.4 * likely(1.0 / s["governor_gain"], 1.3, 0.08))
        self.events.add(Event("late", **coast), 0.4 * likely(s["governor_gain"], 1.2, 0.06), 0.3 * erratic)

    def _bound_on_entering(self, old: str, new: str) -> Column:
        """Something that drags without harm in the old gear works against the new one."""
        unit = self.unit
        out = self.zero
        for element in unit.elements:
            if element in unit.applied("D", new) or excess(unit, "D", new, element).kind != "locked":
                continue
            fresh = element in unit.applied("D", old) or excess(unit, "D", old, element).kind != "locked"
            out = either(out, (1.0 if fresh else 0.3) * self.s.element[element, "drag"])
        return out

    def _kept(self, low: str, high: str) -> list[str]:
        kept = self.unit.applied("D", low) & self.unit.applied("D", high)
        return sorted(e for e in kept if loss(self.unit, "D", high, e).kind != "none")

    # ------------------------------------------------------------ the drive as a whole

    def whole_drive(self) -> None:
        """Top speed."""
        s, h, unit = self.s, self.holding, self.unit
        top = unit.forward[-1]
        never = either(*(s.shift[f"{g}-{self._next(g)}", "stuck_low"] for g in unit.forward[:-1]))
        lost = either(*(h.gone(e) for e in h.carrying("D", top)), likely(self.timing("medium"), 1.9, 0.12))
        self.events.add(
            Event("poor_top_speed", range="D"),
            0.93 * likely(s["engine"], 0.84, -0.03), 0.95 * likely(s["exhaust"], 0.3, 0.05),
            0.95 * likely(s["stator_seized"], 0.45, 0.08), 0.7 * likely(s["load_drag"], 0.15, 0.04),
            0.7 * never, 0.5 * lost, 0.5 * h.slip("D", top, "full", "hot"), 0.2 * s["lockup_off"],
        )  # fmt: skip
        if unit.converter_clutch:
            self.events.add(
                Event("engine_speed:high", range="D", throttle="light"),
                0.9 * s["lockup_off"],
                0.1 * s["stator_seized"],
            )

    def _driving_ranges(self) -> list[str]:
        return [r for r, gears in self.unit.ranges.items() if gears[0] != "N"]

    def _next(self, gear: str) -> str:
        forward = self.unit.forward
        return forward[forward.index(gear) + 1]

"""Simulated road tests, by another mechanism than the one that deduces.

A car is a handful of hard numbers (holding torque, leak, air, cable length, governor factor ...). One fault of a
continuous size is put into it, and every step is played with thresholds: torque against holding torque with the
plain torque share, fill time against tolerance, shift speed against the specified band. Then people come in: steps
are missed, things go unnoticed, one entry in ten is wrong. Of the deduction it shares the gear train solver, the
names and the base rates, and none of its probabilities, pressure laws or tables.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field

from fieldassist.deduce import Step, Unit, steps_for
from fieldassist.deduce.causes import causes_for
from fieldassist.deduce.kinematics import power_flow
from fieldassist.finding import Finding

PEDAL = {"closed": 0.02, "light": 0.22, "medium": 0.55, "full": 1.0}
MISSED_STEP, UNNOTICED, WRONG = 0.1, 0.1, 0.1
"""Share of steps that are missed, of symptoms that go unnoticed, and of entries that are wrong."""
ROAD: tuple[str, ...] = ("look", "road")
"""Depths of the steps that belong to the drive."""


@dataclass
class Car:
    """One car with at most one fault."""

    hold: dict[str, float]
    """Element -> factor on the torque that it holds."""
    feed: dict[str, float]
    """Element -> share of line pressure that reaches it."""
    stuck: dict[str, float] = field(default_factory=dict)
    """Element -> how firmly it stays on."""
    slack: dict[str, float] = field(default_factory=dict)
    """Element -> seconds that its stroke is too long."""
    bump: dict[str, float] = field(default_factory=dict)
    """Element -> accumulator: +1 no cushion, -1 mushy."""
    valve: dict[str, str] = field(default_factory=dict)
    """Shift -> `down`, `up` or `loose`."""
    pump: float = 1.0
    idle: float = 1.0
    choke: float = 0.0
    air: float = 0.0
    grip: float = 1.0
    cable: float = 0.0
    detent: bool = True
    governor: float = 1.0
    restless: float = 0.0
    lever: float = 0.0
    engine: float = 1.0
    exhaust: float = 0.0
    stator: str = ""
    lockup: str = ""
    broken: bool = False
    judder: float = 0.0
    drag: float = 0.0
    level: float = 0.0
    looks: frozenset[str] = frozenset()
    sound: str = ""
    sound_when: str = "all"
    cable_seen: bool = False


def build(unit: Unit, cause: str, rng: random.Random) -> Car:
    """Put a fault of random size into a good car."""
    car = Car(dict.fromkeys(unit.elements, 1.0), dict.fromkeys(unit.elements, 1.0))
    x = rng.uniform(0.2, 1.0)
    name, _, sort = cause.partition(":")
    if sort == "slips":
        car.hold[name] = 1.0 - 0.75 * x
        car.looks = frozenset({"burnt"} if rng.random() < 0.5 * x else ())
    elif sort == "fails":
        car.hold[name] = 0.0 if rng.random() < 0.6 else 0.25 * (1.0 - x)
    elif sort == "drags":
        car.stuck[name] = x
    elif sort == "seized":
        car.stuck[name] = 1.0
    elif name in ("circuit_leak", "servo_leak"):
        car.feed[sort] = 1.0 - 0.75 * x
    elif name == "accumulator_fault":
        car.bump[sort] = x if rng.random() < 0.5 else -x
    elif name == "band_adjustment":
        if rng.random() < 0.75:
            car.slack[sort] = 1.1 * x
        else:
            car.stuck[sort] = 0.7 * x
    elif name in ("shift_valve_sticking", "shift_solenoid_stuck"):
        car.valve[sort] = rng.choice(("down", "down", "up", "loose"))
    else:
        _whole(car, cause, x, rng)
    return car


def _whole(car: Car, cause: str, x: float, rng: random.Random) -> None:
    match cause:
        case "fluid_low":
            car.level, car.air, car.pump = -x, 0.7 * x, 1.0 - 0.65 * x**2
            car.sound = "whine" if rng.random() < x else ""
        case "fluid_overfull":
            car.level, car.air, car.looks = x, 0.8 * x, frozenset({"foamy"})
        case "fluid_burnt":
            car.grip, car.looks, car.judder = 1.0 - 0.45 * x, frozenset({"burnt", "dark"}), 0.3 * x
        case "fluid_contaminated":
            car.grip, car.looks, car.judder = 1.0 - 0.5 * x, frozenset({"milky"}), 0.6 * x
        case "fluid_wrong_type":
            car.grip, car.judder, car.restless, car.lockup = 1.0 - 0.3 * x, 0.6, 0.3 * x, "judder"
        case "filter_restricted":
            car.choke, car.sound = x, "whine" if rng.random() < 0.7 * x else ""
        case "pump_worn":
            car.pump, car.idle, car.sound = 1.0 - 0.5 * x, 1.0 - 0.3 * x, "whine" if rng.random() < 0.6 else ""
        case "line_pressure_low":
            car.pump = 1.0 - 0.6 * x
        case "line_pressure_high":
            car.pump = 1.0 + 0.9 * x
        case "pressure_regulator_sticking":
            car.pump, car.sound = rng.choice((1.0 - 0.5 * x, 1.0 + 0.7 * x)), "buzz" if rng.random() < 0.3 else ""
        case "throttle_linkage_short":
            car.cable, car.cable_seen, car.detent = -0.4 * x, True, x < 0.3
        case "throttle_linkage_long" | "vacuum_modulator_fault":
            car.cable, car.cable_seen = 0.4 * x, cause == "throttle_linkage_long"
        case "kickdown_valve_fault":
            car.detent = False
        case "selector_linkage_off":
            car.lever = x
        case "governor_low":
            car.governor = 1.0 - 0.6 * x
        case "governor_high":
            car.governor = 1.0 + 0.5 * x
        case "governor_sticking" | "speed_sensor_fault":
            car.restless = 0.4 + 0.5 * x
        case "throttle_sensor_fault":
            car.cable, car.restless = rng.choice((-0.3, 0.3)) * x, 0.2
        case "converter_stator_slips":
            car.stator = "slips"
        case "converter_stator_seized":
            car.stator, car.looks = "seized", frozenset({"dark"})
        case "converter_clutch_not_applying":
            car.lockup = "off"
        case "converter_clutch_shudders":
            car.lockup = "judder"
        case "converter_clutch_stuck_on":
            car.lockup = "on"
        case "converter_bearing_worn":
            car.sound, car.sound_when = "whine", "standing"
        case "drive_plate_broken":
            car.broken, car.sound = rng.random() < 0.7, "rattle"
        case "gearset_damaged":
            car.sound, car.sound_when = rng.choice(("grind", "grind", "whine")), "moving"
            car.looks = frozenset({"particles"} if rng.random() < 0.7 else ())
        case "engine_output_low":
            car.engine = 1.0 - 0.55 * x
        case "exhaust_blocked":
            car.exhaust = x
        case "driveline_fault":
            car.judder, car.drag, car.sound, car.sound_when = 0.4, 0.5 * x, rng.choice(("clunk", "hum")), "moving"


class Drive:
    """Plays the steps of one car."""

    def __init__(self, unit: Unit, car: Car, rng: random.Random) -> None:
        self.unit, self.car, self.rng = unit, car, rng
        good = Car(dict.fromkeys(unit.elements, 1.0), dict.fromkeys(unit.elements, 1.0))
        # Every element of the good car holds 40 % more than its hardest gear asks for at full throttle.
        self.size = {
            e: 1.4 * max(
                (self._torque(r, g, e, "full") / self._pressure(good, r, "full", "hot")
                 for r, gears in unit.ranges.items() for g in gears if g != "N" and e in unit.applied(r, g)),
                default=1.0,
            )
            for e in unit.elements
        }  # fmt: skip

    def _torque(self, range_: str, gear: str, element: str, throttle: str) -> float:
        share = abs(power_flow(self.unit, range_, gear).torques.get(element, 0.0))
        start = 1.6 if gear in ("1", "R") else 1.0
        return float(share * (0.08 + 0.92 * PEDAL[throttle] ** 0.8) * start)

    def _pressure(self, car: Car, range_: str, throttle: str, temperature: str) -> float:
        signal = min(max(PEDAL[throttle] + car.cable, 0.0), 1.0)
        level = (0.35 + 0.65 * signal**0.8) * car.pump * (1.7 if range_ == "R" else 1.0)
        level *= 1.0 - car.choke * (0.1 + 0.5 * PEDAL[throttle])
        return float(level) * (1.0 - car.air * (0.4 if temperature == "hot" else 0.25)) * (1.0 - 0.4 * car.lever)

    def margin(self, range_: str, gear: str, element: str, throttle: str) -> float:
        """Holding torque over torque."""
        car, torque = self.car, self._torque(range_, gear, element, throttle)
        if torque < 1e-6:
            return 9.0
        if not self.unit.elements[element].friction:
            return 2.0 if car.hold[element] >= 1.0 else 3.0 * car.hold[element]
        press = self._pressure(car, range_, throttle, "hot") * car.feed[element]
        return self.size[element] * car.hold[element] * car.grip * press / torque

    def dead(self, element: str) -> bool:
        """It holds next to nothing."""
        car = self.car
        firm = car.hold[element]
        if self.unit.elements[element].friction:
            firm *= car.feed[element] * min(car.pump, 1.0) * car.grip
        return firm < 0.16

    def outcome(self, range_: str, gear: str, missing: str) -> str:
        """`held`, `free` or the gear that it falls into."""
        good = power_flow(self.unit, range_, gear)
        now = power_flow(self.unit, range_, gear, missing=frozenset((missing,)))
        if now.ratio is None or good.ratio is None:
            return "free"
        if abs(now.ratio - good.ratio) < 1e-6:
            return "held"
        return min(self.unit.forward, key=lambda g: abs(self.unit.ratio(g) - (now.ratio or 0.0)))

    def locked(self, range_: str, gear: str) -> bool:
        """Something that stays on fights the gear."""
        closed = self.unit.applied(range_, gear)
        for element, firm in self.car.stuck.items():
            if element not in closed and firm > 0.3:
                flow = power_flow(self.unit, range_, gear, extra=frozenset((element,)))
                if flow.locked or flow.output_held:
                    return True
        return False

    def fill(self, element: str, throttle: str, temperature: str) -> float:
        """Seconds until an element takes hold."""
        car = self.car
        if not self.unit.elements[element].friction:
            return 0.0
        press = self._pressure(car, "D", throttle, temperature) / (0.35 + 0.65 * PEDAL[throttle] ** 0.8)
        if throttle == "closed":
            press *= car.idle
        flow = max(press * car.feed[element], 0.05) ** 0.5
        stroke = 0.45 + car.slack.get(element, 0.0) + 0.5 * (1.0 - car.hold[element])
        return float(stroke / flow) + 0.4 * car.air + 0.3 * car.choke * (temperature == "cold")

    # ------------------------------------------------------------ steps

    def symptoms(self, step: Step) -> set[tuple[str, str | None]]:
        """(kind, where) of what there is to notice in a step."""
        if step.procedure == "pressure":
            return self._gauge(step.where or "line")
        play = getattr(self, f"_{step.procedure}", None)
        return play(step) if play is not None else set()

    def _fluid_level(self, step: Step) -> set[tuple[str, str | None]]:
        level = self.car.level
        return {("fluid_level", "low")} if level < -0.3 else {("fluid_level", "high")} if level > 0.3 else set()

    def _fluid_condition(self, step: Step) -> set[tuple[str, str | None]]:
        looks = set(self.car.looks) - {"particles"}
        if self.rng.random() < 0.2:
            looks.add("dark")
        return {("fluid_condition", look) for look in looks}

    def _leak_check(self, step: Step) -> set[tuple[str, str | None]]:
        chance = 0.5 if self.car.level < 0 else 0.1
        return {("leak", None)} if self.rng.random() < chance else set()

    def _selector_linkage(self, step: Step) -> set[tuple[str, str | None]]:
        return {("linkage", "selector")} if self.car.lever > 0.2 else set()

    def _throttle_linkage(self, step: Step) -> set[tuple[str, str | None]]:
        return {("linkage", "throttle")} if self.car.cable_seen and abs(self.car.cable) > 0.08 else set()

    def _engage_drive(self, step: Step) -> set[tuple[str, str | None]]:
        return self._engage("D")

    def _engage_reverse(self, step: Step) -> set[tuple[str, str | None]]:
        return self._engage("R")

    def _engage(self, range_: str) -> set[tuple[str, str | None]]:
        gear = self.unit.ranges[range_][0]
        out: set[tuple[str, str | None]] = set()
        if self.nothing(range_, gear):
            return {("no_reverse" if range_ == "R" else "no_drive", None)}
        wait = max((self.fill(e, "closed", "hot") for e in self.unit.applied(range_, gear)), default=0.0)
        if wait > 0.95:
            out.add(("delayed_engagement", None))
        if self.car.pump > 1.35:
            out.add(("harsh", None))
        return out | self._noise("standing")

    def nothing(self, range_: str, gear: str) -> bool:
        """No drive at all."""
        if self.car.broken or self.car.pump * (1.0 - 0.5 * self.car.air) < 0.25:
            return True
        if self.car.lever > 0.8 and self.rng.random() < 0.5:
            return True
        return any(
            self.dead(e) and self.outcome(range_, gear, e) == "free" for e in self.unit.applied(range_, gear)
        )

    def _creep_neutral(self, step: Step) -> set[tuple[str, str | None]]:
        out = self._noise("neutral")
        for element, firm in self.car.stuck.items():
            if firm > 0.3 and power_flow(self.unit, "N", "N", extra=frozenset((element,))).drives:
                out.add(("creep", None))
        if self.car.lever > 0.5 and self.rng.random() < 0.6:
            out.add(("creep", None))
        return out

    def slipping(self, range_: str, gear: str, throttle: str) -> bool:
        """Some element slips, and nothing stands in for it."""
        return any(
            self.margin(range_, gear, e, throttle) < 1.0 and self.outcome(range_, gear, e) != "held"
            for e in self.unit.applied(range_, gear)
        )

    def _pull_away(self, step: Step) -> set[tuple[str, str | None]]:
        range_ = step.range or "D"
        gear, car = self.unit.ranges[range_][0], self.car
        if self.nothing(range_, gear):
            return {("no_reverse" if range_ == "R" else "no_drive", None)}
        out: set[tuple[str, str | None]] = set()
        if self.slipping(range_, gear, "medium") or self.slipping(range_, gear, "full"):
            out.add(("slip", None))
        if self.locked(range_, gear):
            out.add(("bind", None))
        if range_ != "R" and len(self.unit.ranges[range_]) > 1:
            high = car.valve.get("1-2") == "up" or car.governor > 1.35
            if high or self._started_high(range_, gear):
                out |= {("wrong_gear_start", None), ("poor_acceleration", None)}
        if car.judder > 0.35 and self.rng.random() < car.judder:
            out.add(("shudder", None))
        if car.engine < 0.8 or car.stator == "slips" or car.exhaust > 0.5:
            out.add(("poor_acceleration", None))
        return out

    def _started_high(self, range_: str, gear: str) -> bool:
        for element, firm in self.car.stuck.items():
            if firm > 0.4 and element not in self.unit.applied(range_, gear):
                flow = power_flow(self.unit, range_, gear, extra=frozenset((element,)))
                if flow.ratio is not None and flow.ratio < 0.97 * self.unit.ratio(gear):
                    return True
        return False

    def _upshift(self, step: Step) -> set[tuple[str, str | None]]:
        car, unit = self.car, self.unit
        low, high = (step.shift or "").split("-")
        throttle = step.throttle or "light"
        out: set[tuple[str, str | None]] = set()
        if any(car.valve.get(f"{g}-{int(g) + 1}") == "down" for g in unit.forward if int(g) <= int(low)):
            return {("no_shift", None)}
        if car.valve.get(step.shift or "") == "up":
            return {("no_shift", None)} if self.rng.random() < 0.5 else set()
        wished = 0.3 + PEDAL[throttle]
        speed = (0.3 + max(PEDAL[throttle] + car.cable + 0.15 * (1.0 - car.engine), 0.0)) / car.governor / wished
        if self.rng.random() < car.restless or car.valve.get(step.shift or "") == "loose":
            speed *= self.rng.choice((0.7, 1.4))
        if speed > 2.0:
            return {("no_shift", None)}
        if speed > 1.18:
            out.add(("late", None))
        if speed < 0.83:
            out.add(("early", None))
        on = unit.shift(low, high).on
        for element in on:
            result = self.outcome("D", high, element)
            weak = self.margin("D", high, element, throttle) < 1.15
            slow = self.fill(element, throttle, "hot") > 0.9
            if self.dead(element):
                out.add(("no_shift", None) if result == low else ("flare", None))
                if result == low and high != unit.forward[-1]:
                    out.add(("skip", None))
            elif (weak or slow) and result not in ("held", low):
                out.add(("flare", None))
            elif (weak or slow) and result == low:
                out |= {("harsh", None)} if self.rng.random() < 0.7 else {("late", None)}
            if car.bump.get(element, 0.0) > 0.3:
                out.add(("harsh", None))
            if car.bump.get(element, 0.0) < -0.3:
                out.add(("soft", None))
        press = self._pressure(car, "D", throttle, "hot") / (0.35 + 0.65 * PEDAL[throttle] ** 0.8)
        if press / car.engine**0.3 > 1.3:
            out.add(("harsh", None))
        if self.locked("D", high) and not self.locked("D", low):
            out.add(("bind", None))
        return out

    def _hold(self, step: Step) -> set[tuple[str, str | None]]:
        gear = step.gear or "1"
        out = self._noise("moving")
        if any(self.dead(e) and self.outcome("D", gear, e) == "free" for e in self.unit.applied("D", gear)):
            return {("no_drive", None)}
        if self.slipping("D", gear, "medium") or (self.slipping("D", gear, "full") and self.rng.random() < 0.6):
            out.add(("slip", None))
        if self.locked("D", gear):
            out.add(("bind", None))
        if self.car.lockup == "judder" and gear in self.unit.converter_clutch:
            out.add(("shudder", None))
        return out

    def _kickdown(self, step: Step) -> set[tuple[str, str | None]]:
        car = self.car
        high, low = (step.shift or "").split("-")
        if not car.detent or car.governor > 1.25 or car.valve.get(f"{low}-{high}") == "up":
            return {("no_kickdown", None)}
        out: set[tuple[str, str | None]] = set()
        for element in self.unit.shift(high, low).on:
            late = self.fill(element, "full", "hot") > 0.9 or self.margin("D", low, element, "full") < 1.1
            if late and self.outcome("D", low, element) != "held":
                out.add(("flare", None))
        return out

    def _part_throttle(self, step: Step) -> set[tuple[str, str | None]]:
        if self.car.cable > 0.12 or self.car.engine < 0.6 or self.car.governor < 0.6:
            return {("sensitive_kickdown", None)}
        return {("hunting", None)} if self.rng.random() < 0.5 * self.car.restless else set()

    def _coast_down(self, step: Step) -> set[tuple[str, str | None]]:
        out: set[tuple[str, str | None]] = set()
        high, low = (step.shift or "").split("-")
        if self.car.valve.get(f"{low}-{high}") == "up":
            out.add(("no_shift", None))
        if self.car.pump > 1.5:
            out.add(("harsh", None))
        if self.locked("D", low):
            out.add(("bind", None))
        return out

    def _engine_braking(self, step: Step) -> set[tuple[str, str | None]]:
        range_, gear = step.range or "D", step.gear or "1"
        for element in self.unit.applied(range_, gear):
            if not self.unit.elements[element].friction:
                continue
            weak = self.car.hold[element] * self.car.feed[element] * self.car.grip * min(self.car.pump, 1.0) < 0.4
            if weak and not power_flow(self.unit, range_, gear, "coast", frozenset((element,))).drives:
                return {("no_engine_braking", None)}
        return set()

    def _acceleration(self, step: Step) -> set[tuple[str, str | None]]:
        car = self.car
        weak = car.engine < 0.82 or car.stator == "slips" or car.exhaust > 0.45 or car.drag > 0.3
        return {("poor_acceleration", None)} if weak or self.slipping("D", "1", "full") else set()

    def _cruise(self, step: Step) -> set[tuple[str, str | None]]:
        car = self.car
        out = self._noise("moving")
        if car.stator == "seized" or car.exhaust > 0.3 or car.engine < 0.75 or car.drag > 0.2:
            out.add(("poor_top_speed", None))
        if car.lockup == "judder":
            out.add(("shudder", None))
        if car.lockup == "off":
            out.add(("engine_speed", "high"))
        return out

    def _noise_stopped(self, step: Step) -> set[tuple[str, str | None]]:
        return self._noise("standing")

    def _noise(self, when: str) -> set[tuple[str, str | None]]:
        car = self.car
        heard = car.sound and (car.sound_when in ("all", when))
        return {("noise", car.sound)} if heard and self.rng.random() < 0.8 else set()

    def _stall(self, step: Step) -> set[tuple[str, str | None]]:
        car, range_ = self.car, step.range or "D"
        gear = self.unit.ranges[range_][0]
        if car.engine < 0.8 or car.stator == "slips":
            return {("stall_speed", "low")}
        if any(
            self.margin(range_, gear, e, "full") < 1.1
            for e in self.unit.applied(range_, gear)
            if self.outcome(range_, gear, e) != "held"
        ):
            return {("stall_speed", "high")}
        return set()

    def _gauge(self, tap: str) -> set[tuple[str, str | None]]:
        car, reads = self.car, self.unit.taps[tap].reads
        if reads == "governor":
            state = "low" if car.governor < 0.88 else "high" if car.governor > 1.12 else ""
        elif reads == "throttle":
            state = "low" if car.cable < -0.1 else "high" if car.cable > 0.1 else ""
        else:
            level = self._pressure(car, "D", "medium", "hot") / (0.35 + 0.65 * PEDAL["medium"] ** 0.8)
            for element in self.unit.tap_elements(tap):
                level *= car.feed[element]
            state = "low" if level < 0.85 else "high" if level > 1.2 else ""
        return {("pressure", f"{tap} {state}")} if state else set()

    def _pan_inspection(self, step: Step) -> set[tuple[str, str | None]]:
        return {("fluid_condition", "particles")} if "particles" in self.car.looks else set()


def observe(drive: Drive, step: Step, rng: random.Random) -> list[Finding]:
    """What somebody notes in one step."""
    seen = drive.symptoms(step)
    notes = [_note(step, kind, where) for kind, where in sorted(seen, key=str) if rng.random() > UNNOTICED]
    return [_wrong(step, rng) if rng.random() < WRONG else note for note in notes]


def _note(step: Step, kind: str, where: str | None) -> Finding:
    return Finding(
        kind, shift=step.shift, range=step.range, throttle=step.throttle, gear=step.gear, where=where,
        load=step.load,
    )  # fmt: skip


def _wrong(step: Step, rng: random.Random) -> Finding:
    """An entry that is not what was said: another kind, or another gear or shift."""
    kinds = [k for k in step.kinds if k not in ("normal", "shift_speed", "engagement_time", "engine_speed")]
    where = {"fluid_level": "low", "fluid_condition": "burnt", "noise": "whine", "stall_speed": "high",
             "linkage": step.where, "pressure": f"{step.where} low"}  # fmt: skip
    kind = rng.choice(kinds)
    return _note(step, kind, where.get(kind))


def draw_cause(unit: Unit, rng: random.Random) -> str:
    """A cause, as often as it occurs."""
    causes = causes_for(unit)
    return rng.choices([c.id for c in causes], [c.base_rate for c in causes])[0]


def road_test(unit: Unit, rng: random.Random) -> tuple[str, list[Finding], frozenset[str]]:
    """One road test: the cause, the findings, and the steps that were done."""
    while True:
        cause = draw_cause(unit, rng)
        drive = Drive(unit, build(unit, cause, rng), rng)
        findings: list[Finding] = []
        done = set()
        for step in steps_for(unit):
            if step.depth in ROAD and step.procedure != "stall" and rng.random() > MISSED_STEP:
                done.add(step.id)
                findings += observe(drive, step, rng)
        if findings:  # nobody brings a car in which nothing shows
            return cause, findings, frozenset(done)

"""From a finding to evidence: which events it speaks of, and how likely it is under every hypothesis.

Findings as JSON. Every finding may leave out what was not said; `range`, `gear`, `shift`, `throttle`,
`temperature`, `load` narrow it down. Besides:

- `stall_speed`: `value` in rpm against the specification (of the context, else of the unit file, else the usual
  1900 to 2650 rpm), or `where`: `high`, `low`, `normal`.
- `pressure`: `where` names the tap (`line`, `governor`, `throttle`, or an element such as `forward_clutch`) and
  may add what it does: `low`, `high`, `normal`, `falls` (also `falls slowly`, `drops`), with `idle` for a
  reading at idle: `"line low idle"`, `"servo low"`. Without a tap it is line pressure. `value` in psi or kPa is
  held against the tap's specification in the unit file for that range.
- `engine_speed`: `high` at cruise; or `gear` and `value` in rpm with the road speed in `where`: `"at 45 mph"`.
- `engagement_time`: `value` in seconds.  `shift_speed`: `shift`, `throttle`, `value` in mph or km/h.
- `fluid_level`: `low`, `high`, `normal`.  `fluid_condition`: `milky`, `burnt`, `dark`, `foamy`, `particles`,
  `varnish`, `clear`.  `noise`: `whine`, `grind`, `buzz`, `rattle`, `clunk`, `hum`; `linkage`: `selector`,
  `throttle` (`present`: it is off).
- `severity` and a word of `where` that is not known are passed over.
- `present: false` says that it was looked for and not there. `normal` denies everything in its condition.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fieldassist.deduce.context import Context, mph
from fieldassist.deduce.kinematics import power_flow
from fieldassist.deduce.schedule import READING_ERROR, is_limit, measured_shift, schedule_of
from fieldassist.deduce.signature import Condition, Signature
from fieldassist.deduce.specification import KPA_PER_PSI
from fieldassist.deduce.unit import Unit
from fieldassist.finding import Finding

_STATES: Mapping[str, str] = {
    "low": "low", "below": "low", "under": "low", "weak": "low", "high": "high", "above": "high", "over": "high",
    "overfull": "high", "falls": "falls", "falling": "falls", "drops": "falls", "dropping": "falls",
    "fades": "falls",
    "gradually": "falls", "slowly": "falls", "normal": "normal", "good": "normal", "ok": "normal",
    "okay": "normal",
    "correct": "normal", "right": "normal", "full": "normal",
}  # fmt: skip
_NAMES = re.compile(r"low[\W_]*(and[\W_]*)?reverse|low[\W_]*(one|roller|sprag)|high[\W_]*reverse|high[\W_]*clutch")
_LOOKS: Mapping[str, str] = {
    "milky": "milky", "milk": "milky", "pink": "milky", "coolant": "milky", "water": "milky", "burnt": "burnt",
    "burned": "burnt", "burn": "burnt", "black": "burnt", "smell": "burnt", "scorched": "burnt", "dark": "dark",
    "brown": "dark", "darkened": "dark", "foamy": "foamy", "foam": "foamy", "froth": "foamy", "frothy": "foamy",
    "bubbles": "foamy", "aerated": "foamy", "particles": "particles", "metal": "particles", "debris": "particles",
    "chips": "particles", "glitter": "particles", "flakes": "particles", "material": "particles",
    "varnish": "varnish", "sticky": "varnish", "gum": "varnish", "clear": "clear", "red": "clear",
    "clean": "clear", "good": "clear", "normal": "clear",
}  # fmt: skip
_NOISES: Mapping[str, str] = {
    "whine": "whine", "whining": "whine", "howl": "whine", "grind": "grind", "grinding": "grind", "growl": "grind",
    "buzz": "buzz", "buzzing": "buzz", "rattle": "rattle", "rattling": "rattle", "clunk": "clunk",
    "thump": "clunk",
    "knock": "clunk", "hum": "hum", "humming": "hum", "vibration": "hum",
}  # fmt: skip
USUAL_STALL = (1900.0, 2650.0)
"""rpm; published figures of seven units lie between 2100 and 2838 (shop manuals, 1986 to 2008)."""
USUAL_ENGAGEMENT: Mapping[str, float] = {"R": 1.5}
"""Longest usual time from N, seconds; 1.2 in the forward ranges (from memory)."""


@dataclass(frozen=True, eq=False)
class Evidence:
    """One finding as likelihood: L(h) = base + sum of factor x absent(h), over at most a few absent tables.

    Kept in this form so that two causes at once are exact: an event is absent when neither causes it.
    """

    base: float
    terms: tuple[tuple[float, npt.NDArray[np.float64]], ...]
    """(factor, probability of absence under every hypothesis, shape (H,))."""

    def likelihood(self) -> npt.NDArray[np.float64]:
        """L under every single hypothesis, shape (H,)."""
        out = np.full(self.terms[0][1].shape if self.terms else (1,), self.base)
        for factor, absent in self.terms:
            out = out + factor * absent
        return np.asarray(np.maximum(out, 1e-9))


def evidence_of(signature: Signature, finding: Finding, context: Context) -> Evidence:
    """Turn a finding into evidence. A finding that means nothing for the unit says nothing (likelihood 1)."""
    base, terms = _read(signature, finding, context)
    if not finding.present and finding.kind != "normal":
        base, terms = 1.0 - base, [(-factor, absent) for factor, absent in terms]
    out = Evidence(base, tuple(terms))
    if finding.confidence < 1.0 and terms:
        # Not heard right with probability 1 - c: then it says nothing, so it counts as its mean.
        c, mean = finding.confidence, float(out.likelihood().mean())
        out = Evidence(c * base + (1.0 - c) * mean, tuple((c * factor, absent) for factor, absent in terms))
    return out


Terms = tuple[float, list[tuple[float, npt.NDArray[np.float64]]]]


def _read(signature: Signature, finding: Finding, context: Context) -> Terms:
    at = _condition(finding)
    kind = finding.kind
    if kind == "normal":
        return _normal(signature, at)
    if kind in ("no_drive", "no_reverse"):
        kind, at = _no_drive(signature.unit, kind, at)
    if kind == "no_engine_braking" and at.gear is None and at.range not in (None, "D"):
        at = _with(at, gear=_braking_gear(signature.unit, at.range))
    reader = _READERS.get(kind)
    if reader is not None:
        return reader(signature, finding, at, context)
    return 1.0, [(-1.0, signature.said_absent(kind, at))]


def _condition(f: Finding) -> Condition:
    shift = f.shift
    if f.kind == "skip" and shift is not None:
        low, _, high = shift.partition("-")
        shift = f"{low}-{int(low) + 1}" if int(high) > int(low) + 1 else shift
    return Condition(f.range, f.gear, shift, f.throttle, f.temperature, f.load, None)


def _with(at: Condition, **changes: str | None) -> Condition:
    return Condition(**{**vars(at), **changes})


def _no_drive(unit: Unit, kind: str, at: Condition) -> tuple[str, Condition]:
    if kind == "no_reverse" or at.range == "R" or at.gear == "R":
        return "no_reverse", _with(at, range="R", gear="R", throttle=None)
    if at.gear is None:
        range_ = at.range or "D"
        gears = unit.ranges.get(range_, unit.ranges["D"])
        at = _with(at, range=range_ if range_ in unit.ranges else "D", gear=gears[0])
    return "no_drive", at


def _braking_gear(unit: Unit, range_: str | None) -> str | None:
    """The gear that a manual range is pulled into to brake with the engine: the highest that holds then."""
    gears = unit.ranges.get(range_ or "", ())
    return next((g for g in reversed(gears) if power_flow(unit, range_ or "", g, load="coast").drives), None)


def _normal(signature: Signature, at: Condition) -> Terms:
    if at == Condition():
        return 1.0, []  # "all good" of nothing in particular
    return 0.0, [(1.0, signature.normal(at))]


def _words(text: str | None) -> list[str]:
    return re.findall(r"[a-z0-9]+", (text or "").lower())


def state_word(finding: Finding) -> str | None:
    """What `where` says that a reading does: low, high, normal, falls; None when it does not say."""
    text = _NAMES.sub(" ", (finding.where or "").lower())  # the low/reverse band is not a reading
    return next((_STATES[word] for word in _words(text) if word in _STATES), None)


def _two_sided(signature: Signature, kind: str, at: Condition, low: float, high: float) -> Terms:
    """Evidence that a reading is low with probability `low`, high with `high`, else as it should be."""
    normal = 1.0 - low - high
    absent_low, absent_high = (
        _side_absent(signature, f"{kind}:low", at),
        _side_absent(signature, f"{kind}:high", at),
    )
    # P(low) + P(high) may add up to more than 1 under two causes; each is read by itself.
    return normal + (low - normal) + (high - normal), [(normal - low, absent_low), (normal - high, absent_high)]


def _side_absent(signature: Signature, kind: str, at: Condition) -> npt.NDArray[np.float64]:
    """Absence of one side. A stall speed without a range is mostly meant of every range."""
    if kind.startswith("stall_speed") and at.range is None:
        each = [1.0 - signature.said_absent(kind, _with(at, range=range_)) for range_ in ("D", "R")]
        return np.asarray(1.0 - 0.3 * np.max(each, axis=0) - 0.7 * np.min(each, axis=0))
    return signature.said_absent(kind, at)


def _shares(state: str | None) -> tuple[float, float] | None:
    return {"low": (1.0, 0.0), "high": (0.0, 1.0), "normal": (0.0, 0.0)}.get(state or "")


def _against(value: float, band: tuple[float, float], width: float) -> tuple[float, float]:
    """(P(low), P(high)) of a value against a band; `width`: logistic scale of the doubt at its edges."""
    low = float(1.0 / (1.0 + np.exp(np.clip((value - band[0]) / width + 1.0, -40, 40))))
    high = float(1.0 / (1.0 + np.exp(np.clip((band[1] - value) / width + 1.0, -40, 40))))
    return low, high


def _stall(signature: Signature, finding: Finding, at: Condition, context: Context) -> Terms:
    at = _with(at, throttle=None, temperature=None)
    shares = _shares(state_word(finding))
    if shares is None and finding.value is not None and finding.unit in (None, "rpm"):
        specification = signature.unit.specification
        band = context.stall_rpm
        if band is None and specification is not None and not specification.demo:
            band = specification.stall_rpm
        shares = _against(finding.value, band or USUAL_STALL, 40.0 if band else 70.0)
    return _abnormal(signature, "stall_speed", at, shares)


def _abnormal(signature: Signature, kind: str, at: Condition, shares: tuple[float, float] | None) -> Terms:
    """A two-sided reading; without a side it only says that the reading is not as it should be."""
    if shares is not None:
        return _two_sided(signature, kind, at, *shares)
    absent = _side_absent(signature, f"{kind}:low", at) * _side_absent(signature, f"{kind}:high", at)
    return 1.0, [(-1.0, absent)]


def _level(signature: Signature, finding: Finding, at: Condition, context: Context) -> Terms:
    return _abnormal(signature, "fluid_level", Condition(), _shares(state_word(finding)))


def _pressure(signature: Signature, finding: Finding, at: Condition, context: Context) -> Terms:
    unit = signature.unit
    words = _words(finding.where)
    target = _tap(unit, words)
    state = state_word(finding)
    throttle = "closed" if "idle" in words else at.throttle
    if throttle in ("light", "medium"):
        throttle = None
    at = Condition(at.range, at.gear, None, throttle, None, None, target)
    if target == "line" and at.gear is None and at.range is not None and at.range in unit.ranges:
        at = _with(at, gear=unit.ranges[at.range][0])  # read standing, unless a gear is named
    if target in ("governor", "throttle"):
        at = Condition(where=target)
    if state == "falls":
        return 1.0, [(-1.0, signature.said_absent("pressure:falls", Condition(where=target)))]
    shares = _shares(state)
    if shares is None and finding.value is not None:
        psi = finding.value / KPA_PER_PSI if finding.unit == "kPa" else finding.value
        band = _pressure_band(unit, words, target, at)
        if band is None:
            return 1.0, []
        shares = _against(psi, band, max(1.0, 0.02 * sum(band)))
    return _abnormal(signature, "pressure", at, shares)


def tap_in(unit: Unit, finding: Finding) -> str | None:
    """The pressure tap of the unit that a pressure finding was read at; None when the unit has no such tap."""
    words = _words(finding.where)
    named = next((tap for tap in unit.taps if tap in "_".join(words)), None)
    if named is not None:
        return named
    target = _tap(unit, words)
    return next((t.id for t in unit.taps.values() if t.reads == target or target in unit.tap_elements(t.id)), None)


def _tap(unit: Unit, words: list[str]) -> str:
    """What the words of `where` mean: `line`, `governor`, `throttle` or an element id."""
    text = "_".join(words)
    for element in unit.elements.values():
        if element.friction and element.id in text:
            return element.id
    for element in unit.elements.values():
        if (
            element.servo
            and "release" in words
            and element.released_by
            and ("servo" in words or element.tap in words)
        ):
            return element.released_by
    for tap in unit.taps.values():
        if tap.id in text and tap.reads == "elements":
            return unit.tap_elements(tap.id)[0]
    for name in ("governor", "throttle"):
        if name in words:
            return name
    return "line"


def _pressure_band(unit: Unit, words: list[str], target: str, at: Condition) -> tuple[float, float] | None:
    """The specified psi for a tap in a condition: the hull of all lines that agree with it."""
    text = "_".join(words)
    taps = [t for t in unit.taps.values() if t.id in text]
    taps = taps or [t for t in unit.taps.values() if t.reads == target or target in unit.tap_elements(t.id)]
    for tap in taps:
        rows = [
            r.band for r in tap.readings
            if (at.range is None or at.range in r.ranges)
            and (at.throttle == r.throttle or None in (at.throttle, r.throttle))
        ]  # fmt: skip
        if rows:
            return min(low for low, _ in rows), max(high for _, high in rows)
    return None


def _engagement_time(signature: Signature, finding: Finding, at: Condition, context: Context) -> Terms:
    absent = signature.said_absent("delayed_engagement", at)
    if finding.value is None:
        return 1.0, [(-1.0, absent)]
    range_ = finding.range or "D"
    specification = signature.unit.specification
    limit = USUAL_ENGAGEMENT.get(range_, 1.2)
    if specification is not None and range_ in specification.engagement_s:
        limit = specification.engagement_s[range_]
    late = float(1.0 / (1.0 + np.exp(np.clip(-(finding.value - limit - 0.15) / 0.12, -40, 40))))
    return late, [(1.0 - 2.0 * late, absent)]


def _fluid(signature: Signature, finding: Finding, at: Condition, context: Context) -> Terms:
    looks = {_LOOKS[word] for word in _words(finding.where) if word in _LOOKS}
    if "clear" in looks and len(looks) == 1:
        absent = [
            signature.said_absent("fluid_condition", Condition(where=look))
            for look in ("milky", "burnt", "dark", "foamy")
        ]
        return 0.0, [(1.0, np.prod(absent, axis=0))]
    looks.discard("clear")
    if not looks:
        return 1.0, [(-1.0, signature.said_absent("fluid_condition", Condition()))]
    if looks == {"burnt", "dark"}:
        looks = {"burnt"}
    if len(looks) == 1:
        return 1.0, [(-1.0, signature.said_absent("fluid_condition", Condition(where=looks.pop())))]
    # Several looks in one finding are weighed as their geometric mean, so that one sentence counts once.
    present = [1.0 - signature.said_absent("fluid_condition", Condition(where=look)) for look in sorted(looks)]
    return 1.0, [(-1.0, 1.0 - np.prod(present, axis=0) ** (1.0 / len(present)))]


def _noise(signature: Signature, finding: Finding, at: Condition, context: Context) -> Terms:
    words = _words(finding.where)
    noise = next((_NOISES[word] for word in words if word in _NOISES), None)
    return 1.0, [(-1.0, signature.said_absent("noise", _with(at, where=noise, shift=None)))]


def _linkage(signature: Signature, finding: Finding, at: Condition, context: Context) -> Terms:
    words = _words(finding.where)
    which = "selector" if "selector" in words or "shift" in words or "manual" in words else None
    which = "throttle" if {"throttle", "kickdown", "cable", "detent"} & set(words) else which
    return 1.0, [(-1.0, signature.said_absent("linkage", Condition(where=which)))]


def _leak(signature: Signature, finding: Finding, at: Condition, context: Context) -> Terms:
    return 1.0, [(-1.0, signature.said_absent("leak", Condition()))]


def _shift_speed(signature: Signature, finding: Finding, at: Condition, context: Context) -> Terms:
    if finding.value is None:
        absent = signature.said_absent("early", at) * signature.said_absent("late", at)
        return 1.0, [(-1.0, absent)]
    specification = signature.unit.specification
    if specification is None or finding.unit not in (None, "mph", "km/h"):
        return 1.0, []
    schedule = schedule_of(specification, context.tyre, context.axle_ratio)
    band = schedule.bands.get((finding.shift or "", finding.throttle or ""))
    if band is None:
        return 1.0, []
    measured = measured_shift(finding)
    if measured is not None and not is_limit(schedule, measured):  # it did go down
        floored = measured.throttle == "full"
        return (0.0, [(1.0, signature.said_absent("no_kickdown", at))]) if floored else (1.0, [])
    early, late = _against(mph(finding.value, finding.unit), band, READING_ERROR)
    normal = 1.0 - early - late
    base = normal + (early - normal) + (late - normal)
    return base, [
        (normal - early, signature.said_absent("early", at)), (normal - late, signature.said_absent("late", at)),
    ]  # fmt: skip


def road_speed_in(finding: Finding) -> tuple[float, str] | None:
    """The road speed that `where` gives ("at 45 mph"), with its unit."""
    found = re.search(r"(\d+(?:\.\d+)?)\s*(mph|km/h)", (finding.where or "").lower())
    return None if found is None else (float(found.group(1)), found.group(2))


def _engine_speed(signature: Signature, finding: Finding, at: Condition, context: Context) -> Terms:
    """Engine speed alone says nothing without the road speed: `where` may give it ("at 45 mph"), or say that it is
    `high` at cruise, as without the converter clutch."""
    if finding.value is None and state_word(finding) in ("high", None):
        return 1.0, [(-1.0, signature.said_absent("engine_speed:high", Condition()))]
    speed = road_speed_in(finding)
    if speed is None or finding.value is None or finding.gear is None:
        return 1.0, []
    slip = context.slip(signature.unit, mph(*speed), finding.value, finding.gear)
    if slip is None:
        return 1.0, []
    absent = signature.said_absent("slip", at)
    slipping = float(1.0 / (1.0 + np.exp(np.clip(-(slip - 0.2) / 0.03, -40, 40))))
    return slipping, [(1.0 - 2.0 * slipping, absent)]


_READERS = {
    "stall_speed": _stall,
    "pressure": _pressure,
    "fluid_level": _level,
    "fluid_condition": _fluid,
    "noise": _noise,
    "linkage": _linkage,
    "leak": _leak,
    "engagement_time": _engagement_time,
    "shift_speed": _shift_speed,
    "engine_speed": _engine_speed,
}

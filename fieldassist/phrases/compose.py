"""From the slots that a sentence gave out to findings: pure functions, no search.

An utterance can hold several findings ("one two at fourteen, two three at twenty six"), a correction of
itself ("flares on the one two, no, two three") or only a change to what was said before ("make that two
three"). A slot that is said twice with different values begins the next finding.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from fieldassist.deduce.step import Step
from fieldassist.errors import UserError
from fieldassist.finding import KINDS, MEASURED_KINDS, UNITS_OF, Finding
from fieldassist.phrases.automaton import Arc
from fieldassist.phrases.numbers import TENS, begun_again, read_number, standing
from fieldassist.phrases.plausibility import implausible, is_close


@dataclass(frozen=True)
class Composed:
    """What an utterance says."""

    findings: tuple[Finding, ...] = ()
    command: str | None = None
    corrects: bool = False
    """The utterance takes back what was said before it."""
    changes: Mapping[str, object] = field(default_factory=dict)
    """Slots said without saying what was seen: a correction, or the answer to a question."""
    assumed: tuple[str, ...] = ()
    """Keys of the first finding that the step gave and nobody said."""
    doubt: str | None = None
    """Why the first finding can hardly be so: a value out of what its kind can have, or one of two."""
    odd: int = 0
    """Slots that found no use, or that no technician would put together: a sign of words heard in noise."""


@dataclass
class _Part:
    """One finding under construction."""

    slots: dict[str, str] = field(default_factory=dict)
    values: list[list[str | None]] = field(default_factory=list)
    """Each a number's words and its unit."""
    shifts: list[str] = field(default_factory=list)
    """Further shifts that the same observation is about."""
    runs: bool = False
    """A number follows the one before without a word between."""
    conflicts: int = 0
    """Slots that were said again with another value."""

    @property
    def complete(self) -> bool:
        return "kind" in self.slots or (bool(self.values) and bool(self.slots.keys() & {"shift", "into", "where"}))



def compose(
    arcs: Sequence[Arc], step: Step | None = None, spans: Sequence[tuple[int, int]] = (), opening: int = 0
) -> Composed:
    """Return what the arcs of a sentence say, with what the step implies filled in.

    `spans`: the heard words (from, to) of each arc; without them no number counts as said right after another.
    `opening`: how many heard words there are before the first that says something: what is taken back behind that
    was said in this sentence.
    """
    parts, command, corrects = _divide(arcs, spans, opening)
    if command is not None:
        return Composed(command=command)
    findings: list[Finding] = []
    denied: set[Finding] = set()
    changes: dict[str, object] = {}
    assumed: tuple[str, ...] = ()
    undecided: str | None = None
    odd = 0
    for part in parts:
        made = _resolve(part, step)
        odd += part.conflicts
        if made is None:
            loose = _loose(part)
            if findings and set(loose) in ({"range"}, {"gear"}, {"shift"}):
                findings.append(replace(findings[-1], **loose))  # type: ignore[arg-type]  # "in park and neutral"
            else:
                changes.update(loose)
                odd += len(part.slots) + len(part.values)
            continue
        finding, taken = made
        odd += _oddities(part, finding, step)
        again = any(f.present and f.kind == finding.kind for f in findings)
        if not finding.present and ("contrast" in part.slots or again):
            denied.add(finding)  # "not a shudder, a whine"; "harsh, well, firm, no, harsh"
            if again and any(arc.word == "not" for arc in arcs):  # "whining, um, not whining, more of a shudder"
                denied |= {f for f in findings if f.kind == finding.kind}
        if finding.kind == "normal" and findings and not _says_where(finding, taken):
            continue  # "one two at fourteen, good": the praise adds nothing to the value
        if not findings:
            assumed = taken
            undecided = _undecided(part, finding) or _out_of_nowhere(part, finding)
        findings.append(finding)
        for shift in part.shifts:
            findings.append(replace(finding, shift=shift))
    if len(findings) > 1 and not any(f.present for f in findings) and not _says_where(findings[0], assumed):
        place = {key: getattr(findings[1], key) for key in ("shift", "gear", "range")}
        findings[0] = replace(findings[0], **place)  # "no slip, no flare on the one two"
    if len(findings) > 1 and findings[0].kind == "normal" and not _says_where(findings[0], assumed):
        findings, assumed = findings[1:], ()
    if any(f.present and f.kind not in ("normal", *MEASURED_KINDS) for f in findings):
        findings = [f for f in findings if f not in denied and not _is_praise(f)]
    if step is not None and any(f.kind in step.kinds for f in findings):
        findings = [f for f in findings if f.kind in step.kinds or f.kind not in _LOOKED_AT]
    findings = [f for f in findings if not any(_says_more(other, f) for other in findings)]
    if step is not None and "flare" not in step.kinds and any(f.kind == "slip" and f.present for f in findings):
        findings = [f for f in findings if f.kind != "flare" or f.shift is not None]  # "the revs climb, it slips"
    findings = [f for f in findings if not is_unread(f)] or findings  # "before it takes up" beside "three seconds"
    doubt = undecided or implausible(findings[0], step) if findings else None
    odd = odd if findings else 0
    return Composed(tuple(dict.fromkeys(findings)), None, corrects, changes, assumed, doubt, odd)


_LOOKED_AT = ("fluid_level", "fluid_condition", "linkage")
"""What nobody sees beside something else on the road: words that sound like it are about something else there."""


def is_unread(finding: Finding) -> bool:
    """A measurement without its number and without a level in place of one, or in a unit that it never has: "forty
    miles an hour" of an engine."""
    if finding.kind not in MEASURED_KINDS:
        return False
    if finding.value is not None:
        return finding.unit not in UNITS_OF[finding.kind]
    return not {"low", "high", "normal"} & {*(finding.where or "").split()}


def _undecided(part: _Part, finding: Finding) -> str | None:
    """Why it is open which number was read off: "ten eighteen fifty one", neither with a unit."""
    bare = [words for words, unit in standing(part.values) if unit is None]
    several = part.runs and finding.kind in MEASURED_KINDS and finding.value is not None and len(bare) > 1
    return " or ".join(words or "" for words in bare) if several else None


def _out_of_nowhere(part: _Part, finding: Finding) -> str | None:
    """Why a number is hardly an engine speed: nothing says so, and no pointer is read so closely, it may be a
    year; or nobody says it so: "seventy oh five" is mostly seventy five."""
    if finding.unit != "rpm" or finding.value is None:
        return None
    said = "kind" in part.slots or any(unit is not None for _, unit in part.values)
    closely = finding.kind == "engine_speed" and is_close(finding) and not said
    closely = closely or any(_has_stray_zero(words or "") for words, _ in part.values)
    return f"{finding.value:g} rpm would be read off closely" if closely else None


def _has_stray_zero(words: str) -> bool:
    tens, *rest = words.split() or [""]
    return tens in TENS and len(rest) == 2 and rest[0] == "oh"


def _is_praise(finding: Finding) -> bool:
    """It says that something works, and not of which shift: next to a fault it adds nothing ("drops hard")."""
    works = finding.kind in ("no_kickdown", "no_engine_braking") and not finding.present
    return works or (finding.kind == "normal" and finding.shift is None)


def _says_more(one: Finding, other: Finding) -> bool:
    """The first says all that the other says, and more: "it flares, flares on the two three" is one finding."""
    more, less = one.to_json(), other.to_json()
    return more != less and all(more.get(key) == value for key, value in less.items())


def _oddities(part: _Part, finding: Finding, step: Step | None) -> int:
    """Count what does not go together in one finding."""
    odd = max(0, len(standing(part.values)) - (finding.value is not None))
    if "severity" in part.slots and finding.kind in (*MEASURED_KINDS, "normal", "linkage", "fluid_level"):
        odd += 1
    if finding.gear is not None and finding.gear != "R" and finding.range == "R":
        odd += 1
    throttle = part.slots.get("throttle")
    if step is not None and throttle is not None and step.throttle is not None and throttle != step.throttle:
        odd += 1
    return odd


UNDECIDED: dict[str, tuple[str, ...]] = {
    "delay": ("late", "delayed_engagement"), "lazy": ("soft", "delayed_engagement"),
}  # fmt: skip
"""What the grammars call a slow reaction, and what it is: of a shift, of an engagement."""
_AT_OTHER_STEPS = {"late": "delayed_engagement", "no_kickdown": "no_shift", "no_shift": "no_kickdown"}
"""What words mean where the step is about the other: "doesn't go back to first" on a coast, on a kickdown."""
_TAKES_BACK = ("nope", "nah")
"""Words that take a number back when they stand behind it: "thirty, nope, thirteen"."""
_CONDITIONS = ("throttle", "temperature", "load", "severity")


def _says_where(finding: Finding, assumed: Sequence[str]) -> bool:
    keys = ("shift", "gear", "range", "where")
    return any(getattr(finding, key) is not None and key not in assumed for key in keys)


def _divide(
    arcs: Sequence[Arc], spans: Sequence[tuple[int, int]], opening: int
) -> tuple[list[_Part], str | None, bool]:
    """Lay the slots out over findings."""
    parts = [_Part()]
    corrects = correcting = False
    number_end = -1
    for at, arc in enumerate(arcs):
        keys = {tag.key for tag in arc.tags}
        correcting = correcting or (arc.word in _TAKES_BACK and bool(parts[-1].values))
        for tag in arc.tags:
            part = parts[-1]
            if tag.key == "command":
                return [], _command(arcs), False
            if tag.key in ("talk", "hint", "bare"):
                continue
            if tag.key == "kind" and "bare" in keys and part.complete:
                correcting = True  # "flares on the one two, no, two three"
                continue
            if tag.key == "restate":
                correcting = correcting or bool(part.values)
                continue
            if tag.key == "correct":
                begun = part.complete or part.values or (bool(spans) and spans[at][0] > opening)
                corrects = corrects or not begun
                correcting = True
                continue
            if tag.key == "value":
                if part.values and correcting:
                    part.values.clear()
                part.runs = part.runs or (bool(part.values) and bool(spans) and spans[at][0] == number_end)
                part.values.append([tag.value, None])
                continue
            if tag.key == "unit":
                if part.values:
                    part.values[-1][1] = tag.value
                continue
            value = tag.value or ""
            old = part.slots.get(tag.key)
            if tag.key == "present" and "kind" not in keys and part.complete:
                parts.append(_Part())
            elif tag.key == "kind" and old not in (None, value) and not correcting:
                if old != "normal" or part.slots.keys() & {"shift", "range", "gear"}:
                    parts.append(_Part())
            elif tag.key == "kind" and old not in (None, value):
                part.slots.pop("present", None)  # "not harsh, no, just normal"
            elif tag.key in ("where", "place") and old not in (None, value) and part.complete and not correcting:
                parts.append(_Part({"kind": part.slots["kind"]} if "kind" in part.slots else {}))
            elif tag.key in ("shift", "into", "range", "gear") and old not in (None, value) and not correcting:
                if part.complete:
                    parts.append(_Part())
                elif tag.key == "shift":
                    part.shifts.append(value)
                    continue
                else:
                    part.conflicts += 1
            elif tag.key in _CONDITIONS and old not in (None, value) and not correcting:
                part.conflicts += 1
            parts[-1].slots[tag.key] = value
        if "value" in arc.slots and parts[-1].values:
            said = parts[-1].values[-1]
            said[0] = f"{said[0] or ''} {arc.word}".strip()
        number_end = spans[at][1] if spans and "value" in arc.slots else -1
    return parts, None, corrects


def _command(arcs: Sequence[Arc]) -> str | None:
    """The first of several commands, but for "hang on, back to the previous step", which holds nothing."""
    said = [tag.value for arc in arcs for tag in arc.tags if tag.key == "command"]
    return said[-1] if said[0] == "hold" else said[0]


def _resolve(part: _Part, step: Step | None) -> tuple[Finding, tuple[str, ...]] | None:
    """Make the finding of one part, or None when it says nothing by itself; with the keys the step gave."""
    slots = dict(part.slots)
    shift = _shift_of(slots, step)
    said_values = standing(part.values)
    kinds = step.kinds if step is not None else ()
    at_shift = step is not None and step.shift is not None
    looked_for = measured_at(step)
    usual = UNITS_OF[looked_for][0] if looked_for is not None else None
    read = [(_number_in(words or "", unit or usual), unit) for words, unit in said_values]
    values = [in_units_kept(number, unit) for number, unit in read if number is not None]
    kind = slots.get("kind")
    if kind in ("delay", "lazy"):
        shifting = UNDECIDED[kind][0]
        engaged = slots.get("engage") or slots.get("range") in ("R", "D", "1")
        at_engagement = step is not None and step.procedure.startswith("engage")
        late = shift is not None or (at_shift and not engaged)
        kind = shifting if late else "delayed_engagement" if engaged or at_engagement else None
    tried = step.range if step is not None and "no_reverse" in kinds else None
    if kind == "no_drive" and slots.get("range", tried) == "R":
        kind = "no_reverse"
    if kind == "slip" and shift is not None and step is not None and step.procedure == "upshift":
        kind = "flare"  # a slip while the shift is made is what the step calls a flare
    if kind == "engine_speed" and "stall_speed" in kinds:
        kind = "stall_speed"
    if kind == "fluid_level" and slots.get("present") == "false" and "fluid_condition" in kinds:
        kind, slots["present"] = "normal", "true"  # it is said of the look
    at_pan = kind == "fluid_condition" and step is not None and step.depth == "pan"
    if at_pan and (slots.get("where"), slots.get("present")) in (("clear", None), ("particles", "false")):
        kind, slots["present"] = "normal", "true"  # nothing lies in the pan
    other = _AT_OTHER_STEPS.get(kind or "")
    if other in kinds and kind not in kinds and step is not None and shift in (None, step.shift):
        kind = other
    if kind == "normal" and values and (shift or slots.get("into") or _is_asked_for(values, kinds)):
        kind = None
    measured = _measure(kind, slots, shift, values, step)
    if measured is not None and measured[2] in ("mph", "km/h") and measured[1] < _SLOWEST:
        measured = None  # "in half a mile keep right"
    if measured is None and kind is None:
        return None
    value: float | None = None
    unit: str | None = None
    if measured is not None:
        kind, value, unit = measured
    if kind not in KINDS:
        return None
    if kind == "no_kickdown" and slots.get("present") == "false" and value is not None:
        kind, slots["present"] = "shift_speed", "true"  # "kicked down from fifty eight"
    said: dict[str, object] = {"kind": kind, "shift": shift, "present": slots.get("present") != "false"}
    for key in ("gear", "range", "throttle", "temperature", "load", "severity", "where"):
        said[key] = slots.get(key)
    if shift is not None and slots.get("gear") in shift.split("-"):
        said["gear"] = None
    if kind == "no_reverse":
        said["range"] = "R"
    if kind == "wrong_gear_start" and said["gear"] is None:
        said["gear"] = slots.get("into")
    if kind not in ("noise", "leak", "fluid_level", "fluid_condition", "linkage", "pressure"):
        said["where"] = None
    if kind == "leak":
        said["where"] = slots.get("place")
    if kind == "linkage" and said["where"] not in LINKAGES:
        said["where"] = None
    level = slots.get("level")
    if level is not None and kind in ("pressure", "stall_speed"):
        tap = said["where"] if step is None or said["where"] not in (step.where, level) else None
        said["where"] = f"{tap} {level}" if tap else level
    said["value"], said["unit"] = value, unit
    taken = _from_step(said, step)
    try:
        return Finding(**said), taken  # type: ignore[arg-type]
    except UserError:
        return None  # a shift from a gear to itself and the like: nothing that can be seen


def in_units_kept(value: float, unit: str | None) -> tuple[float, str | None]:
    """Return a value in a unit that findings have: 1 bar is 100 kPa (SI Brochure, 9th edition, table 8)."""
    return (round(value * 100.0, 3), "kPa") if unit == "bar" else (value, unit)


def _number_in(words: str, unit: str | None) -> float | None:
    """Read a number's words; what no speed or pressure can be was begun twice ("twenty, twenty two")."""
    number, again = _number(words), begun_again(words)
    if again is not None and (number is None or (unit not in ("rpm", None) and number > _MOST_BUT_RPM)):
        return _number(again)
    return number


def _number(words: str | None) -> float | None:
    """Read a number's words, or the figures that a grammar gives for a phrase (`a couple of seconds`)."""
    try:
        return float(words or "")
    except ValueError:
        return read_number(words or "")


def _shift_of(slots: dict[str, str], step: Step | None) -> str | None:
    """Return the shift that was named, or that leads into or out of the gear that was named."""
    if "shift" in slots:
        return slots["shift"]
    into, outof, kind = slots.get("into"), slots.get("outof"), slots.get("kind")
    if kind in ("late", "early", "no_shift", "skip") and not into and not outof:
        into = slots.get("gear") if slots.get("gear") != "1" else None  # "second came late"
    if into and outof and into != outof:
        return f"{outof}-{into}"
    if kind == "wrong_gear_start":
        return None
    if into:
        if step is not None and step.shift is not None and step.shift.endswith(f"-{into}"):
            return step.shift
        below, above = int(into) - 1, int(into) + 1
        down = slots.get("down") == "yes"
        if down and kind not in ("late", "early"):
            return f"{above}-{into}"
        if down and into == "1":
            return "2-1"
        return f"{below}-{into}" if below >= 1 else None
    if outof:
        if step is not None and step.shift is not None and step.shift.startswith(f"{outof}-"):
            return step.shift
        if kind in ("no_kickdown", "sensitive_kickdown"):
            return f"{outof}-{int(outof) - 1}" if int(outof) > 1 else None
        return f"{outof}-{int(outof) + 1}" if int(outof) < 8 else None
    return None


Value = tuple[float, str | None]


def _measure(
    kind: str | None, slots: Mapping[str, str], shift: str | None, values: Sequence[Value], step: Step | None
) -> tuple[str, float, str] | None:
    """Return (kind, value, unit) where a number was said that fits; None where none was or none fits."""
    if not values:
        return None
    if kind == "shift_speed" and values[0][1] in (None, "rpm") and values[0][0] >= _LEAST_AT_SHIFT:
        return "engine_speed", values[0][0], "rpm"  # "forty four hundred as it changed"
    if kind in MEASURED_KINDS:
        unit = UNITS_OF[kind][0]
        told = [v for v in values if v[1] in UNITS_OF[kind]]
        likely = [v for v in values if v[1] is None and (unit != "rpm" or v[0] >= _LEAST_RPM)]
        value, said = (told or likely or [v for v in values if v[1] is None] or list(values))[0]
        return kind, value, said or unit
    value, unit_said = values[0]
    if kind is not None:
        if unit_said is None and value < _LEAST_SPEED:
            return None  # "bound up for a second"
        unit = unit_said or ("rpm" if value >= 300 else "mph")
        fits = unit in ("mph", "km/h") or (unit == "rpm" and kind in ("noise", "shudder"))
        fits = fits or (unit == "s" and kind == "delayed_engagement")
        return (kind, value, unit) if fits and kind not in _NEVER_AT else None
    wanted = _measured_of(step.kinds) if step is not None else None
    at_tap = slots.get("where") not in (None, *LINKAGES)  # "sits between two notches, the lever does"
    if unit_said in ("psi", "kPa") or (at_tap and unit_said is None and shift is None):
        return "pressure", value, unit_said or "psi"
    if unit_said == "s":
        return "engagement_time", value, "s"
    if shift is not None:
        if unit_said == "rpm" or (unit_said is None and value >= _LEAST_AT_SHIFT):
            return "engine_speed", value, "rpm"
        return "shift_speed", value, unit_said or "mph"
    if unit_said == "rpm":
        return ("stall_speed" if wanted == "stall_speed" else "engine_speed"), value, "rpm"
    if wanted is not None and step is not None:
        value, unit_said = next((v for v in values if _is_asked_for([v], step.kinds)), values[0])
        if unit_said in (None, *UNITS_OF[wanted]):
            return wanted, value, unit_said or UNITS_OF[wanted][0]
    if step is not None and step.shift is not None and _is_road_speed(value, unit_said):
        return "shift_speed", value, unit_said or "mph"
    if "gear" in slots and value >= _LEAST_AT_SHIFT and unit_said is None:
        return "engine_speed", value, "rpm"
    return None


def _is_road_speed(value: float, unit: str | None) -> bool:
    """What a shift is made at, where nothing else is measured: "yep, twenty six"."""
    return unit in ("mph", "km/h") or (unit is None and _LEAST_SPEED <= value <= _FASTEST)


def measured_at(step: Step | None) -> str | None:
    """Return the kind that is read off at a step; at a shift that is its speed, if nothing else is."""
    if step is None:
        return None
    return _measured_of(step.kinds) or ("shift_speed" if step.shift is not None else None)


def _measured_of(kinds: Sequence[str]) -> str | None:
    """Return the kind among those of a step that is read off."""
    return next((kind for kind in kinds if kind in MEASURED_KINDS), None)


def _is_asked_for(values: Sequence[Value], kinds: Sequence[str]) -> bool:
    """One of the numbers can be what a step asks for: "sixty, and it's holding"."""
    wanted = _measured_of(kinds)
    return wanted is not None and any(
        unit == UNITS_OF[wanted][0] or (unit is None and (UNITS_OF[wanted][0] != "rpm" or value >= _LEAST_RPM))
        for value, unit in values
    )


LINKAGES = ("selector", "throttle")
_LEAST_SPEED = 4.0
"""Lowest number without a unit that can be a road speed beside a fault."""
_FASTEST = 120.0
"""Highest one."""
_SLOWEST = 1.0
"""Lowest road speed that anyone reads off."""
_MOST_BUT_RPM = 400
"""Highest value in any other unit than that of engine speeds."""
_LEAST_RPM = 300
"""An engine runs no slower; a number below that is no engine speed where another one was said."""
_LEAST_AT_SHIFT = 600
"""Numbers from here on are engine speeds where a shift or a gear is spoken of."""
_NEVER_AT = ("normal", "leak", "fluid_level", "fluid_condition", "linkage", "no_drive", "no_reverse")
"""Kinds that have no road speed."""


def _from_step(said: dict[str, object], step: Step | None) -> tuple[str, ...]:
    """Fill in what the step implies, unless something said speaks of another step; return the keys filled."""
    at_shift = step is not None and step.shift is not None and said["kind"] == "shift_speed"
    if step is None or not (at_shift or said["kind"] in (*step.kinds, "normal")):
        return ()
    keys = ("shift", "gear", "range", "throttle", "load", "temperature", "where")
    for key in ("shift", "gear", "range", "where"):
        if said[key] is not None and getattr(step, key) is not None and said[key] != getattr(step, key):
            return ()
    if step.shift is not None and said["gear"] is not None and said["gear"] not in step.shift.split("-"):
        return ()
    taken = []
    for key in keys:
        if said[key] is None and getattr(step, key) is not None:
            if key == "where" and said["kind"] not in ("linkage", "pressure", "normal"):
                continue
            if key == "load" and said["throttle"] is not None:
                continue
            if key == "gear" and said["kind"] == "wrong_gear_start":
                continue  # the step's is the one that it did not start in
            said[key] = getattr(step, key)
            taken.append(key)
    return tuple(taken)


def _loose(part: _Part) -> dict[str, object]:
    """Slots of a part that names no kind."""
    out: dict[str, object] = {}
    for key in ("gear", "range", "throttle", "temperature", "load", "where"):
        if key in part.slots:
            out[key] = part.slots[key]
    shift = _shift_of(part.slots, None)
    if shift is not None:
        out["shift"] = shift
    for words, unit in part.values:
        number = _number(words)
        if number is not None:
            out["value"], kept = in_units_kept(number, unit)
            if kept is not None:
                out["unit"] = kept
    return out


_MOST_BAR, _NEAR_BAR = 30.0, 4.0
"""Number that can be one of bar, and the factor by which it may differ from the pressure that it corrects."""


def change(finding: Finding, changes: Mapping[str, object]) -> Finding | None:
    """Return a finding with the changed slots put in, None when they do not fit together. A number without a unit
    is in that of the one before, and in bar where that was kPa and only bar comes near it."""
    if not changes:
        return None
    value = changes.get("value")
    if isinstance(value, float) and "unit" not in changes and finding.unit == "kPa" and finding.value:
        in_kpa = in_units_kept(value, "bar")[0]
        if value < _MOST_BAR and 1 / _NEAR_BAR < in_kpa / finding.value < _NEAR_BAR:
            changes = {**changes, "value": in_kpa}
    try:
        return replace(finding, **changes)  # type: ignore[arg-type]
    except UserError:
        return None


def corrected(finding: Finding, before: Finding, assumed: Sequence[str], unit_told: bool) -> Finding:
    """Return what a finding becomes that is said in the place of one before: what was not said stays as it was.

    assumed: keys that the step gave, which may be the next one by then; unit_told: whether the number's unit was
    said.
    """
    if finding.kind != before.kind or not finding.present:
        return finding
    keys = ("shift", "gear", "range", "throttle", "temperature", "load", "severity", "where", "value")
    all_said = {key: getattr(finding, key) for key in keys if key not in assumed}
    said = {key: value for key, value in all_said.items() if value is not None}
    if unit_told:
        said["unit"] = finding.unit
    changed = change(before, said)
    return finding if changed is None else replace(changed, confidence=finding.confidence)

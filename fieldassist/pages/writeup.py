"""The write-up of a session as plain data: concern, cause, correction, evidence, what was not tested, cautions."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from fieldassist.deduce.shopwords import describe
from fieldassist.finding import Finding
from fieldassist.pages.wording import spaced, words
from fieldassist.record.event import Event
from fieldassist.record.projection import EntryView, SessionView, project

PARTS: tuple[str, ...] = ("concern", "cause", "correction")
"""The parts of the write-up that the bay may word itself; event kind `write_up`, data: part, text, by."""

DEPTH_WORDS: dict[str, str] = {
    "adjust": "adjustment",
    "fluid_and_filter": "fluid and filter",
    "in_vehicle": "work in the vehicle: valve body, servo or band",
    "removal": "removal of the unit",
    "not_transmission": "engine, exhaust or driveline, not the transmission",
}
"""Depth of the work, as written."""

CAUTIONS: tuple[str, ...] = (
    "Aid to judgement, not a verdict: the vehicle maker's service information decides on procedures, limits and "
    "specifications, and work is done by qualified people under local law.",
    "Road test: the driver watches the road and keeps to the law; the passenger or the bay makes the entries.",
    "Hot fluid and a hot exhaust burn. Under a raised vehicle: rated stands, level ground, wheels chocked.",
    "Stall test only where the maker allows it, never with low fluid or low line pressure: wheels chocked, both "
    "brakes on, nobody in front or behind, five seconds at most, then cool down in neutral.",
    "Pressure gauges: hose clear of moving and hot parts, gauge range above the highest line pressure.",
)
"""Common cautions of the trade (the five-second limit is in several published stall-test procedures)."""


@dataclass(frozen=True)
class Evidence:
    """One line of the evidence table."""

    number: int
    step: str
    heard: str
    """What the engine made of it; empty for a typed entry."""
    finding: str
    """In shop words."""
    was: str
    """Earlier value in shop words when it was corrected, else empty."""
    state: str
    """`open`, `confirmed`, `corrected` or `struck`, and by whom."""
    counts: bool
    """False for a struck entry."""
    clip: str | None


@dataclass(frozen=True)
class Reason:
    """One finding for or against a suspect."""

    text: str
    weight: str
    """Weight of evidence with its unit, empty when not stated."""


@dataclass(frozen=True)
class SuspectLine:
    """One suspect as it is shown."""

    rank: int
    cause: str
    name: str
    probability: float
    depth: str
    """Depth of the work, in words."""
    work: str
    """What is done then; empty when not stated."""
    speaks_for: tuple[Reason, ...]
    speaks_against: tuple[Reason, ...]
    clears: str
    """Steps that would clear it if they turn out normal; empty when not stated."""
    odds: str
    """Where the shop's own confirmed cases have moved the starting odds: both, in words; else empty."""
    cautions: tuple[str, ...]

    @property
    def percent(self) -> str:
        """`83 %`; a suspect is never shown as certain or impossible."""
        return percent(self.probability)


@dataclass(frozen=True)
class NextTest:
    """A test that would separate the suspects."""

    step: str
    name: str
    why: str
    minutes: float | None
    depth: str
    caution: str


@dataclass(frozen=True)
class WriteUp:
    """Everything the printed page says."""

    title: str
    vehicle: str
    unit: str
    date: str
    facts: tuple[tuple[str, str], ...]
    concern: str
    cause: str
    correction: str
    confirmed: bool
    """True when a teardown has shown the cause."""
    suspects: tuple[SuspectLine, ...]
    unknown: float | None
    """Probability of none of the modelled causes."""
    good: float | None
    """Probability that nothing is wrong."""
    stop: str
    """Why no further test is proposed; empty while one is."""
    withheld: tuple[str, ...]
    """Steps that must not be done now, with the reason."""
    contradictions: tuple[str, ...]
    computed: tuple[str, ...]
    """What the numbers alone say, one sentence each."""
    next_tests: tuple[NextTest, ...]
    evidence: tuple[Evidence, ...]
    open_entries: int
    notes: tuple[str, ...]
    not_tested: tuple[str, ...]
    plan_known: bool
    """False when the checklist is not there to compare with."""
    cautions: tuple[str, ...]
    problems: tuple[str, ...]


def write_up(
    events: Sequence[Event], unit_title: str, step_names: Mapping[str, str], planned: Sequence[str]
) -> WriteUp:
    """Return the write-up of a session.

    `step_names` gives the words for step ids, `planned` the steps of the checklist in order.
    """
    view = project(events)
    worded = own_words(events)
    suspects = suspect_lines(view.deduced, view=view, step_names=step_names)
    confirmed = view.cause_confirmed if view.cause_confirmed and view.cause_confirmed.get("cause") else None
    entries = tuple(_evidence(index, entry, step_names) for index, entry in enumerate(view.entries, 1))
    return WriteUp(
        title="Road test write-up",
        vehicle=_text(view.intake, "vehicle") or "vehicle not recorded",
        unit=unit_title,
        date=when(view.started_at),
        facts=_facts(view),
        concern=worded.get("concern") or _concern(view.intake),
        cause=worded.get("cause") or _cause(confirmed, suspects),
        correction=worded.get("correction") or _correction(confirmed, suspects),
        confirmed=confirmed is not None,
        suspects=suspects,
        unknown=_probability(view.deduced.get("unknown")) if view.deduced else None,
        good=_probability(view.deduced.get("good")) if view.deduced else None,
        stop=str(view.deduced.get("stop") or "") if view.deduced else "",
        withheld=_withheld(view.deduced, step_names),
        contradictions=_contradictions(view.deduced, step_names),
        computed=_texts(view.deduced.get("computed"), "text") if view.deduced else (),
        next_tests=next_tests(view.deduced, step_names),
        evidence=entries,
        open_entries=sum(entry.state == "open" for entry in view.entries),
        notes=tuple(f"{_step(note.step, step_names)}: {note.text}" for note in view.notes if note.text),
        not_tested=_not_tested(view, step_names, planned),
        plan_known=bool(planned),
        cautions=CAUTIONS,
        problems=view.problems,
    )


def own_words(events: Iterable[Event]) -> dict[str, str]:
    """Return the parts of the write-up that the bay has worded itself; the last wording counts."""
    out: dict[str, str] = {}
    for event in events:
        part, text = event.data.get("part"), event.data.get("text")
        if event.kind == "write_up" and part in PARTS and isinstance(text, str):
            out[part] = text.strip()
    return out


def suspect_lines(
    deduced: Mapping[str, Any] | None,
    most: int = 6,
    view: SessionView | None = None,
    step_names: Mapping[str, str] | None = None,
) -> tuple[SuspectLine, ...]:
    """Return the suspects of a deduction's JSON, likeliest first.

    With the session's view and the names of its steps, a reason says at which step it was found.
    """
    made = [entry for entry in view.entries if entry.state != "struck"] if view is not None else []
    known = [(entry.finding, _step(entry.step, step_names or {})) for entry in made]
    raw = deduced.get("suspects") if deduced else None
    out: list[SuspectLine] = []
    for item in raw if isinstance(raw, list) else ():
        if not isinstance(item, dict):
            continue
        cause = str(item.get("cause", ""))
        depth = str(item.get("depth", ""))
        out.append(
            SuspectLine(
                rank=len(out) + 1,
                cause=cause,
                name=str(item.get("name") or spaced(cause)),
                probability=_probability(item.get("probability")) or 0.0,
                depth=DEPTH_WORDS.get(depth, spaced(depth)),
                speaks_for=_reasons(item.get("for"), known),
                speaks_against=_reasons(item.get("against"), known),
                work=str(item.get("work") or ""),
                odds=_odds(item.get("base_rate")),
                clears="; ".join(_texts(item.get("clears"), "title")),
                cautions=_texts(item.get("cautions"), "text"),
            )
        )
    return tuple(sorted(out, key=lambda line: line.rank)[:most])


def next_tests(deduced: Mapping[str, Any] | None, step_names: Mapping[str, str]) -> tuple[NextTest, ...]:
    """Return the proposed tests of a deduction's JSON, best first."""
    raw = deduced.get("next_tests") if deduced else None
    out = []
    for item in raw if isinstance(raw, list) else ():
        if isinstance(item, dict) and item.get("step"):
            step = str(item["step"])
            minutes = item.get("minutes")
            out.append(
                NextTest(
                    step=step,
                    name=str(item.get("title") or step_names.get(step) or spaced(step)),
                    why=str(item.get("why") or ""),
                    minutes=float(minutes) if isinstance(minutes, int | float) else None,
                    depth=spaced(str(item.get("depth", ""))),
                    caution=" ".join(_texts(item.get("cautions"), "text")),
                )
            )
    return tuple(out)


def percent(probability: float) -> str:
    """Return a probability as shown: nothing is certain, nothing impossible."""
    if probability > 0.99:
        return "over 99\u00a0%"
    return "under 1\u00a0%" if probability < 0.01 else f"{100 * probability:.0f}\u00a0%"


def when(stamp: str | None) -> str:
    """Return an event's time as `2026-11-25 08:05 UTC`."""
    return f"{stamp[:10]} {stamp[11:16]} UTC" if stamp and len(stamp) >= 16 else "date not recorded"


def _evidence(number: int, entry: EntryView, step_names: Mapping[str, str]) -> Evidence:
    first = entry.history[0].finding
    corrected = any(change.kind == "entry_corrected" for change in entry.history)
    return Evidence(
        number=number,
        step=_step(entry.step, step_names),
        heard=entry.heard_text,
        finding=words(entry.finding),
        was=words(first) if corrected else "",
        state="open, confirmed by nobody" if entry.state == "open" else f"{entry.state} by {entry.by}",
        counts=entry.state != "struck",
        clip=entry.clip,
    )


def _step(step: str | None, step_names: Mapping[str, str]) -> str:
    return step_names.get(step, spaced(step)) if step else "at no step"


def _facts(view: SessionView) -> tuple[tuple[str, str], ...]:
    rows = (
        ("Mileage", _text(view.intake, "mileage")),
        ("Onset", _text(view.intake, "onset")),
        ("After which work", _text(view.intake, "after")),
        ("When it happens", _text(view.intake, "when")),
        ("Earlier fluid service", _text(view.intake, "fluid_service")),
        ("Stored codes", _text(view.intake, "codes")),
        ("Tyre", _text(view.started, "tyre") or _text(view.intake, "tyre")),
        ("Axle ratio", _text(view.started, "axle_ratio") or _text(view.intake, "axle_ratio")),
        ("Checklist", spaced(view.checklist or "")),
    )
    return tuple((name, value) for name, value in rows if value)


def _concern(intake: Mapping[str, Any]) -> str:
    return _text(intake, "complaint") or "No complaint was recorded at intake."


def _cause(confirmed: Mapping[str, Any] | None, suspects: Sequence[SuspectLine]) -> str:
    if confirmed is not None:
        cause = str(confirmed.get("cause", ""))
        name = next((line.name for line in suspects if line.cause == cause), spaced(cause.replace(":", " ")))
        remark = str(confirmed.get("remark") or "").strip()
        return f"Confirmed at teardown: {name}." + (f" {remark}" if remark else "")
    if not suspects:
        return "No suspect yet: not enough was observed."
    text = f"Suspected, not confirmed: {suspects[0].name} ({suspects[0].percent})."
    rest = [f"{line.name} ({line.percent})" for line in suspects[1:3] if line.probability >= 0.05]
    return text + (f" Not ruled out: {', '.join(rest)}." if rest else "")


def _correction(confirmed: Mapping[str, Any] | None, suspects: Sequence[SuspectLine]) -> str:
    if confirmed is None and suspects and suspects[0].depth:
        return f"None recorded yet. Depth of the work for the first suspect: {suspects[0].depth}."
    return "None recorded yet."


def _not_tested(view: SessionView, step_names: Mapping[str, str], planned: Sequence[str]) -> tuple[str, ...]:
    done = set(view.steps_done) - view.steps_skipped
    answered = done | {entry.step for entry in view.entries if entry.state != "struck"}
    out = []
    for step in planned:
        if step not in answered:
            name = step_names.get(step, spaced(step))
            out.append(f"{name} (skipped)" if step in view.steps_skipped else name)
    return tuple(out)


def _withheld(deduced: Mapping[str, Any] | None, step_names: Mapping[str, str]) -> tuple[str, ...]:
    raw = deduced.get("withheld") if deduced else None
    items = [item for item in raw if isinstance(item, dict)] if isinstance(raw, list) else []
    return tuple(f"{_step(str(item.get('step', '')), step_names)}: {item.get('why', '')}" for item in items)


def _contradictions(deduced: Mapping[str, Any] | None, step_names: Mapping[str, str]) -> tuple[str, ...]:
    raw = deduced.get("contradictions") if deduced else None
    out = []
    for item in raw if isinstance(raw, list) else ():
        if isinstance(item, dict) and item.get("text"):
            repeat = item.get("repeat")
            out.append(f"{item['text']}." + (f" Repeat: {_step(str(repeat), step_names)}." if repeat else ""))
    return tuple(out)


def _reasons(raw: object, known: Sequence[tuple[Finding, str]]) -> tuple[Reason, ...]:
    """Read reasons; `known`: the findings deduced from and their steps, in the deduction's order.

    A deduction may be older than the last change of an entry, so the position alone is not trusted.
    """
    out = []
    for item in raw if isinstance(raw, list) else ():
        if isinstance(item, str):
            out.append(Reason(item, ""))
        elif isinstance(item, dict):
            weight = item.get("decibans")
            stated = f"{weight:+.1f} decibans" if isinstance(weight, int | float) else ""
            text, place = str(item.get("text", "")), item.get("finding")
            if isinstance(place, int) and 0 <= place < len(known) and describe(known[place][0]) == text:
                finding, step = known[place]
                text = words(finding) if finding.shift or finding.gear else f"{words(finding)} ({step})"
            out.append(Reason(text, stated))
    return tuple(out)


def _odds(raw: object) -> str:
    shipped, used = (raw.get("shipped"), raw.get("used")) if isinstance(raw, dict) else (None, None)
    if not isinstance(shipped, int | float) or not isinstance(used, int | float) or abs(used - shipped) < 0.05:
        return ""
    return f"Starting odds per 1000 complaints: {shipped:.3g} as shipped, {used:.3g} with this shop's cases."


def _texts(raw: object, key: str) -> tuple[str, ...]:
    """Texts of a list whose items are texts, or objects that hold one under `key`."""
    items = raw if isinstance(raw, list) else ()
    texts = (item.get(key, "") if isinstance(item, dict) else item for item in items)
    return tuple(str(text) for text in texts if text)


def _probability(raw: object) -> float | None:
    if isinstance(raw, bool) or not isinstance(raw, int | float) or not 0 <= raw <= 1:
        return None
    return float(raw)


def _text(data: Mapping[str, Any], *keys: str) -> str:
    for key in keys:
        value = data.get(key)
        if isinstance(value, list):
            return ", ".join(str(item) for item in value)
        if value not in (None, ""):
            return spaced(str(value))
    return ""

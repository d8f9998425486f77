"""Hear the kept clips of a session again, and list what another engine or model makes of them.

Talk that was taken for nothing on the drive is heard again too: what becomes something now had been missed.
"""

from __future__ import annotations

import io
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import soundfile

from fieldassist.deduce import Context, Unit, deduce, load_unit, steps_for
from fieldassist.drive.checklist import Checklist, load_checklist
from fieldassist.drive.dialogue import Question, State, understood
from fieldassist.drive.hearing import Hearing
from fieldassist.drive.wording import short_name, spoken
from fieldassist.errors import UserError
from fieldassist.finding import Finding
from fieldassist.record.event import Event
from fieldassist.record.projection import SessionView, follow, project
from fieldassist.record.store import Store
from fieldassist.sound.endpoint import Utterance
from fieldassist.words.recognizer import SAMPLE_RATE

SUSPECTS_SHOWN = 3
NEWLY_HEARD = "newly heard"
NO_LONGER_HEARD = "no longer heard"
CHANGED = "changed"
CHANGES: tuple[str, ...] = (NEWLY_HEARD, NO_LONGER_HEARD, CHANGED)
"""What may become of an utterance, in the order in which they are listed."""
_NOTHING = "nothing"


@dataclass(frozen=True)
class Difference:
    """An utterance that becomes something else now."""

    seq: int
    step: str | None
    text_before: str
    text_now: str
    before: str
    """What it became on the drive: a finding or command in words, a question, or nothing."""
    now: str

    @property
    def change(self) -> str:
        """One of CHANGES."""
        if self.before == _NOTHING:
            return NEWLY_HEARD
        return NO_LONGER_HEARD if self.now == _NOTHING else CHANGED


@dataclass(frozen=True)
class Replay:
    """What came out of hearing a session again."""

    utterances: int
    """Utterances with a clip."""
    overheard: int
    """Of them, talk that was taken for nothing on the drive."""
    without_clip: int
    engine_before: str
    engine_now: str
    differences: tuple[Difference, ...]
    suspects_before: tuple[tuple[str, float], ...]
    suspects_now: tuple[tuple[str, float], ...]

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON object."""
        return {
            "utterances": self.utterances,
            "overheard": self.overheard,
            "without_clip": self.without_clip,
            "engine": {"before": self.engine_before, "now": self.engine_now},
            "differences": [{**vars(difference), "change": difference.change} for difference in self.differences],
            "suspects": {"before": self.suspects_before, "now": self.suspects_now},
        }

    def lines(self) -> list[str]:
        """Return it as text of at most 80 columns."""
        out = [
            f"{self.utterances} utterances heard again ({self.engine_before} before, {self.engine_now} now), "
            f"{self.without_clip} without a clip",
            f"{self.overheard} of them had been taken for talk that is not for the tool"
            if self.overheard
            else "no other talk was kept: what had been missed cannot be shown",
            f"{len(self.differences)} differences",
        ]
        for change in CHANGES:
            of_it = [difference for difference in self.differences if difference.change == change]
            if of_it:
                out.append(f"{change}: {len(of_it)}")
            for difference in of_it:
                out.append(f"  event {difference.seq}, {difference.step or 'no step'}"[:80])
                for when, text, sense in (
                    ("before", difference.text_before, difference.before),
                    ("now", difference.text_now, difference.now),
                ):
                    out.append(f"    {when:<7}{sense[:30]:<31}\u201c{text[:36]}\u201d")
        for when, suspects in (("before", self.suspects_before), ("now", self.suspects_now)):
            named = ", ".join(f"{name} {round(100 * p)} %" for name, p in suspects)
            out.append(f"suspects {when:<7}{named[:63]}")
        return out


def replay(path: Path, engine: str | None = None, model: str | Path | None = None) -> Replay:
    """Hear a session's clips with an engine of today; the session itself is left as it is.

    In the deduction, entries that a person confirmed or corrected keep their value. Raises UserError for a file
    that is no session, and for an engine or model that cannot be used.
    """
    with Store.open(path, readonly=True) as store:
        events = store.events()
        clips = {clip: store.clip(clip) for clip in store.clip_ids()}
    view = project(events)
    unit = load_unit(view.unit or "")
    checklist = load_checklist(view.checklist or "road_test", steps_for(unit))
    with closing(Hearing(engine, model, len(unit.forward))) as hearing:
        again = {
            event.id: _hear(event, state, hearing, clips[str(event.data["clip"])])
            for event, state in _utterances(events, checklist)
            if event.data.get("clip") in clips and event.data.get("decision") != "note"
        }
        engine_now = hearing.engine.name
    heard = [event for event in events if event.kind in ("heard", "overheard")]
    differences = tuple(
        Difference(event.seq or 0, _step(event), str(event.data.get("text", "")), now.text, before, now.sense)
        for event in heard
        if (now := again.get(event.id)) is not None and (before := _sense_before(event)) != now.sense
    )
    return Replay(
        len(again),
        sum(event.kind == "overheard" and event.id in again for event in heard),
        len(heard) - len(again),
        str(next((event.data.get("engine") for event in heard), "none")),
        engine_now,
        differences,
        _suspects(unit, view, view.findings()),
        _suspects(unit, view, _findings_now(view, events, again, checklist)),
    )


@dataclass(frozen=True)
class _Again:
    """An utterance heard again."""

    text: str
    findings: tuple[Finding, ...]
    """What would be entered now."""
    sense: str


def _utterances(events: tuple[Event, ...], checklist: Checklist) -> Iterator[tuple[Event, State]]:
    """Give each utterance with where the dialogue stood: the entries so far, and what had been asked back."""
    view = SessionView()
    asked: Event | None = None
    for event in events:
        if event.kind in ("heard", "overheard"):
            question = None
            if asked is not None and _step(asked) == _step(event):
                question = Question("ask_back", "", asked.id, _findings(asked.data.get("alternatives")))
            yield event, State(checklist, view, item=_step(event), question=question)
            if event.kind == "heard":  # other talk answers nothing
                asked = event if event.data.get("decision") == "ask" and question is None else None
        view = follow(view, event)


def _hear(event: Event, state: State, hearing: Hearing, flac: bytes) -> _Again:
    try:
        samples = soundfile.read(io.BytesIO(flac), dtype="int16")[0]
    except soundfile.SoundFileError as error:
        raise UserError(f"clip of event {event.seq}: cannot be decoded ({error})") from None
    item = state.current
    hearing.expect(item.step if item is not None else None)
    hearing.start()
    hearing.feed(samples)
    heard = hearing.finish(Utterance(samples, 0.0, len(samples) / SAMPLE_RATE), state)
    findings: tuple[Finding, ...] = ()
    if heard.decision == "accept" and heard.finding is not None:
        findings = (heard.finding, *heard.more)
    if heard.command == "no":  # a correction changes an entry and makes none
        findings = ()
    return _Again(str(heard.record["text"]), findings, _sense(heard.decision, heard.command, heard.finding))


def _sense(decision: object, command: object, finding: Finding | None) -> str:
    """Put what became of an utterance into words."""
    if decision == "ignore":
        return _NOTHING
    words = " ".join(str(part) for part in (command, spoken(finding) if finding is not None else "") if part)
    return f"asked: {words}" if decision == "ask" else words


def _sense_before(event: Event) -> str:
    data = event.data
    found = _findings([data["finding"]]) if "finding" in data else ()
    return _sense(data.get("decision"), data.get("command"), found[0] if found else None)


def _findings_now(
    view: SessionView, events: tuple[Event, ...], again: Mapping[str, _Again], checklist: Checklist
) -> tuple[Finding, ...]:
    """Return the session's findings with those of the utterances as they are heard now, what is newly heard too.

    What a person confirmed, corrected or struck stays as that person left it.
    """
    entries = [event.data for event in events if event.kind == "entry"]
    source = {str(data.get("entry")): str(data.get("heard")) for data in entries}
    counted = iter(view.findings())
    entered: Counter[str] = Counter()
    out = []
    for entry in view.entries:
        utterance = source.get(entry.id, "")
        now = again.get(utterance)
        place = entered[utterance]
        entered[utterance] += 1
        if entry.state == "struck":
            continue
        finding = next(counted)
        if entry.state != "open" or now is None or (not now.findings and now.sense != _NOTHING):
            out.append(finding)
        elif place < len(now.findings):
            out.append(_at(now.findings[place], entry.step, checklist))
    for event in events:
        if (now := again.get(event.id)) is not None:
            fresh = [_at(finding, _step(event), checklist) for finding in now.findings[entered[event.id] :]]
            out += [finding for finding in fresh if not any(_alike(finding, known) for known in out)]
    return tuple(out)


def _at(finding: Finding, step: str | None, checklist: Checklist) -> Finding:
    item = checklist.item(step or "")
    return understood(finding, item) if item is not None else finding


def _alike(one: Finding, other: Finding) -> bool:
    return replace(one, confidence=1.0) == replace(other, confidence=1.0)


def _suspects(unit: Unit, view: SessionView, findings: tuple[Finding, ...]) -> tuple[tuple[str, float], ...]:
    context = Context.from_intake({**view.started, **view.intake})
    result = deduce(unit, findings, context=context, done=frozenset(view.steps_done) - view.steps_skipped)
    return tuple((short_name(s.name), round(s.probability, 4)) for s in result.suspects[:SUSPECTS_SHOWN])


def _findings(rows: object) -> tuple[Finding, ...]:
    """Read findings of an event, passing over what makes no sense."""
    out = []
    for row in rows if isinstance(rows, list) else ():
        with suppress(UserError):
            out.append(Finding.from_json(row))
    return tuple(out)


def _step(event: Event) -> str | None:
    step = event.data.get("step")
    return step if isinstance(step, str) else None

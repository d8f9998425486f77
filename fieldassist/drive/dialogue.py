"""The dialogue of a road test: a pure state machine, (state, event) -> (state, actions).

Nothing here hears, speaks, writes or waits. The loop turns what happens into events, carries out the actions in
their order, and gives the state back with the next event. What is read back is always behind its own `Store` in
the actions, so that whatever the driver hears as logged is on the disk.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from fieldassist.deduce.step import Step
from fieldassist.drive.checklist import Checklist, Item, fits
from fieldassist.drive.wording import leading_suspect, spoken
from fieldassist.finding import Finding
from fieldassist.record.event import Event
from fieldassist.record.projection import EntryView, SessionView, follow

LEFT_OPEN = 0.3
"""Confidence of an entry that asking back did not make clear: faint evidence until somebody confirms it."""
OVERHEARD_LONGEST = 10.0
"""Seconds. Longer talk that is not for the tool is a conversation or a radio, and no missed observation."""
OVERHEARD_MOST = 1800.0
"""Seconds of such talk that a session keeps, about 30 MiB."""
COMMANDS: tuple[str, ...] = (
    "next", "again", "back", "skip", "strike", "hold", "resume", "note", "how_far", "finish", "yes", "no",
)  # fmt: skip


# What happens.


@dataclass(frozen=True)
class Begin:
    """The drive begins, or goes on from a session file."""

    kept: str
    """What is kept and where, in one spoken sentence."""


@dataclass(frozen=True)
class Heard:
    """One utterance, recognised and matched."""

    decision: str
    """accept, ask or ignore, as the matcher says."""
    finding: Finding | None = None
    command: str | None = None
    """One of COMMANDS. `no` together with a finding is a correction of the entry last read back."""
    alternatives: tuple[Finding, ...] = ()
    """Further readings, best first."""
    more: tuple[Finding, ...] = ()
    """Further findings of the same utterance."""
    assumed: tuple[str, ...] = ()
    """Keys of the finding that the step gave and nobody said."""
    score: float = 1.0
    ask: str = ""
    """For `ask`: the question."""
    record: Mapping[str, Any] = field(default_factory=dict)
    """For the `heard` event: start, end, text, words, confidence, engine, clip."""


@dataclass(frozen=True)
class Others:
    """An event that somebody else wrote to the session: the passenger, at the page or in the terminal."""

    event: Event


@dataclass(frozen=True)
class Deduced:
    """The deduction asked for is there; None when it could not be made."""

    result: Mapping[str, Any] | None


@dataclass(frozen=True)
class Silence:
    """The driver has been asked and has said nothing for a while."""


@dataclass(frozen=True)
class Trouble:
    """A sound device or the speech engine failed or came back; `text` is one short spoken sentence."""

    text: str


Happening = Begin | Heard | Others | Deduced | Silence | Trouble


# What is to be done.


@dataclass(frozen=True)
class Store:
    """Write an event, durably, before anything behind it is done."""

    kind: str
    data: dict[str, Any]
    id: str


@dataclass(frozen=True)
class Say:
    """Speak. `why`: opening, caution, prompt, read_back, ask, reply or trouble."""

    text: str
    why: str


@dataclass(frozen=True)
class Show:
    """Put a remark on the screen without saying it."""

    text: str


@dataclass(frozen=True)
class Hush:
    """Stop speaking at once, and drop what was still to be said before this."""


@dataclass(frozen=True)
class Expect:
    """From the next utterance on, expect what can be said at this step (None: no step of the deduction)."""

    step: Step | None


@dataclass(frozen=True)
class Deduce:
    """Work out the suspects from the session and answer with `Deduced`."""


@dataclass(frozen=True)
class End:
    """The drive is over."""


Action = Store | Say | Show | Hush | Expect | Deduce | End


# Where the dialogue stands.


@dataclass(frozen=True)
class Question:
    """What a yes, a no or a choice is waited for."""

    kind: str
    """ask_back, sure (a finding that cuts the drive short), stop, finish or offer."""
    text: str
    heard: str | None = None
    """ask_back: id of the `heard` event that was unclear."""
    choices: tuple[Finding, ...] = ()
    """ask_back: the readings, best first."""
    score: float = 0.0
    item: str | None = None
    """offer: the item proposed."""
    entry: str | None = None
    """sure, stop: the entry that raised the question."""


@dataclass(frozen=True)
class State:
    """Everything that the dialogue remembers."""

    checklist: Checklist
    view: SessionView = field(default_factory=SessionView)
    """The session as it stands in the file."""
    run: str = "d"
    """Sets the ids of this run's events apart from those of others in the same file."""
    serial: int = 0
    """Events caused in this run."""
    item: str | None = None
    """Id of the item that is asked; None before the first and after the last."""
    question: Question | None = None
    following_up: bool = False
    """The item is answered but for its number."""
    noting: bool = False
    """The next utterance is a voice note."""
    fresh: str | None = None
    """Entry read back last and not yet followed by another utterance: what "no" speaks of."""
    reminded: bool = False
    """The item's prompt was repeated after a silence."""
    warned: frozenset[str] = frozenset()
    """Cautions of sections already spoken."""
    declined: frozenset[str] = frozenset()
    """Depths of work on request (road, gauge) that the driver did not want now."""
    next_tests: tuple[Mapping[str, Any], ...] = ()
    """Of the latest deduction."""
    closing: bool = False
    """All items are asked; the latest deduction is waited for."""
    overheard_full: bool = False
    """No more talk that is not for the tool is kept."""
    ended: bool = False

    @property
    def current(self) -> Item | None:
        """The item that is asked."""
        return self.checklist.item(self.item) if self.item is not None else None


def start(checklist: Checklist, view: SessionView, run: str) -> State:
    """Return the state for a session that has just begun (its view has only `started`) or is taken up again."""
    result = view.deduced or {}
    return State(checklist, view, run, next_tests=tuple(result.get("next_tests", ())))


def advance(state: State, happening: Happening) -> tuple[State, tuple[Action, ...]]:
    """Return the state after something happened, and what is to be done, in order. Pure."""
    turn = _Turn(state)
    match happening:
        case _ if state.ended:
            if isinstance(happening, Others):
                turn.view = follow(turn.view, happening.event)
        case Begin(kept):
            turn.begin(kept)
        case Heard():
            turn.hear(happening)
        case Others(event):
            turn.take_over(event)
        case Deduced(result):
            turn.take_result(result)
        case Silence():
            turn.silence()
        case Trouble(text):
            turn.store("device", what=text)
            turn.say(text, "trouble")
    return turn.result()


_BARE = 3
"""Words, at most, of a "yes" or "no" that answers an item; with more it is about what was heard."""


def bare_answer(item: Item | None, command: str | None, said: str, view: SessionView) -> Finding | None:
    """Return what a bare "yes" or "no" says of an item; None where it asks for neither, was answered before, or
    more was said: "no, that's not what I said"."""
    if item is None or _entries_at(view, item.id) or len(said.split()) > _BARE:
        return None
    return {"yes": item.yes, "no": item.no}.get(command or "")


def _entries_at(view: SessionView, step: str) -> list[EntryView]:
    return [entry for entry in view.entries if entry.step == step and entry.state != "struck"]


class _Turn:
    """One step of the machine: the state being changed, and the actions gathered."""

    def __init__(self, state: State) -> None:
        self.state = state
        self.view = state.view
        self.actions: list[Action] = []
        self.deduce = False
        self.expect: Expect | None = None

    def result(self) -> tuple[State, tuple[Action, ...]]:
        if self.expect is not None and not self.state.ended:
            self.actions.append(self.expect)
        if self.deduce and not self.state.ended:
            self.actions.append(Deduce())  # last: what is to be spoken need not wait for it
        return replace(self.state, view=self.view), tuple(self.actions)

    def change(self, **values: Any) -> None:
        self.state = replace(self.state, **values)

    def store(self, kind: str, **data: Any) -> str:
        """Store an event of ours and see it in the view at once; return its id."""
        event_id = f"{self.state.run}-{self.state.serial}"
        self.change(serial=self.state.serial + 1)
        self.actions.append(Store(kind, data, event_id))
        self.view = follow(self.view, Event(event_id, kind, "", data))
        return event_id

    def say(self, text: str, why: str) -> None:
        if text:
            self.actions.append(Say(text, why))

    # Beginning, going on, ending.

    def begin(self, kept: str) -> None:
        self.say(kept, "opening")  # taken up again too: somebody else may sit in the car by now
        if not self.view.steps_done and self.view.step is None:
            self.go_to_next(None)
            return
        self.store("resumed")
        self.say("Going on with the drive.", "reply")
        self.deduce = True
        item = self.state.checklist.item(self.view.step) if self.view.step is not None else None
        if item is not None and self.entries_at(item.id) and item.follow_up is not None:
            self.ask(replace(item, prompt=item.follow_up_prompt))
            self.change(following_up=True)
        elif item is not None:
            self.ask(item)
        else:
            self.go_to_next(None)

    def go_to_next(self, after: str | None) -> None:
        """Ask the first item behind `after` that is still to be asked, or close."""
        items = self.state.checklist.items
        places = [index for index, item in enumerate(items) if item.id == after]
        for item in items[places[0] + 1 if places else 0 :]:
            if item.on_request or item.id in self.view.steps_done:
                continue
            reason = self.reason_to_skip(item)
            if reason is None:
                self.ask(item)
                return
            self.store("step_done", step=item.id, how="skipped", why=f"after: {spoken(reason)}")
        self.change(item=None, closing=True, question=None, following_up=False)
        self.deduce = True

    def reason_to_skip(self, item: Item) -> Finding | None:
        """The finding for which an item is left out: one that somebody has confirmed, for what may harm any."""
        entries = [entry for entry in self.view.entries if entry.state != "struck"]
        if not item.on_request:
            entries = [entry for entry in entries if entry.state in ("confirmed", "corrected")]
        findings = [entry.finding for entry in entries]
        return next((f for f in findings for pattern in item.skip_when if fits(pattern, f)), None)

    def cuts_short(self, finding: Finding) -> bool:
        """Whether items still to be asked would be left out because of a finding."""
        return any(
            fits(pattern, finding)
            for item in self.state.checklist.items
            if not item.on_request and item.id not in self.view.steps_done
            for pattern in item.skip_when
        )

    def ask(self, item: Item) -> None:
        """Begin an item: its cautions, then its prompt."""
        if self.view.step != item.id:
            self.store("step_begun", step=item.id)
        self.change(item=item.id, question=None, following_up=False, reminded=False, closing=False)
        self.expect = Expect(item.step)
        if item.section.id not in self.state.warned:
            self.change(warned=self.state.warned | {item.section.id})
            self.say(item.section.caution, "caution")
        self.say(item.caution, "caution")
        self.say(item.prompt, "prompt")

    def finish_item(self, how: str) -> None:
        item = self.state.current
        if item is not None:
            self.store("step_done", step=item.id, how=how)
            if item.on_request:  # the deduction says what is worth doing next
                self.change(item=None, closing=True, question=None, following_up=False)
                self.deduce = True
            else:
                self.go_to_next(item.id)

    def close(self) -> None:
        """End the drive with the leading suspect and what to do next."""
        self.store("finished")
        steps = {item.id: item.title for item in self.state.checklist.items}
        parts = ["The drive is done.", leading_suspect(self.view.deduced)]
        if self.state.next_tests:
            test = str(self.state.next_tests[0].get("step", ""))
            parts.append(f"Next: {steps.get(test, test.replace('_', ' '))}.")
        self.say(" ".join(part for part in parts if part), "reply")
        self.actions.append(End())
        self.change(ended=True, item=None, question=None, closing=False)

    # What the driver says.

    def hear(self, heard: Heard) -> None:
        if self.state.noting:
            self.take_note(heard)
            return
        if self.view.paused and heard.command not in ("resume", "finish"):
            return  # what is said while holding is not for the tool
        if heard.decision == "ignore":
            self.overhear(heard)
            return
        made: dict[str, Any] = {"step": self.state.item, "decision": heard.decision, "command": heard.command}
        if heard.finding is not None:
            made["finding"] = heard.finding.to_json()
        if heard.decision == "ask":
            made["alternatives"] = [choice.to_json() for choice in readings(heard)]
        event_id = self.store("heard", **{**heard.record, **made})
        if heard.decision == "ask":
            self.unclear(heard, event_id)
        elif heard.command == "no" and heard.finding is not None:
            self.correct(heard, event_id)
        elif heard.command is not None:
            self.obey(heard.command, event_id, str(heard.record.get("text", "")))
        elif heard.finding is not None:
            self.drop_ask_back()
            said = replace(heard.finding, **dict.fromkeys(heard.assumed))  # type: ignore[arg-type]
            self.enter(heard.finding, event_id, heard.score, said=said, others=heard.alternatives, more=heard.more)

    def overhear(self, heard: Heard) -> None:
        """Keep talk that was taken for nothing, if recordings are kept at all: heard again by another engine, it
        shows whether an observation was missed."""
        kept = {key: value for key, value in heard.record.items() if key != "words"}
        seconds = float(kept.get("end", 0.0)) - float(kept.get("start", 0.0))
        if not kept.get("clip") or seconds > OVERHEARD_LONGEST or self.state.overheard_full:
            return
        if self.view.overheard + seconds > OVERHEARD_MOST:
            self.change(overheard_full=True)
            minutes = round(OVERHEARD_MOST / 60)
            self.actions.append(Show(f"{minutes} minutes of other talk are recorded; no more of it will be."))
            return
        self.store("overheard", **{**kept, "step": self.state.item, "decision": heard.decision})

    def drop_ask_back(self) -> None:
        if self.state.question is not None and self.state.question.kind == "ask_back":
            self.change(question=None)

    def enter(
        self,
        finding: Finding,
        heard: str | None,
        score: float,
        *,
        said: Finding | None = None,
        others: tuple[Finding, ...] = (),
        more: tuple[Finding, ...] = (),
        left_open: bool = False,
    ) -> None:
        """Store an entry (several, if one utterance held more), read it back, and go on as it demands."""
        item = self.state.current
        bare = finding == Finding("normal", confidence=finding.confidence)
        if bare and item is not None and item.step is None and item.normal is None:
            self.write_note(f"{item.title}: normal", heard)  # no evidence for the deduction, and not to be lost
            self.finish_item("answered")
            return
        self.write_entry(finding, heard, score, others)
        for further in more:
            self.write_entry(further, heard, score, ())
        entries = self.view.entries[-1 - len(more) :]
        first = entries[0].finding
        if item is not None and any(key == "gear" for key, _ in item.assume):
            first = replace(first, gear=finding.gear)  # nobody asked about the gear
        if finding.kind == "normal":
            first = replace(first, kind="normal", present=True, where=None)
        read_back = "; ".join([spoken(first, said), *(spoken(entry.finding) for entry in entries[1:])])
        self.say("Left open." if left_open else read_back, "read_back")
        asked = self.state.item
        for entry in entries:
            if self.state.item == asked and self.state.question is None:
                self.go_on(entry)
        if self.state.question is not None and self.state.item == asked and not self.asks_now():
            self.repeat()

    def write_entry(
        self, finding: Finding, heard: str | None, score: float, others: tuple[Finding, ...]
    ) -> None:
        item = self.state.current
        if item is not None:
            finding = understood(finding, item)
        entry_id = f"{self.state.run}-e{self.state.serial}"
        self.store(
            "entry",
            entry=entry_id,
            step=self.state.item,
            heard=heard,
            finding=finding.to_json(),
            score=score,
            by="driver",
            **({"alternatives": [other.to_json() for other in others]} if others else {}),
        )
        self.change(fresh=entry_id)
        self.deduce = True

    def go_on(self, entry: EntryView) -> None:
        """After an entry: the question that it raises, the number still wanted, or the next item."""
        item = self.state.current
        finding = entry.finding
        if item is None or (self.state.question is not None and self.state.question.kind != "ask_back"):
            return
        if any(fits(pattern, finding) for pattern in item.stop_when):
            self.put(Question("stop", item.stop_prompt, entry=entry.id))
            return
        if entry.state == "open" and self.cuts_short(finding):
            self.put(Question("sure", "Are you sure?", entry=entry.id))
            return
        if not answers(item, finding):
            return
        is_number = finding.kind == item.follow_up
        numbers = [entry for entry in self.entries_at(item.id) if entry.finding.kind == item.follow_up]
        feels = [entry for entry in self.entries_at(item.id) if entry.finding.kind != item.follow_up]
        if item.follow_up is None or (numbers and feels):
            self.finish_item("answered")
        elif is_number:
            self.say(item.prompt, "prompt")
        elif not self.state.following_up:
            self.change(following_up=True)
            self.say(item.follow_up_prompt, "prompt")

    def asks_now(self) -> bool:
        """Whether this turn asks something already."""
        return any(isinstance(action, Say) and action.why == "ask" for action in self.actions)

    def entries_at(self, step: str) -> list[EntryView]:
        return _entries_at(self.view, step)

    def unclear(self, heard: Heard, event_id: str) -> None:
        """Ask back once; the second time leave it open for the passenger."""
        question = Question("ask_back", heard.ask or "Say again?", event_id, readings(heard), heard.score)
        if self.state.question is None:
            self.put(question)
        elif self.state.question.kind == "ask_back":
            self.leave_open(question)
        else:
            self.repeat()

    def leave_open(self, question: Question) -> None:
        """Keep what was unclear with its readings, for somebody who can look."""
        self.change(question=None)
        if question.choices:
            first = question.choices[0]
            faint = replace(first, confidence=min(first.confidence, LEFT_OPEN))
            self.enter(faint, question.heard, question.score, others=question.choices[1:], left_open=True)
        else:
            self.say("Left open.", "reply")

    def put(self, question: Question) -> None:
        self.change(question=question, reminded=False)
        self.say(question.text, "ask")

    def take_note(self, heard: Heard) -> None:
        self.change(noting=False)
        if heard.command == "strike":
            self.say("No note.", "reply")
            return
        event_id = self.store("heard", **{**heard.record, "step": self.state.item, "decision": "note"})
        # Phrases of the road test fit free speech badly: the sound is the note, words stand in where none is kept.
        self.write_note("" if heard.record.get("clip") else f"heard as: {heard.record.get('text', '')}", event_id)

    def write_note(self, text: str, heard: str | None) -> None:
        clip = self.view.heard.get(heard or "", {}).get("clip")
        self.store("note", step=self.state.item, text=text, clip=clip, heard=heard, by="driver")
        self.say("Noted.", "read_back")

    def correct(self, heard: Heard, event_id: str) -> None:
        """ "no, two three": the last entry becomes what it should have been."""
        assert heard.finding is not None
        entry = self.last_entry()
        unclear = self.state.question is not None and self.state.question.kind == "ask_back"
        self.drop_ask_back()
        if entry is None or unclear:
            self.enter(heard.finding, event_id, heard.score)
            return
        self.store("entry_corrected", entry=entry.id, by="driver", heard=event_id, finding=heard.finding.to_json())
        self.change(fresh=entry.id)
        self.say(spoken(heard.finding), "read_back")
        self.deduce = True
        changed = self.view.entry(entry.id)
        if changed is not None and entry.step == self.state.item:
            self.go_on(changed)

    def strike(self) -> None:
        entry = self.last_entry()
        if entry is None:
            self.say("Nothing to strike.", "reply")
            return
        self.store("entry_struck", entry=entry.id, by="driver")
        self.change(fresh=None)
        self.say(f"Struck: {spoken(entry.finding)}.", "read_back")
        self.deduce = True
        item = self.state.checklist.item(entry.step) if entry.step is not None else None
        here = self.state.current
        if self.state.question is not None and self.state.question.entry == entry.id:
            self.change(question=None)  # it was asked because of what is now struck
        if self.state.question is not None:
            self.repeat()
            return
        if item is None or (here is not None and item.id != here.id and self.entries_at(here.id)):
            return  # the driver is well into another item
        if item.follow_up is not None and entry.finding.kind == item.follow_up and here == item:
            self.say(item.follow_up_prompt, "prompt")
        else:
            self.ask(replace(item, caution=""))

    def last_entry(self) -> EntryView | None:
        """The driver's entry spoken last and not struck."""
        return next(
            (e for e in reversed(self.view.entries) if e.state != "struck" and e.history[0].by == "driver"), None
        )

    # Commands.

    def obey(self, command: str, heard: str, said: str) -> None:
        question = self.state.question
        fresh = self.state.fresh
        self.change(fresh=None)
        if question is not None and command in ("yes", "no"):
            self.answer(question, command == "yes")
            return
        if question is not None and question.kind == "offer" and command in ("next", "skip", "finish"):
            self.answer(question, yes=False)
            return
        if question is not None and question.kind == "ask_back":
            if command == "strike":
                self.change(question=None)
                self.say("Struck.", "reply")
                self.repeat()
                return
            if command in ("next", "skip", "back", "finish"):
                self.change(question=None)
                if question.choices:
                    self.write_entry(question.choices[0], question.heard, question.score, question.choices[1:])
                    self.say("Left open.", "read_back")
        match command:
            case "yes":
                self.said_yes(heard, said, fresh)
            case "no":
                self.said_no(heard, said, fresh)
            case "next":
                item = self.state.current
                self.finish_item("answered" if item is not None and self.entries_at(item.id) else "skipped")
            case "skip":
                self.finish_item("skipped")
            case "back":
                self.go_back()
            case "again":
                self.repeat()
            case "strike":
                self.strike()
            case "hold":
                self.actions.append(Hush())
                self.store("paused")
                self.say("Holding.", "reply")
            case "resume":
                if self.view.paused:
                    self.store("resumed")
                self.repeat()
            case "note":
                self.change(noting=True)
                self.say("Go ahead.", "reply")
            case "how_far":
                self.say(self.progress(), "reply")
            case "finish":
                if self.view.paused:
                    self.store("resumed")
                self.put(Question("finish", "Finish the drive?"))

    def answer(self, question: Question, yes: bool) -> None:
        self.change(question=None)
        if question.entry is not None and (yes or question.kind == "stop"):
            self.store("entry_confirmed", entry=question.entry, by="driver")  # they know what they are asked about
        match question.kind:
            case "ask_back" if yes and question.choices:
                self.enter(question.choices[0], question.heard, question.score, others=question.choices[1:])
            case "ask_back":
                self.repeat()
            case "sure" if yes:
                entry = self.view.entry(question.entry or "")
                if entry is not None:
                    self.go_on(entry)
            case "sure":
                self.strike()
            case "stop" | "finish" if yes:
                if self.state.item is not None:
                    how = "answered" if self.entries_at(self.state.item) else "skipped"
                    self.store("step_done", step=self.state.item, how=how)
                self.close()
            case "stop":
                self.finish_item("answered")
            case "finish":
                self.repeat()
            case "offer":
                item = self.state.checklist.item(question.item or "")
                if item is not None and yes:
                    self.ask(item)
                elif item is not None and item.step is not None:
                    self.change(declined=self.state.declined | {item.step.depth})
                    self.offer_or_close()

    def said_yes(self, heard: str, said: str, fresh: str | None) -> None:
        answer = bare_answer(self.state.current, "yes", said, self.view)
        if answer is not None:
            self.enter(answer, heard, 1.0)
        elif fresh is not None and (entry := self.view.entry(fresh)) is not None and entry.state == "open":
            self.store("entry_confirmed", entry=fresh, by="driver")
            self.say("Confirmed.", "read_back")

    def said_no(self, heard: str, said: str, fresh: str | None) -> None:
        answer = bare_answer(self.state.current, "no", said, self.view)
        if answer is not None:
            self.enter(answer, heard, 1.0)
        elif fresh is not None:
            self.strike()

    def repeat(self) -> None:
        item = self.state.current
        if self.state.question is not None:
            self.say(self.state.question.text, "ask")
        elif item is not None and self.state.following_up:
            self.say(item.follow_up_prompt, "prompt")
        elif item is not None:
            self.say(item.prompt, "prompt")

    def go_back(self) -> None:
        items = [item for item in self.state.checklist.items if not item.on_request]
        places = [index for index, item in enumerate(items) if item.id == self.state.item]
        place = places[0] if places else len(items)
        if place == 0:
            self.say("This is the first.", "reply")
            self.repeat()
        else:
            self.change(closing=False)
            self.ask(replace(items[place - 1], caution=""))

    def progress(self) -> str:
        items = [item for item in self.state.checklist.items if not item.on_request]
        done = sum(item.id in self.view.steps_done for item in items)
        return f"{done} of {len(items)} done. {leading_suspect(self.view.deduced)}".strip()

    # The passenger, the deduction, the clock.

    def take_over(self, event: Event) -> None:
        self.view = follow(self.view, event)
        if not event.kind.startswith("entry"):
            return
        self.deduce = True
        entry = self.view.entry(str(event.data.get("entry", "")))
        if event.kind == "entry" and entry is not None and entry.step == self.state.item and not self.view.paused:
            self.go_on(entry)

    def take_result(self, result: Mapping[str, Any] | None) -> None:
        if result is not None:
            self.store("deduced", **result)
            self.change(next_tests=tuple(result.get("next_tests", ())))
        if self.state.closing and self.state.question is None:
            self.offer_or_close()

    def offer_or_close(self) -> None:
        """Propose the work on request that tells most, if the deduction wants some; else end the drive."""
        for test in self.state.next_tests:
            item = self.state.checklist.item(str(test.get("step")))
            if item is None or not item.on_request or item.step is None or item.id in self.view.steps_done:
                continue
            if item.step.depth in self.state.declined:
                continue
            if self.reason_to_skip(item) is None:
                title = item.title[:1].upper() + item.title[1:]
                self.put(Question("offer", f"{title} would tell most. Do it now?", item=item.id))
                return
        self.close()

    def silence(self) -> None:
        question = self.state.question
        if self.view.paused or self.state.noting:
            return
        if question is not None and question.kind == "ask_back":
            self.leave_open(question)
        elif not self.state.reminded:
            self.change(reminded=True)
            self.repeat()


def readings(heard: Heard) -> tuple[Finding, ...]:
    """Return all that an utterance may have meant, best first."""
    return tuple(finding for finding in (heard.finding, *heard.alternatives) if finding is not None)


def understood(finding: Finding, item: Item) -> Finding:
    """Return what a finding means at an item: "normal" as the item means it, and the step's condition filled in.

    A finding that speaks of another gear, shift or range than the step's is left as it is.
    """
    if finding.kind == "normal" and item.normal is not None and _compatible(finding, item.step):
        finding = replace(item.normal, confidence=finding.confidence)
    if not _compatible(finding, item.step):
        return finding
    keys = ["range", "throttle", "load", "temperature"]
    if finding.kind in ("leak", "fluid_level", "fluid_condition"):
        keys = []
    if finding.shift is None and finding.gear is None:
        keys += ["shift", "gear"]
    if finding.kind in ("linkage", "pressure", "fluid_condition"):
        keys.append("where")
    given = {key: getattr(item.step, key, None) for key in keys} | {k: v for k, v in item.assume if k in keys}
    if finding.kind == "pressure" and finding.where in ("low", "high", "normal") and given.get("where"):
        finding = replace(finding, where=f"{given['where']} {finding.where}")  # of which tap
    return replace(finding, **{k: v for k, v in given.items() if v is not None and getattr(finding, k) is None})


def answers(item: Item, finding: Finding) -> bool:
    """Tell whether a finding answers what the item asks."""
    if finding.kind not in item.answers and finding.kind != item.follow_up:
        return False
    return _compatible(finding, item.step)


def _compatible(finding: Finding, step: Step | None) -> bool:
    return step is None or all(
        getattr(finding, key) in (None, getattr(step, key)) or getattr(step, key) is None
        for key in ("shift", "gear", "range", "throttle")
    )

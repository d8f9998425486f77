"""The loop that feeds the dialogue: sound -> utterance -> words -> finding -> dialogue -> session -> voice.

Everything that happens goes through one inbox, in order. Each happening is one transaction of the session file,
made before anything is spoken: what the driver hears as logged is on the disk. A happening that the file cannot
take stays at the head of the inbox and is tried again.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Protocol

from fieldassist.deduce import Context, deduce, shop_priors
from fieldassist.deduce.unit import Unit
from fieldassist.drive.dialogue import (
    Action,
    Begin,
    Deduce,
    Deduced,
    Expect,
    Happening,
    Heard,
    Hush,
    Others,
    Say,
    Show,
    Silence,
    State,
    Store,
    Trouble,
    advance,
)
from fieldassist.drive.hearing import Hearing
from fieldassist.drive.speaker import Speaker, Spoken
from fieldassist.errors import UserError
from fieldassist.record.event import Event
from fieldassist.record.projection import SessionView
from fieldassist.record.store import StorageError, clip_id
from fieldassist.record.store import Store as SessionFile
from fieldassist.sound.echo import EchoCanceller
from fieldassist.sound.endpoint import Began, Cut, Endpointer, Paused, Utterance, Went
from fieldassist.sound.source import AudioSource
from fieldassist.words.recognizer import Samples

SILENCE_SECONDS = 20.0
"""After so long without an answer the prompt is repeated, once."""
POLL_SECONDS = 0.25
"""How often the session file is looked at for what the passenger did."""
RETRY_SECONDS = 2.0
"""How often a write is tried again that the file could not take."""
BREAK_SECONDS = 1.0
"""After so long without a sample an utterance under way has been broken off."""
BROKEN_OFF = "I lost you there. Say it again?"
OVERHEARD_LEAST_ROOM = 256 * 2**20
"""Bytes: with less room on the disk, talk that is not for the tool is not kept."""
DRAIN_SECONDS = 120.0
"""How long the end of a drive waits for a file that cannot be written."""


class Screen(Protocol):
    """Shows the dialogue to whoever sits beside the driver."""

    def said(self, text: str, why: str) -> None:
        """Something is being spoken."""

    def heard(self, heard: Heard, state: State) -> None:
        """An utterance was recognised and matched, before the dialogue takes it in `state`."""

    def moved(self, state: State) -> None:
        """The dialogue has taken something in."""

    def told(self, text: str) -> None:
        """Something about a device, the engine or the disk."""


@dataclass(frozen=True)
class Timing:
    """How long one utterance took."""

    seconds: float
    """Length of the utterance, s."""
    to_text: float
    """From the end of the utterance (the endpointer's pause included) to what was heard, s."""
    to_voice: float
    """From there on: until the read-back or question begins to play, s; the endpointing pause is not in it."""


class DriveLoop:
    """One drive."""

    def __init__(
        self,
        file: SessionFile,
        state: State,
        unit: Unit,
        source: AudioSource,
        hearing: Hearing,
        speaker: Callable[[Callable[[Spoken], None]], Speaker],
        screen: Screen,
        *,
        kept: str,
        keep_clips: bool = True,
        half_duplex: bool = True,
    ) -> None:
        """Everything is open already, and closed by whoever opened it, but for the speaker, which is made here.

        kept: the spoken sentence on what is kept and where. half_duplex: what is said over a prompt is not
        matched, except "hold"; off where the prompts cannot get into the sound.
        """
        self.state = state
        self.file = file
        self._unit = unit
        self._source = source
        self._hearing = hearing
        self._screen = screen
        self._kept = kept
        self._keep_clips = keep_clips
        self._half_duplex = half_duplex
        self._endpointer = Endpointer()
        self._echo = EchoCanceller()
        self._inbox: deque[tuple[Happening, Samples | None]] = deque()
        self._sound_at = time.monotonic()
        self._broken_off = False
        self._commanded_at = 0.0  # seconds of the stream
        self._retry_at = 0.0
        self._stuck = False
        self._seen = max((event.seq or 0 for event in file.events()), default=0)
        self._polled = 0.0
        self._quiet_since = time.monotonic()
        self._ended_at: tuple[float, float, float] | None = None
        self.timings: list[Timing] = []
        self.first_prompt_at: float | None = None
        """`time.monotonic()` when the first prompt began to play."""
        self.speaker = speaker(self._spoke)

    def run(self) -> None:
        """Run until the drive is finished or the source has ended. Raises UserError when it cannot go on."""
        try:
            self.take(Begin(self._kept))
            was_busy = False
            while not self.state.ended:
                samples = self._source.read()
                if samples is None:
                    self._listen(self._endpointer.flush())
                    break
                self._watch_for_break(len(samples))
                busy = self._half_duplex and self.speaker.busy
                if self._half_duplex:
                    samples = self._echo.clean(samples, self.speaker.playing)
                if busy and not was_busy:
                    self._endpointer.prompt(True)
                if self._half_duplex:
                    self._watch(samples, busy)
                self._listen(self._endpointer.push(samples))
                if was_busy and not busy:  # what was held back of the prompt is in by now
                    self._endpointer.prompt(False)
                was_busy = busy
                self.look_around()
        finally:
            self._drain()
            self.speaker.wait(30.0)

    def _drain(self) -> None:
        """Before the end: what the file could not take yet is tried until it can, or for a good while."""
        limit = time.monotonic() + DRAIN_SECONDS
        while self._inbox and time.monotonic() < limit:
            time.sleep(max(0.0, min(self._retry_at, limit) - time.monotonic()))
            self._work()
        for happening, _ in self._inbox:
            if isinstance(happening, Heard):
                self._screen.told(f"NOT STORED: \u201c{happening.record.get('text', '')}\u201d")

    def settle(self) -> None:
        """Wait until all is said, and see to what came in meanwhile: a recording begins after that."""
        self.speaker.wait()
        self.look_around()

    def look_around(self) -> None:
        """See to everything but the sound: devices, the passenger, the clock, what is still to be written."""
        troubles = [*self._source.troubles(), *self.speaker.troubles(), *self._hearing.troubles()]
        if self._half_duplex and self.speaker.busy:
            # Behind a prompt, never into the pause in which the driver answers. Recordings are not judged:
            # nobody can speak up in them.
            troubles += self._endpointer.troubles()
        for text in troubles:
            self.take(Trouble(text))
        now = time.monotonic()
        if now - self._polled >= POLL_SECONDS:
            self._polled = now
            self._poll()
        if self._inbox and now >= self._retry_at:
            self._work()
        if self.speaker.busy or self._endpointer.speaking:
            self._quiet_since = now
        elif self._half_duplex and now - self._quiet_since > SILENCE_SECONDS:
            self._quiet_since = now
            self.take(Silence())

    def take(self, happening: Happening, samples: Samples | None = None) -> None:
        """Take something in that happened; `samples` are the sound of an utterance."""
        self._inbox.append((happening, samples))
        self._work()

    # Hearing.

    def _watch_for_break(self, samples: int) -> None:
        """When the microphone goes away in the middle of an utterance, end it: it is half a sentence."""
        now = time.monotonic()
        if samples:
            self._sound_at = now
        elif self._endpointer.speaking and now - self._sound_at > BREAK_SECONDS:
            self._broken_off = True
            self._listen(self._endpointer.flush())
            self._broken_off = False

    def _watch(self, samples: Samples, busy: bool) -> None:
        """Listen for commands over the prompt that plays."""
        spotted = self._hearing.watch(samples, self._echo.subtracted, busy)
        if spotted is None:
            return
        self._commanded_at = self._endpointer.position
        heard, utterance = self._hearing.understand(spotted, self.state)
        if spotted.command in ("strike", "skip"):  # "hold" stops it by itself, after "again" it is said again
            self.speaker.hush(but="caution")
        self._take_heard(heard, utterance)

    def _listen(self, cuts: list[Cut]) -> None:
        for cut in cuts:
            if isinstance(cut, Began):
                self._hearing.start()
                self._hearing.feed(cut.samples)
            elif isinstance(cut, Went):
                self._hearing.feed(cut.samples)
            elif isinstance(cut, Paused):
                self._hearing.pause()
            else:
                self._understand(cut.utterance)

    def _understand(self, utterance: Utterance) -> None:
        began = time.monotonic()
        heard = self._hearing.finish(utterance, self.state)
        if utterance.over_prompt and (self._hearing.watches or heard.command != "hold"):
            return  # the prompt's own echo, or talk over it
        if utterance.start < self._commanded_at:
            return  # the end of a command that was heard over the prompt
        if self._broken_off:  # half a sentence may say the opposite of the whole
            heard = replace(
                heard, decision="ask", finding=None, command=None, alternatives=(), more=(), ask=BROKEN_OFF
            )
        seconds = len(utterance.samples) / 16_000
        now = time.monotonic()
        self._ended_at = (seconds, now - began, began)
        self._take_heard(heard, utterance)

    def _take_heard(self, heard: Heard, utterance: Utterance) -> None:
        self._screen.heard(heard, self.state)
        if self._keep_clips and (not self._is_overheard(heard) or self.file.room() > OVERHEARD_LEAST_ROOM):
            heard = replace(heard, record={**heard.record, "clip": clip_id(utterance.samples)})
        self.take(heard, utterance.samples)
        self._quiet_since = time.monotonic()

    def _spoke(self, spoken: Spoken) -> None:
        """The speaker's thread begins to play something."""
        if self.first_prompt_at is None and spoken.why != "opening":
            self.first_prompt_at = spoken.at
        if self._ended_at is not None:
            seconds, to_text, began = self._ended_at
            self._ended_at = None
            self.timings.append(Timing(seconds, to_text, spoken.at - began))

    # One happening after another.

    def _work(self) -> None:
        while self._inbox:
            happening, samples = self._inbox[0]
            try:
                actions = self._take_in(happening, samples)
            except StorageError as error:
                if self._is_overheard(happening):
                    self._inbox.popleft()
                    continue
                self._retry_at = time.monotonic() + RETRY_SECONDS
                if not self._stuck:
                    self._stuck = True
                    self._screen.told(f"{error}; trying again")
                    self.speaker.say("Not logged: the session file cannot be written. I keep trying.", "trouble")
                return
            self._stuck = False
            self._inbox.popleft()
            for action in actions:
                self._do(action)

    def _take_in(self, happening: Happening | None, samples: Samples | None = None) -> list[Action]:
        """Make what happened part of the session, in one transaction, after what others wrote before it.

        The file is locked meanwhile, so that the dialogue sees the same order as the file.
        """
        state, actions = self.state, list[Action]()
        with self.file.together():
            fresh = self.file.events(after=self._seen)
            happenings: list[Happening] = [Others(event) for event in fresh if self._is_anothers(event)]
            for each in happenings if happening is None else [*happenings, happening]:
                state, more = advance(state, each)
                actions += more
            seen = fresh[-1].seq if fresh else self._seen
            for action in actions:
                if isinstance(action, Store):
                    if action.kind in ("heard", "overheard") and samples is not None and action.data.get("clip"):
                        self.file.add_clip(samples)
                    seen = self.file.append(action.kind, action.data, id=action.id).seq
        self.state, self._seen = state, seen or 0
        self._screen.moved(state)
        return actions

    def _is_overheard(self, happening: Happening) -> bool:
        """Whether it is talk not for the tool: never worth the disk's last room, or that anything waits for it."""
        return isinstance(happening, Heard) and happening.decision == "ignore" and not self.state.noting

    def _poll(self) -> None:
        try:
            if not any(self._is_anothers(event) for event in self.file.events(after=self._seen)):
                return
            actions = self._take_in(None)
        except StorageError:
            return  # the next poll finds them again
        for action in actions:
            self._do(action)

    def _is_anothers(self, event: Event) -> bool:
        return not event.id.startswith(f"{self.state.run}-")

    # Doing.

    def _do(self, action: Action) -> None:
        match action:
            case Say(text, why):
                self._screen.said(text, why)
                self.speaker.say(text, why)
            case Show(text):
                self._screen.told(text)
            case Hush():
                self.speaker.hush()
            case Expect(step):
                self._hearing.expect(step)
            case Deduce():
                self._inbox.append((Deduced(self._deduction()), None))

    def _deduction(self) -> dict[str, Any] | None:
        try:
            return deduction(self._unit, self.state.view)
        except UserError as error:
            self._screen.told(f"deduction: {error}")
            return None


def deduction(unit: Unit, view: SessionView) -> dict[str, Any]:
    """Deduce from a session as it stands, the shop's confirmed cases counted in.

    Raises UserError when a finding cannot be used.
    """
    done = frozenset(view.steps_done) - view.steps_skipped
    context = Context.from_intake({**view.started, **view.intake})
    return deduce(unit, view.findings(), context=context, done=done, priors=shop_priors(unit.name)).to_json()

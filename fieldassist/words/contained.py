"""A speech engine in a process of its own, so that its crash or hang costs a moment and not the drive."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from fieldassist.errors import UserError
from fieldassist.phrases.automaton import Automaton
from fieldassist.words.recognizer import SAMPLE_RATE, Hypothesis, Samples
from fieldassist.words.worker import Worker, WorkerLost

FEED_SECONDS = 6.0
"""Longest wait for the engine to take a stretch of audio, beyond the stretch's own length."""
FINISH_SECONDS = 10.0
"""Longest wait for what was heard."""
LOAD_SECONDS = 120.0
"""Longest wait for the engine to load, or to take new phrases."""

_LONGEST_KEPT = 120 * SAMPLE_RATE


class ContainedEngine:
    """A `Recognizer` that outlives the engine behind it.

    The audio of the utterance under way is kept. When the engine dies or stops answering it is started anew,
    told the phrases and offered that audio again from the beginning. Audio that kills it a second time is
    given up: it is heard as nothing, and `report` says so, in words for the driver.
    """

    def __init__(
        self,
        name: str | None = None,
        model: str | Path | None = None,
        report: Callable[[str], None] | None = None,
        factory: str = "fieldassist.words.engines:open_engine",
    ) -> None:
        """Start the engine: `name` and `model` as for `open_engine`; `factory` is what builds it.

        Raises UserError as `open_engine` does, or when the engine does not survive its start.
        """
        self._arguments = (name, model)
        self._factory = factory
        self._report = report
        self._expected: tuple[str, tuple[object, ...]] | None = None
        self._told: object = None
        self._missing: tuple[str, ...] = ()
        self._watched: object = None
        self._kept: list[Samples] = []
        self._given_up = False
        self.restarts = 0
        try:
            self._worker = self._open()
            self.name: str = self._worker.get("name", within=FEED_SECONDS)
            self.weighs_talk: bool = self._worker.get("weighs_talk", within=FEED_SECONDS)
        except WorkerLost as error:
            raise UserError(f"speech engine {name or ''}: it does not survive its start ({error})") from None

    @property
    def pid(self) -> int:
        """Process id of the engine's process."""
        return self._worker.pid

    def use_phrases(self, phrases: Sequence[str]) -> tuple[str, ...]:
        """Expect these phrases from the next utterance on; return the words that the engine lacks."""
        self._expected, self._told = ("use_phrases", (tuple(phrases),)), None
        missing: tuple[str, ...] = self._persistently("use_phrases", tuple(phrases), within=LOAD_SECONDS)
        return missing

    def use_automaton(self, automaton: Automaton) -> tuple[str, ...]:
        """Expect the sentences of a compiled grammar; return the words that the engine lacks.

        The very automaton that it expects already is not sent again: a drive has one for all its steps.
        """
        if self._told is not automaton:
            self._expected = ("use_automaton", (automaton,))
            self._missing = self._persistently("use_automaton", automaton, within=LOAD_SECONDS)
            self._told = automaton
        return self._missing

    def expect_by(self, function: str, *arguments: object) -> tuple[str, ...]:
        """Let a function, named `package.module:name`, tell the engine in its own process what to expect; return
        what it returns: the words that the engine lacks.

        It is called with the engine and the arguments; the same twice in a row is called once.
        """
        expected = (function, arguments)
        if self._told != expected:
            self._expected = expected
            self._missing = self._persistently(function, *arguments, within=LOAD_SECONDS)
            self._told = expected
        return self._missing

    def watch_for(self, watched: Sequence[tuple[Automaton, float]]) -> bool:
        """Watch a stream for these sentences (and what each costs, nats) beside the utterances.

        False where the engine cannot.
        """
        can: bool = self._worker.call("watch_for", watched, within=LOAD_SECONDS)
        self._watched = watched if can else None
        return can

    def watch(self, samples: Samples, anew: bool) -> str:
        """Take a stretch of the stream that is watched; return the words of the sentences in it so far.

        When the engine is lost here, so is what it watched: the stream is not offered again.
        """
        try:
            text: str = self._worker.call("watch", samples, anew, within=FEED_SECONDS)
            return text
        except WorkerLost:
            self._offer_again()
            return ""

    def start(self) -> None:
        """Begin an utterance, dropping one that was not finished."""
        self._kept = []
        self._given_up = False
        self._persistently("start", within=FEED_SECONDS)

    def feed(self, samples: Samples) -> str:
        """Take a stretch of audio; return the partial text so far."""
        self._kept.append(samples)
        if sum(len(piece) for piece in self._kept) > _LONGEST_KEPT:
            self._kept.pop(0)
        if self._given_up:
            return ""
        try:
            text: str = self._worker.call("feed", samples, within=FEED_SECONDS + len(samples) / SAMPLE_RATE)
            return text
        except WorkerLost:
            return self._offer_again()

    def pause(self) -> None:
        """Hear that the speaker pauses; the engine may decode what it has."""
        if self._given_up:
            return
        try:
            self._worker.call("pause", within=FINISH_SECONDS)
        except WorkerLost:
            self._offer_again()

    def finish(self) -> Hypothesis:
        """End the utterance and return what was heard."""
        heard = Hypothesis("", (), 0.0)
        if not self._given_up:
            try:
                heard = self._worker.call("finish", within=FINISH_SECONDS)
            except WorkerLost:
                self._offer_again()
                if not self._given_up:
                    heard = self._finish_or_give_up()
        self._kept = []
        return heard

    def hear_once(self, samples: Samples, automaton: Automaton) -> Hypothesis:
        """Hear a stretch by itself as one of an automaton's sentences; `restore` has to follow before the next."""
        try:
            self._worker.call("use_automaton", automaton, within=LOAD_SECONDS)
            self._worker.call("start", within=FEED_SECONDS)
            self._worker.call("feed", samples, within=FEED_SECONDS + len(samples) / SAMPLE_RATE)
            heard: Hypothesis = self._worker.call("finish", within=FINISH_SECONDS)
            return heard
        except WorkerLost:
            self._restart()
            self._say("The speech engine stopped and has been started again.")
            return Hypothesis("", (), 0.0)

    def restore(self) -> None:
        """Expect again what was expected before `hear_once`."""
        if self._expected is not None:
            method, arguments = self._expected
            self._persistently(method, *arguments, within=LOAD_SECONDS)

    def close(self) -> None:
        """End the engine's process."""
        self._worker.close()

    def _finish_or_give_up(self) -> Hypothesis:
        try:
            heard: Hypothesis = self._worker.call("finish", within=FINISH_SECONDS)
            return heard
        except WorkerLost:
            self._give_up()
            return Hypothesis("", (), 0.0)

    def _offer_again(self) -> str:
        """Start the engine anew and feed it the utterance so far; give the utterance up if that fails too."""
        self._restart()
        self._say("The speech engine stopped and has been started again.")
        audio = np.concatenate(self._kept) if self._kept else np.zeros(0, np.int16)
        try:
            self._worker.call("start", within=FEED_SECONDS)
            text: str = self._worker.call("feed", audio, within=FEED_SECONDS + len(audio) / SAMPLE_RATE)
            return text
        except WorkerLost:
            self._give_up()
            return ""

    def _give_up(self) -> None:
        self._given_up = True
        self._restart()
        self._say("The speech engine failed on that one. Please say it again.")

    def _persistently(self, method: str, *arguments: object, within: float) -> tuple[str, ...]:
        """Call a method; once more on a fresh engine when the first one is lost."""
        try:
            result: tuple[str, ...] = self._worker.call(method, *arguments, within=within)
            return result
        except WorkerLost:
            self._restart()
            self._say("The speech engine stopped and has been started again.")
        try:
            result = self._worker.call(method, *arguments, within=within)
            return result
        except WorkerLost as error:
            raise UserError(f"speech engine {self.name}: stopped twice in {method} ({error})") from None

    def _restart(self) -> None:
        self._worker.close()
        self.restarts += 1
        try:
            self._worker = self._open()
            if self._watched is not None:
                self._worker.call("watch_for", self._watched, within=LOAD_SECONDS)
            if self._expected is not None:
                method, arguments = self._expected
                self._worker.call(method, *arguments, within=LOAD_SECONDS)
        except WorkerLost as error:
            raise UserError(f"speech engine {self.name}: cannot be started again ({error})") from None

    def _open(self) -> Worker:
        return Worker(self._factory, *self._arguments, ready_within=LOAD_SECONDS)

    def _say(self, text: str) -> None:
        if self._report is not None:
            self._report(text)

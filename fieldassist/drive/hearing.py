"""From an utterance to what the dialogue takes in: engine, phrases and matcher, for the step at hand."""

from __future__ import annotations

import math
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from fieldassist.deduce.step import Step
from fieldassist.drive.dialogue import Heard, State
from fieldassist.drive.listening import expect_car
from fieldassist.drive.over_prompt import OverPrompt, Spotted, commands, watched
from fieldassist.finding import Finding
from fieldassist.phrases import Match, Matcher, load_phrases
from fieldassist.phrases.compose import corrected
from fieldassist.phrases.matcher import asked_back
from fieldassist.phrases.phrase_set import MOST_GEARS
from fieldassist.phrases.plausibility import implausible
from fieldassist.phrases.read_off import tells_unit
from fieldassist.phrases.readback import say_finding
from fieldassist.sound.endpoint import Utterance
from fieldassist.words.contained import ContainedEngine
from fieldassist.words.recognizer import SAMPLE_RATE, Hypothesis, Samples

HOLD_LONGEST = 2.5
"""Seconds of an utterance over a prompt that may be "hold": with pauses at both ends 113 of them in cabin noise
took 1.0 to 1.8 s, stretches of a prompt that came back nearly always more than this."""
HOLD_ALLOWANCE = 0.6
"""By how much (log odds of the confidence) another sentence may fit better than "hold" over a prompt. Of the 113,
some under what the canceller had left of the echo, 85 to 90 % lay within it; of the recorded drive's short answers
one or two in 27, of single words by real people (the hardest case) nearly two in five."""
HOLD_LEAST = 0.18
"""Confidence that it takes in any case."""


class Hearing:
    """A speech engine in a process of its own, told what to expect, and the matcher behind it."""

    gears = MOST_GEARS
    """Forward gears of the unit: nobody speaks of more."""
    _ready: Future[None] | None = None
    _under_way = False
    """An utterance has begun: the engine is left alone until it has ended."""
    _later: tuple[Step | None] | None = None
    """What to expect after it."""
    watches: bool | None = None
    """Whether the engine watches for commands over a prompt; None before it was asked."""

    def __init__(
        self, engine: str | None = None, model: str | Path | None = None, gears: int = MOST_GEARS
    ) -> None:
        """Start the engine. Raises UserError for an unknown engine, or a model that is missing or broken."""
        self._told: list[str] = []
        self.gears = gears
        self.phrases = load_phrases()
        self.engine = ContainedEngine(engine, model, report=self._told.append)
        self._in_background = ThreadPoolExecutor(1, "phrases")
        self._beside = ThreadPoolExecutor(1, "matcher")
        self._wordings = self._beside.submit(commands, self.phrases)  # first: the engine waits for them
        self._matcher = self._beside.submit(Matcher, self.phrases)  # not needed before the first answer
        self.over_prompt: OverPrompt | None = None
        """Where the engine can watch for commands, what it listens with."""
        self._unwatched: list[tuple[Samples, bool]] = []

    @property
    def matcher(self) -> Matcher:
        """The matcher, as soon as it is ready. Raises UserError for grammars that cannot be used."""
        return self._matcher.result()

    def expect(self, step: Step | None) -> None:
        """From the next utterance on, expect what is said at this step; everything else stays possible.

        It is made ready while the prompt is spoken; an error comes out when the utterance begins.
        """
        if self._under_way:
            self._later = (step,)
            return
        self._ready = self._in_background.submit(self._expect, step)

    def start(self) -> None:
        """Begin an utterance. Raises UserError when the engine cannot take what it is to expect."""
        if self._ready is not None:
            self._ready.result()
            self._ready = None
        self._under_way = True
        self.engine.start()

    def watch(self, suppressed: Samples, subtracted: Samples, prompting: bool) -> Spotted | None:
        """Take a stretch of the stream, with the prompts suppressed and with them only subtracted (equally long);
        return a command that was said over a prompt. While the engine is made ready for a step it waits."""
        if self._ready is not None and self._ready.done():
            self._ready.result()
            self._ready = None
        if self.over_prompt is None:
            return None
        listening = self.over_prompt.listens(prompting, len(subtracted))
        part = self.over_prompt.take(suppressed, subtracted, listening)
        if part is not None:
            self._unwatched.append(part)
        if self._ready is not None:
            return None
        spotted = None
        for samples, anew in self._unwatched:
            if len(samples):
                spotted = self.over_prompt.look(self.engine.watch(samples, anew)) or spotted
        self._unwatched.clear()
        return spotted

    def understand(self, spotted: Spotted, state: State) -> tuple[Heard, Utterance]:
        """Return what a command over a prompt means, and the utterance that it was."""
        begin = spotted.end - len(spotted.samples) / SAMPLE_RATE
        utterance = Utterance(spotted.samples, max(0.0, begin), spotted.end, over_prompt=True)
        kept = record(Hypothesis(spotted.text, (), 1.0), self.engine.name, utterance)
        return Heard("accept", command=spotted.command, record=kept), utterance

    def _expect(self, step: Step | None) -> None:
        if self.watches is None:
            wordings = self._wordings.result()
            self.watches = self.engine.watch_for(watched(wordings))
            self.over_prompt = OverPrompt(wordings) if self.watches else None
        expect_car(self.engine, self.gears)

    def feed(self, samples: Samples) -> None:
        """Take a stretch of it."""
        self.engine.feed(samples)

    def pause(self) -> None:
        """Take note that the speaker pauses: the engine may decode what it has."""
        self.engine.pause()

    def finish(self, utterance: Utterance, state: State) -> Heard:
        """End the utterance: what was heard, and what it means where the dialogue stands."""
        hypothesis = self.engine.finish()
        heard = heard_from(hypothesis, self.matcher, state, record(hypothesis, self.engine.name, utterance))
        if utterance.over_prompt and heard.command != "hold" and not self.watches:
            heard = self._as_hold(utterance, state, hypothesis.confidence) or heard
        self._under_way = False
        if self._later is not None:
            (step,), self._later = self._later, None
            self.expect(step)
        return heard

    def _as_hold(self, utterance: Utterance, state: State, otherwise: float) -> Heard | None:
        """Hear a short utterance over a prompt once more as nothing but "hold": None when that fits too badly.

        What is left of a word under the echo of a prompt often fits one of the thousands of other sentences a
        little better. `otherwise`: the confidence with which it was one of them.
        """
        if len(utterance.samples) > HOLD_LONGEST * SAMPLE_RATE:
            return None
        hypothesis = self.engine.hear_once(utterance.samples, self.phrases.rule("commands.hold").without_tags())
        self._ready = self._in_background.submit(self.engine.restore)
        if _log_odds(hypothesis.confidence) < max(_log_odds(otherwise) - HOLD_ALLOWANCE, _log_odds(HOLD_LEAST)):
            return None
        heard = heard_from(hypothesis, self.matcher, state, record(hypothesis, self.engine.name, utterance))
        return replace(heard, decision="accept") if heard.command == "hold" else None

    def troubles(self) -> tuple[str, ...]:
        """Return what happened to the engine since last asked: in words for the driver."""
        told = tuple(self._told)
        del self._told[: len(told)]
        return told

    def close(self) -> None:
        """End the engine's process."""
        self._in_background.shutdown(cancel_futures=True)
        self._beside.shutdown(cancel_futures=True)
        self.engine.close()


def _log_odds(probability: float) -> float:
    bounded = min(max(probability, 1e-9), 1.0 - 1e-9)
    return math.log(bounded / (1.0 - bounded))


def record(hypothesis: Hypothesis, engine: str, utterance: Utterance) -> dict[str, Any]:
    """Return what a `heard` event keeps of an utterance, but for its clip and what was made of it."""
    return {
        "start": round(utterance.start, 3),
        "end": round(utterance.end, 3),
        "text": hypothesis.text,
        "words": [asdict(word) for word in hypothesis.words],
        "confidence": round(hypothesis.confidence, 4),
        "engine": engine,
    }


def heard_from(
    hypothesis: Hypothesis | str, matcher: Matcher, state: State, kept: dict[str, Any] | None = None
) -> Heard:
    """Match an utterance where the dialogue stands. Pure but for the matcher's caches."""
    match = match_at(hypothesis, matcher, state)
    return Heard(
        decision=match.decision,
        finding=match.finding,
        command=match.command,
        alternatives=match.alternatives,
        more=match.more,
        score=round(match.score, 4),
        assumed=match.assumed,
        ask=match.say if match.decision == "ask" else "",
        record=kept or {},
    )


def match_at(hypothesis: Hypothesis | str, matcher: Matcher, state: State) -> Match:
    """Match with the step's expectation; the answer to a question and a bare correction ("make that two three")
    change the finding that they speak of."""
    item = state.current
    step = item.step if item is not None else None
    if state.question is not None and state.question.choices:
        return matcher.match(hypothesis, step, previous=state.question.choices[0])
    match = matcher.match(hypothesis, step)
    last = last_finding(state) if match.command == "no" else None
    if last is not None and match.finding is None and match.changes:
        return matcher.match(hypothesis, step, previous=last)
    if last is None or match.finding is None or match.more:
        return match
    changed = corrected(match.finding, last, match.assumed, tells_unit(match.understood.split()))
    if changed == match.finding or implausible(changed, step) is not None:
        return match
    match = replace(match, finding=changed, say=say_finding(changed), assumed=())
    return asked_back(match) if match.decision == "ask" else match


def last_finding(state: State) -> Finding | None:
    """Return the finding that a correction speaks of: the driver's last one that was not struck."""
    entries = (e for e in reversed(state.view.entries) if e.state != "struck" and e.history[0].by == "driver")
    return next((entry.finding for entry in entries), None)

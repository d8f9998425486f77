"""Hears prepared clips with one engine in a process of its own, so that time and memory are that engine's.

    python -m fieldassist.bench.speech_worker JOB.json RESULT.json [--fill-caches]
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from fieldassist.bench.peers import PEERS, open_peer
from fieldassist.bench.usage import most_resident
from fieldassist.deduce import load_unit, steps_for
from fieldassist.deduce.step import Step
from fieldassist.drive.checklist import load_checklist
from fieldassist.drive.dialogue import bare_answer
from fieldassist.phrases import Match, Matcher, load_phrases
from fieldassist.phrases.automaton import Automaton, compile_grammar
from fieldassist.phrases.jsgf import read_grammar
from fieldassist.phrases.slots import best_reading
from fieldassist.record.projection import SessionView
from fieldassist.sound.endpoint import Began, Ended, Endpointer, Paused, Went
from fieldassist.words.engines import open_engine
from fieldassist.words.recognizer import SAMPLE_RATE, Hypothesis, Recognizer, Samples

_STRETCH = SAMPLE_RATE // 10
"""Samples fed at a time, as a microphone hands them over."""


@dataclass
class Heard:
    """What one utterance of a clip became."""

    text: str
    decision: str
    """accept | ask | ignore"""
    findings: list[dict[str, Any]]
    command: str | None
    score: float
    margin: float
    at: float
    """Second of the clip at which the endpointer closed the utterance."""
    work: float
    """Seconds of computing from there to the decision: processor time, which a busy machine does not blur."""


@dataclass
class Outcome:
    """What one clip gave."""

    heard: list[Heard] = field(default_factory=list)
    slots: dict[str, str] | None = None
    seconds: float = 0.0
    cpu: float = 0.0


@dataclass
class Cost:
    """What the process cost."""

    start: float
    """Seconds to load the engine and the phrases of the first step, with the caches of an earlier start."""
    megabytes: float
    """Largest resident size of the whole process."""


class FindingEar:
    """Endpointer, engine and matcher as on the road, fed a tenth of a second at a time."""

    def __init__(self, job: dict[str, Any]) -> None:
        unit = load_unit(job["unit"])
        self._engine = open_named(job["engine"], job["model"])
        phrases = load_phrases()
        if (use := getattr(self._engine, "use_promised", None)) is not None:  # dictation knows no grammars
            use(phrases.to_listen_for(len(unit.forward), self._engine.weighs_talk))
        self._matcher = Matcher(phrases)
        self._steps = {step.id: step for step in steps_for(unit)}
        self._answers = BareAnswers(tuple(self._steps.values()))
        self._step: Step | None = None

    def expect(self, step: str) -> None:
        """Say which step is under way."""
        self._step = self._steps[step]

    def hear(self, samples: Samples, cut: bool) -> Outcome:
        """Hear one clip, always as the endpointer cuts it."""
        outcome = Outcome()
        for hypothesis, at, begin in _utterances(self._engine, samples):
            match = self._answers.taken(self._matcher.match(hypothesis, self._step), self._step)
            outcome.heard.append(as_heard(hypothesis.text, match, at, time.process_time() - begin))
        return outcome


def _utterances(engine: Recognizer, samples: Samples) -> Iterator[tuple[Hypothesis, float, float]]:
    """What is heard in a clip as on the road, the second at which it ends, and the processor time then."""
    endpointer = Endpointer()
    for at in range(0, len(samples) + _STRETCH, _STRETCH):
        begin = time.process_time()
        cuts = endpointer.push(samples[at : at + _STRETCH]) if at < len(samples) else endpointer.flush()
        for cut in cuts:
            if isinstance(cut, Began):
                engine.start()
                engine.feed(cut.samples)
            elif isinstance(cut, Went):
                engine.feed(cut.samples)
            elif isinstance(cut, Paused):
                engine.pause()
            elif isinstance(cut, Ended):
                yield engine.finish(), endpointer.position, begin


class BareAnswers:
    """What a bare yes or no says at the steps that ask for one, as the drive takes it."""

    def __init__(self, steps: Sequence[Step]) -> None:
        self._items = {item.id: item for item in load_checklist("road_test", steps).items}

    def taken(self, match: Match, step: Step | None) -> Match:
        """Return the match with the finding that its yes or no stands for; any other as it is."""
        item = self._items.get(step.id) if step is not None and match.finding is None else None
        answer = bare_answer(item, match.command, match.understood, SessionView())
        return match if answer is None else replace(match, command=None, finding=answer)


def as_heard(text: str, match: Match, at: float, work: float) -> Heard:
    """Keep what the benchmark needs of a match."""
    findings = [finding.to_json() for finding in (match.finding, *match.more) if finding is not None]
    score, margin = round(match.score, 3), round(match.margin, 3)
    return Heard(text, match.decision, findings, match.command, score, margin, at, work)


class SlotEar:
    """An engine that expects any grammar, and the slots of what it heard."""

    def __init__(self, job: dict[str, Any]) -> None:
        self._grammar = read_grammar(job["grammar"])
        self._engine = open_named(job["engine"], job["model"])
        _tell(self._engine, lambda: compile_grammar(self._grammar).without_tags())

    def expect(self, step: str) -> None:
        """There are no steps."""

    def hear(self, samples: Samples, cut: bool) -> Outcome:
        """Hear a clip, whole or as the endpointer cuts it; two utterances with slots are no order."""
        if cut:
            hypotheses = [hypothesis for hypothesis, _, _ in _utterances(self._engine, samples)]
        else:
            self._engine.start()
            self._engine.feed(samples)
            hypotheses = [self._engine.finish()]
        heard, found = [], []
        for hypothesis in hypotheses:
            readings = ((hypothesis.text, hypothesis.confidence), *hypothesis.alternatives)
            reading = best_reading(self._grammar, readings)
            heard.append(Heard(hypothesis.text, "accept" if reading else "ignore", [], None, 0.0, 0.0, 0.0, 0.0))
            if reading is not None:
                found.append(reading.slots)
        return Outcome(heard, found[0] if len(found) == 1 else None)


def _tell(engine: Recognizer, grammar: Callable[[], Automaton]) -> None:
    """Tell an engine what can be said, as the product does; dictation knows no grammars."""
    if (use := getattr(engine, "use_automaton", None)) is not None:
        use(grammar())


def open_named(name: str, model: str | None) -> Recognizer:
    """Open `ours` (Vosk), `sphinx` or a peer."""
    if name in PEERS:
        return open_peer(name)
    return open_engine("vosk" if name == "ours" else name, model if name == "ours" else None)


def main(job_path: str, result_path: str, *options: str) -> int:
    """Run a job: {"engine", "model", "unit", "clips": [{"file", "step", "cut"}],
    "grammar": FILE or null}. With --fill-caches the engine is only told what it will have to expect."""
    job = json.loads(Path(job_path).read_text(encoding="utf-8"))
    begin = time.perf_counter()
    ear: SlotEar | FindingEar = SlotEar(job) if job.get("grammar") else FindingEar(job)
    ear.expect(job["clips"][0]["step"])
    start = time.perf_counter() - begin
    if "--fill-caches" in options:
        for step in dict.fromkeys(clip["step"] for clip in job["clips"]):
            ear.expect(step)
        return 0
    outcomes = []
    for number, clip in enumerate(job["clips"], 1):
        samples = np.load(clip["file"])
        ear.expect(clip["step"])
        before = time.process_time()
        outcome = ear.hear(samples, clip["cut"])
        outcome.cpu = time.process_time() - before
        outcome.seconds = len(samples) / SAMPLE_RATE
        outcomes.append(asdict(outcome))
        if number % 20 == 0 or number == len(job["clips"]):
            print(f"{job['engine']}: {number} of {len(job['clips'])} clips", file=sys.stderr, flush=True)
    cost = Cost(start, most_resident())
    Path(result_path).write_text(json.dumps({"outcomes": outcomes, "cost": asdict(cost)}), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))

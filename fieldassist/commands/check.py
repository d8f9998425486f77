"""`fieldassist check`: microphone, output, speech model, voice and disk, one line each with the remedy."""

from __future__ import annotations

import argparse
import json
import shutil
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fieldassist.commands.hear import hear, utterances_of
from fieldassist.deduce import load_unit, steps_for
from fieldassist.deduce.step import Step
from fieldassist.drive.listening import expect_car
from fieldassist.drive.scenario import Line as Clip
from fieldassist.drive.scenario import is_meant, load_scenario
from fieldassist.errors import UserError
from fieldassist.phrases import Match, Matcher, load_phrases
from fieldassist.resources import shipped
from fieldassist.sound.devices import default_device
from fieldassist.sound.level import LevelMeter
from fieldassist.sound.player import Player
from fieldassist.sound.source import Microphone
from fieldassist.sound.voice import Voice
from fieldassist.words.contained import ContainedEngine
from fieldassist.words.models import SHIPPED_MODEL, Preference, find_model, read_preference, write_preference
from fieldassist.words.recognizer import Samples

LISTEN_SECONDS = 4.0
SAY = "Sound check. Say: flare, two three."
LEAST_DISK = 500e6
"""Bytes: a drive of four hours with its clips stays below half of that."""

_TRIED_PHRASE = "two three flare"


@dataclass(frozen=True)
class Line:
    """The outcome of one check."""

    part: str
    good: bool
    text: str

    def __str__(self) -> str:
        return f"{self.part:<13}{'ok  ' if self.good else 'NO  '}{self.text}"


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `fieldassist check`."""
    parser.add_argument("--speech", action="store_true", help="compare the speech engines and keep the better one")
    parser.add_argument("--model", metavar="DIR", help="Vosk model folder to look at")
    parser.add_argument("--json", action="store_true", help="one JSON object per line")


def run(args: argparse.Namespace) -> int:
    """Print one line for each part; return 0 when all is well, 1 when something is to be done."""
    lines = compare_engines(args.model) if args.speech else check_all(args.model)
    good = True
    for line in lines:
        good = good and line.good
        print(json.dumps(vars(line)) if args.json else line, flush=True)
    return 0 if good else 1


def check_all(model: str | None) -> Iterator[Line]:
    """Yield the outcome for each part, in the order in which they are needed."""
    voice = Voice()
    try:
        prompt, voice_line = check_voice(voice)
        yield voice_line
        yield check_output(prompt)
        yield check_microphone()
    finally:
        voice.close()
    yield check_speech(model)
    yield check_disk(Path.cwd())


def check_voice(voice: Voice) -> tuple[Samples, Line]:
    """Render the prompt of this check."""
    try:
        began = time.monotonic()
        prompt = voice.render(SAY)
    except UserError as error:
        return np.zeros(0, np.int16), Line("voice", False, str(error))
    milliseconds = 1000 * (time.monotonic() - began)
    return prompt, Line("voice", True, f"speaks; the first prompt took {milliseconds:.0f} ms")


def check_output(prompt: Samples) -> Line:
    """Play it through the default output."""
    try:
        device = default_device("output")
    except UserError as error:
        return Line("output", False, str(error))
    if device is None:
        return Line("output", False, "no device: plug one in, or choose one in the sound settings")
    player = Player()
    player.play(prompt).wait(15)
    troubles = player.troubles()
    return Line("output", not troubles, troubles[0] if troubles else f"played on {device.name}: did you hear it?")


def check_microphone() -> Line:
    """Listen for some seconds and judge level and noise."""
    try:
        microphone = Microphone()
    except UserError as error:
        return Line("microphone", False, str(error))
    meter = LevelMeter()
    end = time.monotonic() + LISTEN_SECONDS
    while time.monotonic() < end:
        samples = microphone.read()
        if samples is not None:
            meter.push(samples)
    troubles = microphone.troubles()
    microphone.close()
    if microphone.lost:
        return Line("microphone", False, f"{microphone.device_name}: {troubles[0]}")
    level = meter.level
    speech = f"speech {level.speech:.0f}, " if level.speech is not None else ""
    return Line("microphone", level.good, f"{speech}noise {level.noise:.0f} dBFS. {level.verdict}")


def check_speech(model: str | None) -> Line:
    """Load the engine that a drive would use."""
    try:
        began = time.monotonic()
        engine = ContainedEngine(None, model)
        engine.use_phrases([_TRIED_PHRASE])
        seconds = time.monotonic() - began
        name = engine.name
        engine.close()
    except UserError as error:
        return Line("speech model", False, str(error))
    if name == "vosk":
        folder = find_model(model)
        where = "the shipped model" if folder is None or folder.found_by == "shipped" else str(folder.path)
        return Line("speech model", True, f"vosk with {where}, loaded in {seconds:.1f} s")
    return Line("speech model", True, f"pocketsphinx with its own model, loaded in {seconds:.1f} s")


def check_disk(folder: Path) -> Line:
    """Look whether a session fits where it would be written."""
    free = shutil.disk_usage(folder).free
    try:
        probe = folder / ".fieldassist-check"
        probe.write_bytes(b"x")
        probe.unlink()
    except OSError as error:
        return Line("disk", False, f"{folder}: cannot be written ({error.strerror}); choose another with --out")
    text = f"{free / 1e9:.1f} GB free in {folder}"
    good = free >= LEAST_DISK
    return Line("disk", good, text if good else f"{text}; free some, or choose another folder")


# Which engine hears better.


@dataclass(frozen=True)
class Candidate:
    """An engine to be tried."""

    name: str
    model: Path | None
    shipped: bool = False

    @property
    def preference(self) -> Preference:
        """What the config file says when this is the better one: the shipped model goes without its path."""
        return Preference(self.name, None if self.shipped else self.model)

    def __str__(self) -> str:
        if self.shipped:
            return f"{self.name} with the shipped model"
        return f"{self.name} with {self.model}" if self.model is not None else self.name


@dataclass(frozen=True)
class Tried:
    """What came of the recorded drives with one engine."""

    right: int
    wrong: int
    """Clips of which something was taken that should not have been."""
    clips: int
    factor: float
    """Computing time over the length of the speech."""

    @property
    def rank(self) -> tuple[int, float]:
        """The higher, the better: a wrong entry costs as much as a right one is worth; then the quicker."""
        return self.right - self.wrong, -self.factor


def candidates(model: str | None) -> tuple[Candidate, ...]:
    """Return what is installed: pocketsphinx, the shipped model, and one that somebody named."""
    named = find_model(model)
    out = [Candidate("sphinx", None)]
    if (SHIPPED_MODEL / "am" / "final.mdl").exists():
        out.append(Candidate("vosk", SHIPPED_MODEL, True))
    if named is not None and named.found_by != "shipped":
        out.append(Candidate("vosk", named.path.resolve()))
    return tuple(out)


def compare_engines(model: str | None) -> Iterator[Line]:
    """Let each engine hear the recorded drives; write the better one to the config file."""
    clips = list(expected_clips())
    best: tuple[tuple[int, float], Candidate] | None = None
    for candidate in candidates(model):
        try:
            tried = try_engine(candidate, clips)
        except UserError as error:
            yield Line("speech", False, f"{candidate}: {error}")
            continue
        yield Line("speech", True, f"{candidate}: {tried.right} of {tried.clips} right, {tried.wrong} wrong, "
                   f"{tried.factor:.2f} of real time")  # fmt: skip
        if best is None or tried.rank > best[0]:
            best = (tried.rank, candidate)
    if best is None:
        return
    chosen = best[1]
    if read_preference() != chosen.preference:
        path = write_preference(chosen.preference)
        yield Line("preferred", True, f"{chosen}; written to {path}")
    else:
        yield Line("preferred", True, f"{chosen}, as before")


def expected_clips() -> Iterator[tuple[Clip, Step | None, int]]:
    """Yield the lines of the recorded drives, with the step of each and the gears of the unit."""
    for folder in sorted(shipped("audio_fixtures").iterdir()):
        if (folder / "scenario.toml").is_file():
            scenario = load_scenario(folder)
            unit = load_unit(scenario.unit)
            steps = {step.id: step for step in steps_for(unit)}
            for line in scenario.lines:
                yield line, steps.get(line.step), len(unit.forward)


def try_engine(candidate: Candidate, clips: list[tuple[Clip, Step | None, int]]) -> Tried:
    """Hear the clips with an engine and compare what is taken with what should be.

    Talk that is not for the tool counts as right when it becomes nothing. Every engine hears with the grammar
    of the whole drive, and the matcher knows the step. Raises UserError when the engine cannot be used.
    """
    engine = ContainedEngine(candidate.name, candidate.model)
    try:
        phrases = load_phrases()
        expect_car(engine, max(gears for _, _, gears in clips))
        matcher = Matcher(phrases)
        right, wrong, seconds, began = 0, 0, 0.0, time.monotonic()
        for line, step, _ in clips:
            found = []
            for utterance in utterances_of(line.file):
                seconds += utterance.end - utterance.start
                found.append(matcher.match(hear(engine, utterance), step))
            taken = [match for match in found if match.decision == "accept"]
            right += is_right(line, taken)
            wrong += bool(taken) and not is_right(line, taken)
        return Tried(right, wrong, len(clips), (time.monotonic() - began) / max(seconds, 1e-3))
    finally:
        engine.close()


def is_right(line: Clip, taken: list[Match]) -> bool:
    """Tell whether what was taken from a clip is what the line should become, and nothing else."""
    if line.finding is None and line.command is None:
        return not taken
    if len(taken) != 1:
        return False
    if line.command is not None:
        return taken[0].command == line.command
    return taken[0].finding is not None and is_meant(line, taken[0].finding)

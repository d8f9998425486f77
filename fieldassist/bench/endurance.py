"""A drive of hours, replayed as fast as it goes: is the last hour like the first?

Recorded utterances (synthetic voices in generated cabin noise) with cabin noise between them, round after round of
the same sound, so that an utterance heard in the first hour and not in a later one is the program's doing. The
step that the engine is to expect changes about once a minute.
"""

from __future__ import annotations

import math
import os
import random
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fieldassist.acoustic.cabin import Cabin, cabin_noise
from fieldassist.acoustic.mixing import to_int16
from fieldassist.bench.drives import GEARS, UNIT, QuietScreen, Watched, quiet_loop
from fieldassist.bench.usage import load, resident, usage
from fieldassist.commands.demo import SCENARIO
from fieldassist.commands.drive import started
from fieldassist.deduce import Step, load_unit, steps_for
from fieldassist.drive.checklist import Checklist, load_checklist, read_checklist
from fieldassist.drive.dialogue import Heard, State, start
from fieldassist.drive.hearing import Hearing
from fieldassist.drive.scenario import load_scenario, outcome
from fieldassist.record.projection import project
from fieldassist.record.store import Store
from fieldassist.sound.activity import CHUNK
from fieldassist.sound.voice import Voice
from fieldassist.sound.wave import read_wave
from fieldassist.words.recognizer import SAMPLE_RATE, Samples

SPEED_AIM = 20.0
"""Times real time."""
PAUSE_SECONDS = 12.0
"""Cabin noise between two utterances."""
SLOPE_AIM = 1.0
"""MiB per hour of drive beyond which memory is called growing."""

_STRETCH = SAMPLE_RATE // 10
_GRID = math.lcm(_STRETCH, CHUNK)  # so that every round is cut into the same chunks
_UTTERANCES_PER_STEP = 4
_BEST_FIRST = ("right", "asked", "wrong", "missed")


@dataclass(frozen=True)
class Reading:
    """Memory at a moment of the drive, MiB resident."""

    hours: float
    """Of the drive."""
    program: float
    engine: float
    voice: float


@dataclass(frozen=True)
class Hour:
    """What became of the utterances of one hour of the drive."""

    spoken: int
    outcomes: Counter[str]
    """right, asked, wrong, missed (heard, and not taken), uncut (never came out as an utterance)."""
    lost: int
    """Spoken in the first hour too, better heard there, and not taken now."""


class LongDrive:
    """The scenario's findings over and over, with cabin noise between them; an `AudioSource`."""

    def __init__(self, hours: float, expect: Callable[[Step | None], None]) -> None:
        """`expect` is told the step of every fourth utterance before it is spoken, about one a minute."""
        scenario = load_scenario(SCENARIO)
        checklist = load_checklist(scenario.checklist, steps_for(load_unit(scenario.unit)))
        self.lines = [line for line in scenario.lines if line.finding is not None]
        items = [checklist.item(line.step) for line in self.lines]
        self._steps = [item.step if item is not None else None for item in items]
        self._expect = expect
        noise = to_int16(cabin_noise(60.0, Cabin(speed=45.0), seed=7))
        length = round(PAUSE_SECONDS * SAMPLE_RATE)
        rng = random.Random(3)
        begins = [rng.randrange(len(noise) - length) for _ in self.lines]
        sounds = [
            np.concatenate([read_wave(line.file), noise[at : at + length]])
            for line, at in zip(self.lines, begins, strict=True)
        ]
        self._sound = [sound[: len(sound) // _GRID * _GRID] for sound in sounds]
        self._end = hours
        self._position = 0
        self.spoken: list[int] = []
        """Hour of the drive in which each utterance began."""
        self._stretches = self._read()

    @property
    def hours(self) -> float:
        """Of the drive so far."""
        return self._position / SAMPLE_RATE / 3600

    def read(self) -> Samples | None:
        """Return the next stretch."""
        return next(self._stretches, None)

    def troubles(self) -> tuple[str, ...]:
        """There are none."""
        return ()

    def close(self) -> None:
        """Stop."""
        self._stretches = iter(())

    def _read(self) -> Iterator[Samples]:
        while self.hours < self._end:
            number = len(self.spoken) % len(self.lines)
            sound = self._sound[number]
            if number % _UTTERANCES_PER_STEP == 0:
                self._expect(self._steps[number])
            self.spoken.append(int(self.hours))
            for at in range(0, len(sound), _STRETCH):
                stretch = sound[at : at + _STRETCH]
                self._position += len(stretch)
                yield stretch


def endurance(folder: Path, hours: float, engine: str | None, model: str | None) -> list[str]:
    """Replay a long drive; report speed, cost, memory, and what was understood hour by hour."""
    readings: list[Reading] = []
    became: dict[int, str] = {}
    path = folder / "endurance.session"
    with ExitStack() as stack:
        file = stack.enter_context(Store.create(path, started(UNIT, "", True)))
        hearing = stack.enter_context(closing(Hearing(engine, model, GEARS)))
        voice = stack.enter_context(closing(Voice()))
        drive = LongDrive(hours, hearing.expect)
        source, screen = Watched(drive), QuietScreen()
        state = start(_one_long_item(folder), project(file.events()), "b")
        loop = quiet_loop(file, state, source, hearing, voice, stack, screen)

        def judge(heard: Heard, _: State) -> None:
            number = len(drive.spoken) - 1
            new = outcome(drive.lines[number % len(drive.lines)], heard)
            became[number] = min(became.get(number, new), new, key=_BEST_FIRST.index)
            if not readings or drive.hours - readings[-1].hours > hours / 100:
                pids = (os.getpid(), hearing.engine.pid, voice.pid)
                readings.append(Reading(drive.hours, *(resident(pid) for pid in pids)))

        screen.on_heard = judge
        pids = [os.getpid(), hearing.engine.pid, voice.pid]
        began, before = time.monotonic(), usage(pids)
        loop.run()
        wall = time.monotonic() - began
        cut_short = ", CUT SHORT by a command that was heard" if loop.state.ended else ""
        driven = drive.hours
        used = [usage([pid]) for pid in (os.getpid(), hearing.engine.pid, voice.pid)]
        minutes = driven * 60
        here = (used[0] - before).cpu / minutes
        speech = [each.cpu / minutes for each in used[1:]]
        size = path.stat().st_size + path.with_name(path.name + "-wal").stat().st_size
        name, restarts = hearing.engine.name, hearing.engine.restarts
    return [
        f"endurance ({name}): {driven:.2f} h of drive{cut_short} in {wall:.0f} s, "
        f"{driven * 3600 / wall:.1f} times real time (aim {SPEED_AIM:g}; {load()})",
        f"  CPU per minute of drive: {here:.2f} s program, {speech[0]:.2f} s engine, {speech[1]:.2f} s voice: "
        f"{100 * (here + sum(speech)) / 60 / 2:.1f} % of two cores in real time",
        f"  away from the microphone: {source.away(99)} ms (99 %), {source.away(100)} ms at most",
        f"  session file {size / 2**20:.0f} MiB, engine restarts {restarts}",
        *(
            f"  memory of the {what}: {slope([r.hours for r in readings], [getattr(r, what) for r in readings])}"
            for what in ("program", "engine", "voice")
        ),
        "  hour  spoken  right  asked back  wrong  not taken  not cut out  taken in hour 1 and not now",
        *(
            f"  {number:4}  {hour.spoken:6}  {hour.outcomes['right']:5}  {hour.outcomes['asked']:10}  "
            f"{hour.outcomes['wrong']:5}  {hour.outcomes['missed']:9}  {hour.outcomes['uncut']:11}  {hour.lost:27}"
            for number, hour in enumerate(by_hour(drive.spoken, became, len(drive.lines)), start=1)
        ),
    ]


def by_hour(spoken: list[int], became: dict[int, str], lines: int) -> list[Hour]:
    """Gather outcomes by hour. `spoken`: the hour of each utterance; `became`: its outcome, by its number;
    `lines`: after so many utterances the same ones come again."""
    found = [became.get(number, "uncut") for number in range(len(spoken))]
    first = {number % lines: found[number] for number in range(min(lines, len(spoken))) if spoken[number] == 0}
    out = []
    for hour in range(max(spoken, default=-1) + 1):
        numbers = [number for number, at in enumerate(spoken) if at == hour]
        lost = sum(
            found[number] in ("missed", "uncut") and first.get(number % lines, "uncut") not in ("missed", "uncut")
            for number in numbers
        )
        out.append(Hour(len(numbers), Counter(found[number] for number in numbers), lost))
    return out


def slope(hours: list[float], values: list[float]) -> str:
    """Least-squares slope over the second half of the drive, when caches are full."""
    half = len(hours) // 2
    if half < 3:
        return "too short to tell"
    rise = float(np.polyfit(hours[half:], values[half:], 1)[0])
    verdict = "flat" if abs(rise) <= SLOPE_AIM else "growing" if rise > 0 else "shrinking"
    first, middle, last = values[0], values[half], values[-1]
    return f"{first:.0f} MiB at first, {middle:.0f} half way, {last:.0f} at the end; {rise:+.2f} MiB/h, {verdict}"


def _one_long_item(folder: Path) -> Checklist:
    """A checklist that is never done: whatever is said, its one item stays open."""
    path = folder / "long.toml"
    path.write_text(
        'title = "Long drive"\n[sections.road]\ntitle = "On the road"\n'
        '[items.report]\nsection = "road"\nprompt = "Report what you notice."\n'
        'normal = { kind = "poor_acceleration", present = false }\n',
        encoding="utf-8",
    )
    return read_checklist(path, ())

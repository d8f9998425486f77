"""`python -m fieldassist.bench loop`: what the drive costs, how fast it answers, how long it keeps going.

All with the real recogniser on recorded utterances (synthetic voices in generated cabin noise):

- latency: the demo's drive in real time; from the end of an utterance (the endpointer's pause over) until the
  read-back or question begins to play, p50 and p95; CPU seconds and wakeups per minute of it.
- start: from starting the program until the first prompt is rendered, warm.
- endurance: one drive of `--hours`, utterances between stretches of cabin noise, as fast as it goes: memory of
  the program and its speech processes over drive time (slope), what was understood hour by hour.
- kills: `--kills N` drives killed with SIGKILL at random moments and resumed; every entry whose read-back had
  begun must be in the file, and the drive must go on at the step it was in.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import resource
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fieldassist.acoustic.cabin import Cabin, cabin_noise
from fieldassist.acoustic.mixing import to_int16
from fieldassist.commands.demo import SCENARIO, Played
from fieldassist.commands.drive import started
from fieldassist.deduce import Step, load_unit, steps_for
from fieldassist.drive.checklist import Checklist, load_checklist, read_checklist
from fieldassist.drive.dialogue import Heard, State, start
from fieldassist.drive.hearing import Hearing
from fieldassist.drive.loop import DriveLoop
from fieldassist.drive.recordings import Recordings
from fieldassist.drive.scenario import Line, load_scenario, outcome
from fieldassist.drive.speaker import Speaker
from fieldassist.errors import UserError
from fieldassist.phrases.matcher import normalise
from fieldassist.record.inspection import inspect
from fieldassist.record.projection import SessionView, project
from fieldassist.record.store import Store
from fieldassist.sound.player import Player
from fieldassist.sound.source import AudioSource
from fieldassist.sound.voice import Voice
from fieldassist.sound.wave import read_wave
from fieldassist.words.recognizer import SAMPLE_RATE, Samples

UNIT = "three_speed_simpson"
GEARS = 3
LATENCY_AIM = 0.3
"""s beyond the endpointing pause."""
START_AIM = 3.0
"""s, warm."""
SPEED_AIM = 20.0
"""Times real time, for the endurance run."""
PAUSE_SECONDS = 12.0
"""Cabin noise between two utterances of the endurance run."""
SLOPE_AIM = 1.0
"""MiB per hour of drive beyond which memory is called growing."""


def run(argv: list[str]) -> int:
    """Run the parts asked for; 1 when a kill lost something."""
    parser = argparse.ArgumentParser(prog="python -m fieldassist.bench loop")
    parser.add_argument("--hours", type=float, default=0.25, help="length of the endurance drive (default 0.25)")
    parser.add_argument("--kills", type=int, default=0, help="number of drives to kill")
    parser.add_argument("--only", choices=("latency", "start", "endurance", "kills"), help="one part")
    parser.add_argument("--engine", help="speech engine (default: the one that a drive uses)")
    parser.add_argument("--model", help="Vosk model folder")
    parser.add_argument("--child", type=Path, help=argparse.SUPPRESS)
    args = parser.parse_args(argv)
    if args.child is not None:
        return _drive_to_be_killed(args.child)
    good = True
    with tempfile.TemporaryDirectory(prefix="fieldassist-bench-") as name:
        folder = Path(name)
        if args.only in (None, "latency"):
            _print(latency(folder, args.engine, args.model))
        if args.only in (None, "start"):
            _print(start_time(folder, args.engine, args.model))
        if args.only in (None, "endurance"):
            _print(endurance(folder, args.hours, args.engine, args.model))
        if args.kills or args.only == "kills":
            lines, good = kills(folder, args.kills or 20)
            _print(lines)
    return 0 if good else 1


def _print(lines: list[str]) -> None:
    print("\n".join(lines), flush=True)


# Latency and cost in real time.


def latency(folder: Path, engine: str | None, model: str | None) -> list[str]:
    """Play the demo's drive in real time, prompts taking no time, and report how fast it answers."""
    scenario = load_scenario(SCENARIO)
    played = Played(scenario, folder)
    unit = load_unit(scenario.unit)
    checklist = load_checklist(scenario.checklist, steps_for(unit))
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    with ExitStack() as stack:
        file = stack.enter_context(Store.create(folder / "latency.session", started(scenario.unit, "", True)))
        hearing = stack.enter_context(closing(Hearing(engine, model, GEARS)))
        loop = played.loop = _loop(
            file, start(checklist, project(file.events()), "b"), Recordings(played.next_file, 1.0), hearing, stack,
            _Quiet(),
        )  # fmt: skip
        began, own, wakeups = time.monotonic(), time.process_time(), _wakeups(os.getpid())
        loop.run()
        wall = time.monotonic() - began
        own = time.process_time() - own
        wakeups = _wakeups(os.getpid()) - wakeups
        name = hearing.engine.name
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    children = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    waits = np.array([timing.to_voice for timing in loop.timings])
    texts = np.array([timing.to_text for timing in loop.timings])
    return [
        f"latency ({name}, {len(waits)} utterances in real time, voices synthetic)",
        f"  end of utterance to read-back start: p50 {_ms(waits, 50)}, p95 {_ms(waits, 95)} "
        f"(aim {LATENCY_AIM * 1e3:.0f} ms)",
        f"  of that until the words are there:   p50 {_ms(texts, 50)}, p95 {_ms(texts, 95)}",
        f"  CPU per minute of drive: {60 * own / wall:.1f} s here, {60 * children / wall:.1f} s in the speech "
        f"processes (their start included)",
        f"  wakeups: {wakeups / wall:.0f} per second",
    ]


def _ms(values: npt.NDArray[np.float64], percent: int) -> str:
    return f"{1000 * np.percentile(values, percent):.0f} ms" if len(values) else "none"


def _wakeups(pid: int) -> int:
    """Times that the threads of a process went to sleep and were woken (Linux; 0 elsewhere)."""
    total = 0
    for status in Path(f"/proc/{pid}/task").glob("*/status"):
        for line in status.read_text().splitlines():
            if line.startswith("voluntary_ctxt_switches"):
                total += int(line.split()[1])
    return total


# Start.


def start_time(folder: Path, engine: str | None, model: str | None) -> list[str]:
    """Start the program three times and report when its first prompt was there."""
    clip = load_scenario(SCENARIO).lines[0].file
    seconds = []
    for number in range(4):
        session = folder / f"start{number}.session"
        command = [sys.executable, "-m", "fieldassist", "drive", "--unit", UNIT]
        command += ["--wav", str(clip), "--fast", "--session", str(session), *_engine_options(engine, model)]
        began = time.monotonic()
        program = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        prompts = session.with_name(f"{session.stem}-prompts")
        while program.poll() is None and not list(prompts.glob("*.wav")):
            time.sleep(0.005)
        seconds.append(time.monotonic() - began)
        _, told = program.communicate()
        if program.returncode != 0:
            raise UserError(f"start: the drive ended with {program.returncode}: {told.strip()}")
    warm = sorted(seconds[1:])
    return [
        f"start to first prompt: {warm[len(warm) // 2]:.2f} s warm (median of {len(warm)}), {seconds[0]:.2f} s "
        f"the first time (aim {START_AIM:g} s)"
    ]


def _engine_options(engine: str | None, model: str | None) -> list[str]:
    return [*(["--engine", engine] if engine else []), *(["--model", model] if model else [])]


# Endurance.


@dataclass(frozen=True)
class Reading:
    """Memory at a moment of the endurance drive."""

    hours: float
    """Of the drive."""
    here: float
    """MiB resident, this process."""
    speech: float
    """MiB resident, engine and voice."""


class _LongDrive:
    """Utterances of the scenario over and over, with cabin noise between them; an `AudioSource`."""

    def __init__(self, hours: float) -> None:
        scenario = load_scenario(SCENARIO)
        self._lines = [line for line in scenario.lines if line.finding is not None]
        self._clips: dict[Path, Samples] = {line.file: read_wave(line.file) for line in self._lines}
        noise = to_int16(cabin_noise(60.0, Cabin(speed=45.0), seed=7))
        self._noise = noise
        self._end = hours
        self.position = 0
        """Samples handed out."""
        self.line: Line | None = None
        self.spoken: Counter[int] = Counter()
        """Hour of the drive -> utterances."""
        self._stretches = self._read()

    @property
    def hours(self) -> float:
        """Of the drive so far."""
        return self.position / SAMPLE_RATE / 3600

    def read(self) -> Samples | None:
        return next(self._stretches, None)

    def troubles(self) -> tuple[str, ...]:
        return ()

    def close(self) -> None:
        self._stretches = iter(())

    def _read(self) -> Iterator[Samples]:
        rng = random.Random(3)
        number = 0
        while self.hours < self._end:
            self.line = self._lines[number % len(self._lines)]
            number += 1
            self.spoken[int(self.hours)] += 1
            at = rng.randrange(len(self._noise) - round(PAUSE_SECONDS * SAMPLE_RATE))
            pause = self._noise[at : at + round(PAUSE_SECONDS * SAMPLE_RATE)]
            for samples in (self._clips[self.line.file], pause):
                for begin in range(0, len(samples), SAMPLE_RATE // 10):
                    stretch = samples[begin : begin + SAMPLE_RATE // 10]
                    self.position += len(stretch)
                    yield stretch


def endurance(folder: Path, hours: float, engine: str | None, model: str | None) -> list[str]:
    """Replay a long drive as fast as it goes; report speed, memory and what was understood hour by hour."""
    checklist = _one_long_item(folder)
    outcomes: dict[int, Counter[str]] = {}
    readings: list[Reading] = []
    path = folder / "endurance.session"
    with ExitStack() as stack:
        file = stack.enter_context(Store.create(path, started(UNIT, "", True)))
        hearing = stack.enter_context(closing(Hearing(engine, model, GEARS)))
        source = _LongDrive(hours)
        screen = _Quiet()
        state = start(checklist, project(file.events()), "b")
        loop = _loop(file, state, source, hearing, stack, screen)

        def judge(heard: Heard, state: State) -> None:
            if source.line is not None:
                outcomes.setdefault(int(source.hours), Counter())[outcome(source.line, heard)] += 1
            if not readings or source.hours - readings[-1].hours > hours / 60:
                pids = [hearing.engine.pid]
                readings.append(Reading(source.hours, _resident(os.getpid()), sum(map(_resident, pids))))

        screen.on_heard = judge
        began, own = time.monotonic(), time.process_time()
        loop.run()
        wall, own = time.monotonic() - began, time.process_time() - own
        size = path.stat().st_size + path.with_name(path.name + "-wal").stat().st_size
        restarts = hearing.engine.restarts
    speed = hours * 3600 / wall
    lines = [
        f"endurance: {hours:g} h of drive in {wall:.0f} s, {speed:.0f} times real time (aim {SPEED_AIM:g}); "
        f"{own / hours / 60:.2f} CPU s per minute here",
        f"  session file {size / 2**20:.0f} MiB, engine restarts {restarts}",
    ]
    for what, values in (("program", [r.here for r in readings]), ("engine", [r.speech for r in readings])):
        lines.append(f"  memory of the {what}: {_slope([r.hours for r in readings], values)}")
    for hour, count in sorted(outcomes.items()):
        heard = sum(count.values())
        missed = source.spoken[hour] - heard
        lines.append(
            f"  hour {hour + 1}: {source.spoken[hour]} spoken, {count['right']} right, {count['asked']} asked "
            f"back, {count['wrong']} wrong, {count['missed']} not taken, {missed} not cut out"
        )
    return lines


def _slope(hours: list[float], values: list[float]) -> str:
    """Least-squares slope over the second half of the drive, when caches are full."""
    half = len(hours) // 2
    if half < 3:
        return "too short to tell"
    slope = float(np.polyfit(hours[half:], values[half:], 1)[0])
    verdict = "flat" if abs(slope) <= SLOPE_AIM else "growing" if slope > 0 else "shrinking"
    first, middle, last = values[0], values[half], values[-1]
    return f"{first:.0f} MiB at first, {middle:.0f} half way, {last:.0f} at the end; {slope:+.2f} MiB/h, {verdict}"


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


def _resident(pid: int) -> float:
    """MiB resident (Linux; 0 elsewhere)."""
    try:
        pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    except OSError:
        return 0.0
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


# Kills.


def kills(folder: Path, count: int) -> tuple[list[str], bool]:
    """Kill drives at random moments; report what was lost, and whether nothing was."""
    session = folder / "killed.session"
    rng = random.Random(11)
    lost: list[str] = []
    acknowledged = resumed = wrong_step = drives = 0
    for _ in range(count):
        expected = None
        if session.exists():
            view = _view(session)
            if view.finished:
                session.unlink()
                for rest in folder.glob("killed.session*"):
                    rest.unlink()
            else:
                expected = view.step
        drives += not session.exists()
        said = _one_kill(session, rng)
        names = [line["entry"] for line in said if "entry" in line]
        asked = next((line["step"] for line in said if "step" in line), None)
        acknowledged += len(names)
        found = inspect(session) if session.exists() else None
        if found is not None and found.problems:
            lost.append(f"problems: {found.problems[0]}")
        kept = {str(event.data.get("entry")) for event in (found.events if found else ()) if event.kind == "entry"}
        lost += [name for name in names if name not in kept]
        if expected is not None and asked is not None:
            resumed += 1
            wrong_step += asked != expected
    good = not lost and not wrong_step
    return [
        f"kills: {count} over {drives} drives, {acknowledged} entries acknowledged before a kill, {len(lost)} "
        f"lost; {resumed} resumed, {wrong_step} at another step than before",
        *(f"  lost: {name}" for name in lost[:5]),
    ], good


def _one_kill(session: Path, rng: random.Random) -> list[dict[str, str]]:
    """Run a drive, kill it at a random moment after its first prompt, and return what it had acknowledged."""
    command = [sys.executable, "-m", "fieldassist.bench", "loop", "--child", str(session)]
    program = subprocess.Popen(command, stdout=subprocess.PIPE, start_new_session=True)
    assert program.stdout is not None
    first = program.stdout.readline()
    time.sleep(rng.uniform(0.0, 4.0))
    os.killpg(program.pid, signal.SIGKILL)
    rest = program.stdout.read()
    program.wait()
    whole = [line for line in (first + rest).split(b"\n")[:-1] if line.startswith(b"{")]
    return [json.loads(line) for line in whole]


class ScenarioHearing(Hearing):
    """The real engine, listening for the scenario's sentences only: quick, so that many kills hit many moments."""

    def __init__(self) -> None:
        super().__init__("sphinx", gears=GEARS)
        scenario = load_scenario(SCENARIO)
        meant = [line.text for line in (*scenario.lines, scenario.stuck) if line.finding or line.command]
        self.engine.use_phrases([normalise(text) for text in meant])

    def expect(self, step: Step | None) -> None:
        """The same sentences at every step."""

    def prepare(self, step: Step | None) -> None:
        """Nothing to make ready."""


def _drive_to_be_killed(session: Path) -> int:
    """Drive the scenario into a session file, new or resumed, and print what is acknowledged as it is spoken."""
    scenario = load_scenario(SCENARIO)
    unit = load_unit(scenario.unit)
    with ExitStack() as stack:
        if session.exists():
            file = stack.enter_context(Store.open(session))
        else:
            file = stack.enter_context(Store.create(session, started(scenario.unit, scenario.checklist, True)))
        view = project(file.events())
        checklist = load_checklist(scenario.checklist, steps_for(unit))
        played = Played(scenario, session.parent)
        hearing = stack.enter_context(closing(ScenarioHearing()))
        run_name = f"r{len(file.events())}"
        loop = played.loop = _loop(
            file, start(checklist, view, run_name), Recordings(played.next_file), hearing, stack, _Acknowledging()
        )
        loop.run()
    return 0


def _view(path: Path) -> SessionView:
    with Store.open(path) as store:
        return project(store.events())


# What the parts share.


class _Quiet:
    """A screen that shows nothing."""

    def __init__(self) -> None:
        self.on_heard: Callable[[Heard, State], None] | None = None

    def said(self, text: str, why: str) -> None:
        pass

    def heard(self, heard: Heard, state: State) -> None:
        if self.on_heard is not None:
            self.on_heard(heard, state)

    def moved(self, state: State) -> None:
        pass

    def told(self, text: str) -> None:
        pass


class _Acknowledging(_Quiet):
    """Prints the entry of each read-back as it begins, and the steps asked: one JSON object a line."""

    def __init__(self) -> None:
        super().__init__()
        self._state: State | None = None

    def moved(self, state: State) -> None:
        self._state = state

    def said(self, text: str, why: str) -> None:
        state = self._state
        if state is None:
            return
        if why == "read_back" and state.view.entries:
            self._tell({"entry": state.view.entries[-1].id})
        elif why == "prompt" and state.item is not None:
            self._tell({"step": state.item})

    def _tell(self, row: dict[str, str]) -> None:
        os.write(1, (json.dumps(row) + "\n").encode())


def _loop(
    file: Store, state: State, source: AudioSource, hearing: Hearing, stack: ExitStack, screen: _Quiet
) -> DriveLoop:
    player = Player(None)
    player.has_device = False
    return DriveLoop(
        file, state, load_unit(UNIT), source, hearing,
        lambda heard: stack.enter_context(closing(Speaker(Voice(), player, heard))),
        screen, kept="Everything is kept in the session file.", half_duplex=False,
    )  # fmt: skip

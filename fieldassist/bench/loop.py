"""`python -m fieldassist.bench loop`: what the drive costs, how fast it answers, how long it keeps going.

All with the real recogniser on recorded utterances (synthetic voices in generated cabin noise):

- latency: the demo's drive in real time; from the end of an utterance (the endpointer's pause over) until the
  read-back or question begins to play, p50 and p95; CPU seconds per minute of it and wakeups per second.
- start: from starting the program until the first prompt is rendered, warm and the first time.
- endurance: one drive of `--hours`, see `bench/endurance.py`.
- kills: `--kills N` drives killed with SIGKILL at random moments and resumed; every entry whose read-back had
  begun must be in the file, and the drive must go on at the step it was in.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack, closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fieldassist.bench.drives import GEARS, UNIT, QuietScreen, Watched, quiet_loop
from fieldassist.bench.endurance import endurance
from fieldassist.bench.usage import load, usage
from fieldassist.commands.demo import SCENARIO, Played
from fieldassist.commands.drive import started
from fieldassist.deduce import Step, load_unit, steps_for
from fieldassist.drive.checklist import load_checklist
from fieldassist.drive.dialogue import State, start
from fieldassist.drive.hearing import Hearing
from fieldassist.drive.recordings import Recordings
from fieldassist.drive.scenario import load_scenario
from fieldassist.errors import UserError
from fieldassist.phrases.as_words import normalise
from fieldassist.record.inspection import inspect
from fieldassist.record.projection import SessionView, project
from fieldassist.record.store import Store
from fieldassist.sound.voice import Voice
from fieldassist.words.models import config_path

LATENCY_AIM = 0.3
"""s beyond the endpointing pause."""
START_AIM = 3.0
"""s, warm."""


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
    with ExitStack() as stack:
        file = stack.enter_context(Store.create(folder / "latency.session", started(scenario.unit, "", True)))
        hearing = stack.enter_context(closing(Hearing(engine, model, GEARS)))
        voice = stack.enter_context(closing(Voice()))
        voice.render("Ready.")
        source = Watched(Recordings(played.next_file, 1.0))
        state = start(checklist, project(file.events()), "b")
        loop = played.loop = quiet_loop(file, state, source, hearing, voice, stack, QuietScreen())
        pids = {"program": os.getpid(), "engine": hearing.engine.pid, "voice": voice.pid}
        before = {name: usage([pid]) for name, pid in pids.items()}
        began = time.monotonic()
        loop.run()
        wall = time.monotonic() - began
        used = {name: usage([pid]) - before[name] for name, pid in pids.items()}
        name = hearing.engine.name
    waits = np.array([timing.to_voice for timing in loop.timings])
    texts = np.array([timing.to_text for timing in loop.timings])
    cpu = {name: 60 * each.cpu / wall for name, each in used.items()}
    return [
        f"latency ({name}, {len(waits)} utterances in real time, voices synthetic; {load()})",
        f"  end of utterance to read-back start: p50 {_ms(waits, 50)}, p95 {_ms(waits, 95)} "
        f"(aim {LATENCY_AIM * 1e3:.0f} ms)",
        f"  of that until the words are there:   p50 {_ms(texts, 50)}, p95 {_ms(texts, 95)}",
        f"  away from the microphone: {source.away(99)} ms (99 %), {source.away(100)} ms at most",
        f"  CPU per minute of drive: {', '.join(f'{each:.2f} s {name}' for name, each in cpu.items())}: "
        f"{sum(cpu.values()) / 60 / 2:.1%} of two cores",
        f"  wakeups per second: {', '.join(f'{each.waits / wall:.0f} {name}' for name, each in used.items())}",
    ]


def _ms(values: npt.NDArray[np.float64], percent: int) -> str:
    return f"{1000 * np.percentile(values, percent):.0f} ms" if len(values) else "none"


# Start.


@dataclass(frozen=True)
class Started:
    """Seconds after the command was given."""

    spoken: float
    """The first prompt was ready to be played."""
    asked: float
    """The first question was: what is said before it takes its own time when it is played."""
    answered: float
    """An answer was in the file, given at once."""


def start_time(folder: Path, engine: str | None, model: str | None) -> list[str]:
    """Start the program several times in a home of its own: the first time nothing is compiled yet."""
    home = folder / "home"
    home.mkdir()
    if config_path().is_file():
        shutil.copy(config_path(), home)
    starts = [_start(folder / f"start{number}.session", home, engine, model) for number in range(6)]
    busy = load()

    def told(name: str) -> str:
        warm = float(np.median([getattr(each, name) for each in starts[1:]]))
        return f"{warm:.2f} s warm, {getattr(starts[0], name):.2f} s the first time"

    return [
        f"start to first prompt: {told('spoken')} (median of {len(starts) - 1}; aim {START_AIM:g} s; {busy})",
        f"  to the first question: {told('asked')}",
        f"  to an answer that is understood and stored: {told('answered')}",
    ]


def _start(session: Path, home: Path, engine: str | None, model: str | None) -> Started:
    clip = load_scenario(SCENARIO).lines[0].file
    command = [sys.executable, "-m", "fieldassist", "drive", "--unit", UNIT]
    command += ["--wav", str(clip), "--fast", "--session", str(session), *_engine_options(engine, model)]
    environment = {**os.environ, "FIELDASSIST_HOME": str(home)}
    began = time.time()
    done = subprocess.run(command, capture_output=True, text=True, env=environment)
    if done.returncode != 0:
        raise UserError(f"start: the drive ended with {done.returncode}: {done.stderr.strip()}")
    prompts = session.with_name(f"{session.stem}-prompts").glob("*.wav")
    times = sorted(path.stat().st_mtime for path in prompts)
    with Store.open(session, readonly=True) as store:
        heard = next((event for event in store.events() if event.kind in ("heard", "overheard")), None)
    if heard is None or not times:
        raise UserError("start: the drive asked or heard nothing")
    answered = datetime.fromisoformat(heard.at).timestamp()
    asked = max(at for at in times if at < answered)
    return Started(times[0] - began, asked - began, answered - began)


def _engine_options(engine: str | None, model: str | None) -> list[str]:
    return [*(["--engine", engine] if engine else []), *(["--model", model] if model else [])]


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
        voice = stack.enter_context(closing(Voice()))
        loop = played.loop = quiet_loop(
            file, start(checklist, view, run_name), Recordings(played.next_file), hearing, voice, stack,
            _Acknowledging(),
        )  # fmt: skip
        loop.run()
    return 0


def _view(path: Path) -> SessionView:
    with Store.open(path) as store:
        return project(store.events())


class _Acknowledging(QuietScreen):
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

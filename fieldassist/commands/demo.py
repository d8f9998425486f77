"""`fieldassist demo`: a whole recorded road test, with no microphone, loudspeaker, network or account."""

from __future__ import annotations

import argparse
import textwrap
import time
from collections import Counter
from contextlib import ExitStack, closing
from dataclasses import replace
from pathlib import Path

from fieldassist.commands.deduce import page, read_question
from fieldassist.commands.drive import started
from fieldassist.deduce import Deduction, deduce, load_unit, steps_for
from fieldassist.drive.checklist import load_checklist
from fieldassist.drive.dialogue import Heard, State, bare_answer, start
from fieldassist.drive.hearing import Hearing
from fieldassist.drive.loop import DriveLoop
from fieldassist.drive.recordings import Recordings
from fieldassist.drive.scenario import Line, Scenario, Script, load_scenario
from fieldassist.drive.screen import WIDTH, Terminal
from fieldassist.drive.speaker import Speaker
from fieldassist.errors import UserError
from fieldassist.record.projection import project
from fieldassist.record.store import Store
from fieldassist.sound.player import Player
from fieldassist.sound.voice import Voice
from fieldassist.sound.wave import read_wave
from fieldassist.words.engines import ENGINES

SCENARIO = "second_gear_slips"
ALOUD_SECONDS = 15.0
"""With a loudspeaker, prompts are waited for so long in all; after that each is cut short by the next answer."""
RUN = "demo"
KEPT = "This is a recorded drive. It is kept in a session file."


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("--out", metavar="DIR", type=Path, default=Path("fieldassist-demo"),
                        help="where session, report and prompts go (default: ./fieldassist-demo)")  # fmt: skip
    parser.add_argument("--engine", choices=ENGINES, help="speech engine (default: the best that is there)")
    parser.add_argument("--model", metavar="DIR", help="Vosk model folder")


def run(args: argparse.Namespace) -> int:
    """Play the drive, print the dialogue as it happens, and end with suspects, reasons and files."""
    began = time.monotonic()
    scenario = load_scenario(SCENARIO)
    session, report = _new_files(args.out)
    unit = load_unit(scenario.unit)
    print(f"{scenario.title}\nA recorded road test of an invented car, spoken by synthetic voices.")
    print(f"Session: {session}\nNothing leaves this machine.\n")
    data = started(scenario.unit, scenario.checklist, keep_clips=True, scenario=scenario.name)
    with ExitStack() as stack:
        file = stack.enter_context(Store.create(session, data))
        file.append("intake", scenario.intake)
        played = play(file, scenario, args.engine, args.model, stack, session.with_name(f"{session.stem}-prompts"))
        view = project(file.events())
    question = read_question(str(session))
    result = deduce(unit, question.findings, question.context, question.done)
    print()
    print("\n".join(_ending(page(question, result))))
    from fieldassist.pages.report import write_report  # its plotting library takes a moment to load

    write_report(session, report)
    print()
    print("\n".join(_tally(played, result, time.monotonic() - began)))
    print(f"\nSession  {session}\nReport   {report}")
    if played.prompts.is_dir():
        print(f"Prompts  {played.prompts}")
    return 0 if view.finished else 1


class Played:
    """How a scenario went."""

    def __init__(self, scenario: Scenario, prompts: Path) -> None:
        self.scenario = scenario
        self.script = Script(scenario)
        self.line: Line | None = None
        self.prompts = prompts
        self.audio_seconds = 0.0
        self.hearing_seconds = 0.0
        self.aloud = ALOUD_SECONDS
        self.loop: DriveLoop | None = None

    def next_file(self) -> Path | None:
        """Wait until the tool has spoken, within reason, and choose what is said now."""
        loop = self.loop
        assert loop is not None
        before = time.monotonic()
        if not loop.speaker.wait(self.aloud):
            loop.speaker.hush()
        self.aloud = max(0.3, self.aloud - (time.monotonic() - before))
        loop.look_around()
        self.line = self.script.next_line(loop.state) if not loop.state.ended else None
        if self.line is None:
            return None
        self.audio_seconds += len(read_wave(self.line.file)) / 16_000
        return self.line.file

    def judge(self, heard: Heard, state: State) -> None:
        """Compare what was heard with what was meant."""
        if self.line is not None:
            self.script.judge(self.line, _as_answer(heard, state), state.noting, state.view.paused)


def _as_answer(heard: Heard, state: State) -> Heard:
    """Give a bare yes or no the finding that the dialogue takes it for where a step asks for one."""
    if state.question is not None or heard.finding is not None:
        return heard
    answer = bare_answer(state.current, heard.command, str(heard.record["text"]), state.view)
    return heard if answer is None else replace(heard, command=None, finding=answer)


class _Screen(Terminal):
    def __init__(self, played: Played) -> None:
        super().__init__()
        self._played = played

    def heard(self, heard: Heard, state: State) -> None:
        self._played.judge(heard, state)
        super().heard(heard, state)


def play(
    file: Store, scenario: Scenario, engine: str | None, model: str | None, stack: ExitStack, prompts: Path
) -> Played:
    """Play a scenario into a session file."""
    unit = load_unit(scenario.unit)
    checklist = load_checklist(scenario.checklist, steps_for(unit))
    played = Played(scenario, prompts)
    voice = stack.enter_context(closing(Voice()))
    voice.warm(KEPT)  # while the engine loads
    hearing = stack.enter_context(closing(Hearing(engine, model, len(unit.forward))))
    player = Player(prompts)
    loop = played.loop = DriveLoop(
        file, start(checklist, project(file.events()), RUN), unit, Recordings(played.next_file), hearing,
        lambda heard: stack.enter_context(closing(Speaker(voice, player, heard))),
        _Screen(played), kept=KEPT, half_duplex=False,
    )  # fmt: skip
    loop.run()
    played.script.close()
    played.hearing_seconds = sum(timing.to_text for timing in loop.timings)
    return played


def _new_files(folder: Path) -> tuple[Path, Path]:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UserError(f"{folder}: cannot be made ({error.strerror}); name another folder with --out") from None
    number = 1
    while (folder / f"demo-{number}.session").exists():
        number += 1
    return folder / f"demo-{number}.session", folder / f"demo-{number}.html"


def _ending(lines: list[str]) -> list[str]:
    """The deduction without the list of findings, which have just been seen."""
    begin = lines.index("Suspects") if "Suspects" in lines else 0
    return lines[begin:]


def _tally(played: Played, result: Deduction, seconds: float) -> list[str]:
    outcomes = Counter(played.script.outcomes.values())
    meant = [line for line in played.scenario.lines if line.finding is not None or line.command is not None]
    talk = len(played.scenario.lines) - len(meant)
    wrong = [name for name, out in played.script.outcomes.items() if out in ("wrong", "missed", "false")]
    text = (
        f"{len(meant)} utterances for the tool: {outcomes['right']} right, {outcomes['asked']} right after asking "
        f"back, {outcomes['wrong']} wrong, {outcomes['missed']} missed. {talk} not for it: {outcomes['rejected']} "
        f"rejected, {outcomes['false']} taken for something."
    )
    lines = textwrap.wrap(text, WIDTH)
    if wrong:
        lines += textwrap.wrap("Not right: " + ", ".join(sorted(wrong)), WIDTH)
    audio = played.audio_seconds
    lines.append(f"{audio:.0f} s of speech; the whole demo took {seconds:.0f} s on this machine.")
    return lines

"""`fieldassist drive`: a road test by voice, from the microphone or from recordings."""

from __future__ import annotations

import argparse
import sys
import uuid
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing
from datetime import datetime
from pathlib import Path
from typing import Any

from fieldassist import __version__
from fieldassist.deduce import load_unit, steps_for, unit_names
from fieldassist.drive.checklist import load_checklist
from fieldassist.drive.dialogue import OVERHEARD_MOST, start
from fieldassist.drive.hearing import Hearing, heard_from
from fieldassist.drive.intake import ask_intake, read_intake
from fieldassist.drive.keys import KEYS_HELP, PassengerKeys, listening
from fieldassist.drive.loop import DriveLoop, Screen
from fieldassist.drive.recordings import Recordings
from fieldassist.drive.screen import Terminal
from fieldassist.drive.speaker import Speaker
from fieldassist.errors import UserError
from fieldassist.finding import Finding
from fieldassist.record.projection import SessionView, project
from fieldassist.record.store import Store
from fieldassist.resources import home
from fieldassist.sound.player import Player
from fieldassist.sound.source import AudioSource, Microphone
from fieldassist.sound.voice import Voice
from fieldassist.sound.wave import audio_files
from fieldassist.words.engines import ENGINES

KEPT_CLIPS = "What is said in the car is recorded in the session file on this computer, also what is not for me."
RECORDINGS = (
    "recordings of what is said to the tool\nand, to find out later what it missed, of up to "
    f"{OVERHEARD_MOST / 60:.0f} minutes of other talk. They go with\n"
    "`fieldassist session drop-clips`; --no-clips keeps none."
)
KEPT_NO_CLIPS = "No recordings are kept, only what was understood, in the session file on this computer."


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("--unit", metavar="U", help=f"transmission: {', '.join(unit_names())}, or a .toml file")
    parser.add_argument("--checklist", metavar="C", help="checklist (default: road_test), or a .toml file")
    parser.add_argument("--intake", metavar="FILE", type=Path, help="complaint, tyre, axle_ratio ... (.toml)")
    parser.add_argument("--wav", metavar="FILE-or-DIR", help="recordings in place of the microphone")
    parser.add_argument("--fast", action="store_true", help="recordings at full speed, prompts not played")
    parser.add_argument("--session", metavar="FILE", type=Path, help="file to make (default: in the shop's own)")
    parser.add_argument("--resume", metavar="FILE", type=Path, help="go on with the drive in this session file")
    parser.add_argument("--passenger", action="store_true", help="open the passenger's page on this machine")
    parser.add_argument("--lan", action="store_true", help="with --passenger: for a phone on the local network")
    parser.add_argument("--no-clips", action="store_true", help="keep no recordings, only what was understood")
    parser.add_argument("--engine", choices=ENGINES, help="speech engine (default: the best that is there)")
    parser.add_argument("--model", metavar="DIR", help="Vosk model folder")


def run(args: argparse.Namespace) -> int:
    """Run the drive to its end, or to the end of the recordings."""
    if args.lan and not args.passenger:
        raise UserError("--lan: only with --passenger")
    if args.fast and not args.wav:
        raise UserError("--fast: only with --wav")
    if args.resume and (args.session or args.unit or args.checklist or args.intake):
        raise UserError("--resume: unit, checklist, intake and session come from the file")
    screen = Terminal()
    with ExitStack() as stack:
        file = stack.enter_context(_open_session(args))
        view = project(file.events())
        keep = bool(view.started.get("keep_clips", True))
        kept = KEPT_CLIPS if keep else KEPT_NO_CLIPS
        voice = stack.enter_context(closing(Voice()))
        voice.warm(kept)  # while the engine loads
        unit = load_unit(view.unit or "")
        checklist = load_checklist(view.checklist or "road_test", steps_for(unit))
        loops: list[DriveLoop] = []
        try:
            with ThreadPoolExecutor(1, "engine") as aside:
                starting = aside.submit(Hearing, args.engine, args.model, len(unit.forward))
                player = Player(file.path.with_name(f"{file.path.stem}-prompts"))  # asks for the devices meanwhile
                hearing = stack.enter_context(closing(starting.result()))
            source = stack.enter_context(closing(_source(args, loops)))
        except UserError:
            if not args.resume:
                _discard(file)  # nothing was said yet
            raise
        keep = bool(view.started.get("keep_clips", True))
        print(f"Session: {file.path}")
        clips = f", and {RECORDINGS}" if keep else "; no recordings."
        print(f"Kept in it: the entries and what was understood{clips}")
        print("The local network can reach the passenger's page." if args.lan else "Nothing leaves this machine.")
        print("The maker's service information, local law and licensed practice come first.\n")
        code = _open_page(stack, file.path, args.lan, screen) if args.passenger else None
        if args.fast:
            player.has_device = False
        loop = DriveLoop(
            file, start(checklist, view, uuid.uuid4().hex[:8]), unit, source, hearing,
            lambda heard: stack.enter_context(closing(Speaker(voice, player, heard))),
            screen, kept=kept, keep_clips=keep, half_duplex=args.wav is None,
        )  # fmt: skip
        loops.append(loop)
        if code:
            loop.speaker.say(f"The page's pairing code is {', '.join(code)}.", "opening")
        keys = PassengerKeys(file.path, _typed(hearing, loop), screen.told)
        if args.wav is None:
            print(f"{KEYS_HELP}\n")
        with listening(keys):
            loop.run()
        if not loop.state.ended:
            print("\nThe recordings are over and the drive is not. Go on with:")
            print(f"  fieldassist drive --resume {file.path}")
        print(f"\nSession: {file.path}")
        print(f"Review:  fieldassist review {file.path}")
    return 0


def started(unit: str, checklist: str, keep_clips: bool, **more: Any) -> dict[str, Any]:
    """Return the data of a session's first event."""
    return {"unit": unit, "checklist": checklist, "app": __version__, "keep_clips": keep_clips, **more}


def _open_session(args: argparse.Namespace) -> Store:
    if args.resume:
        return Store.open(args.resume)
    if not args.unit:
        raise UserError(f"--unit: name the transmission: {', '.join(unit_names())}, or the path of a .toml file")
    unit = load_unit(args.unit)
    checklist = args.checklist or "road_test"
    load_checklist(checklist, steps_for(unit))  # refused before a file is made
    intake = read_intake(args.intake) if args.intake else {}
    if not args.intake and args.wav is None and sys.stdin.isatty():
        print("Before the drive, car standing (Enter leaves a line out):")
        intake = ask_intake(input, print)
    path = args.session
    if path is None:
        folder = home() / "sessions"
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise UserError(f"{folder}: cannot be made ({error.strerror}); name a file with --session") from None
        path = folder / f"{datetime.now():%Y-%m-%d-%H%M%S}.session"
    file = Store.create(path, started(_lasting(args.unit), _lasting(checklist), not args.no_clips))
    if intake:
        file.append("intake", intake)
    return file


def _discard(file: Store) -> None:
    """Remove a session file that was made for a drive which never began."""
    file.close()
    for suffix in ("", "-wal", "-shm"):
        file.path.with_name(file.path.name + suffix).unlink(missing_ok=True)


def _lasting(name: str) -> str:
    """A file's path holds wherever the drive is taken up again."""
    return str(Path(name).resolve()) if name.endswith(".toml") else name


def _source(args: argparse.Namespace, loops: list[DriveLoop]) -> AudioSource:
    if args.wav is None:
        return Microphone()
    files = iter(audio_files(args.wav))

    def choose() -> Path | None:
        if loops:
            loops[0].settle()
        return next(files, None)

    return Recordings(choose, None if args.fast else 1.0)


def _open_page(stack: ExitStack, path: Path, lan: bool, screen: Screen) -> str | None:
    """Serve the passenger's page until the stack closes; return its pairing code, None when it needs none."""
    from fieldassist.pages.server import start_passenger  # only a drive with a page pays for it

    page = start_passenger(path, lan)
    stack.callback(page.stop)
    print(f"Passenger's page: {page.url}")
    if page.code:
        print(page.qr)
        screen.told(f"pairing code {' '.join(page.code)}")
    return page.code


def _typed(hearing: Hearing, loop: DriveLoop) -> Callable[[str, SessionView], Finding | None]:
    def read(line: str, _: SessionView) -> Finding | None:
        return heard_from(line, hearing.matcher, loop.state).finding

    return read

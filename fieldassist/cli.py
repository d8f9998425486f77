"""The `fieldassist` command: a thin door to one module per command in `fieldassist.commands`."""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Sequence

from fieldassist import __version__
from fieldassist.errors import UserError

COMMANDS: dict[str, str] = {
    "demo": "play a whole recorded road test: no microphone needed",
    "drive": "road test by voice, from the microphone or from recordings",
    "hear": "recognise and match recordings",
    "match": "match a typed sentence to a finding",
    "say": "print what can be said",
    "gears": "ratios, speeds and torque shares of a unit",
    "deduce": "suspects and next test from a session or a list of findings",
    "review": "bay review pages, or an exported report",
    "session": "check, export, import or replay a session file",
    "voice": "record a technician's voice, or a test set in the car",
    "check": "microphone, output, speech model, voice and disk",
}
"""Command -> one-line help. Each is `fieldassist/commands/<name>.py` with `configure` and `run`."""
ONE_THREAD = ("OPENBLAS_NUM_THREADS", "1")
"""Told to NumPy's library for matrices, which reads it when it is loaded: ours are so small that its further
threads only wait for one another, and use more of the battery than all the rest."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; return its exit code (2 for bad input, 130 when interrupted)."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    os.environ.setdefault(*ONE_THREAD)
    parser = argparse.ArgumentParser(
        prog="fieldassist", description="Voice checklist and deduction for road-testing automatic transmissions."
    )
    parser.add_argument("--version", action="version", version=f"fieldassist {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    wanted = next((word for word in arguments if not word.startswith("-")), None)
    for name, text in COMMANDS.items():
        sub = commands.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".")
        if name == wanted:  # only the wanted command pays for its imports
            importlib.import_module(f"fieldassist.commands.{name}").configure(sub)
    args = parser.parse_args(arguments)
    try:
        return int(importlib.import_module(f"fieldassist.commands.{args.command}").run(args))
    except UserError as error:
        print(f"fieldassist: {error}", file=sys.stderr)
        return 2
    except BrokenPipeError:
        sys.stderr.close()  # the reader of our output went away, as `| head` does
        return 0
    except KeyboardInterrupt:
        print("fieldassist: interrupted; everything recorded so far is kept", file=sys.stderr)
        return 130

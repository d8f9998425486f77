"""`fieldassist review`: the bay review in a browser, or the write-up of one session as a file."""

from __future__ import annotations

import argparse
import contextlib
from pathlib import Path

from fieldassist.errors import UserError
from fieldassist.pages.report import write_report
from fieldassist.record.store import Store
from fieldassist.resources import home


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument(
        "session", nargs="?", help="session file, or a folder of them (default: the shop's sessions)"
    )
    parser.add_argument("--export", metavar="FILE", help="write the report of SESSION to FILE (.html) and end")
    parser.add_argument("--port", type=int, help="port on this machine")


def run(args: argparse.Namespace) -> int:
    """Export, or serve until interrupted."""
    named = Path(args.session) if args.session else home() / "sessions"
    if args.export:
        if not args.session:
            raise UserError("--export: name the session to report on")
        print(f"Report: {write_report(named, args.export)}")
        return 0
    if args.port is not None and not 0 <= args.port <= 65535:
        raise UserError(f"--port {args.port}: expected 0 to 65535")
    if named.is_dir() or not args.session:
        folder, session = named, None
    else:
        Store.open(named, readonly=True).close()
        folder, session = named.resolve().parent, named.name
    from fieldassist.pages.review_server import make_review

    server = make_review(folder, args.port, session)
    print(f"Bay review of {folder}", "Open in a browser on this machine:", f"  {server.url}", sep="\n")
    print("End with Ctrl+C.", flush=True)
    with contextlib.suppress(KeyboardInterrupt):  # the way to end it
        server.run()
    return 0

"""`fieldassist session`: check, export, import, replay a session file, or drop its clips."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from fieldassist.errors import UserError
from fieldassist.record.inspection import inspect, save
from fieldassist.record.portable import export_session, import_session, read_json
from fieldassist.record.projection import project
from fieldassist.record.store import Store
from fieldassist.words.engines import ENGINES


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)

    check = actions.add_parser("check", help="say what is wrong with a session file")
    check.add_argument("file", metavar="FILE", type=Path)
    check.add_argument("--save", metavar="NEW", type=Path, help="write all that can be read to a new session file")

    export = actions.add_parser("export", help="write a session as JSON, clips included")
    export.add_argument("file", metavar="FILE", type=Path)
    export.add_argument("out", metavar="JSON", nargs="?", type=Path, help="file to write (default: print it)")

    take = actions.add_parser("import", help="make a session file from exported JSON")
    take.add_argument("file", metavar="JSON", type=Path)
    take.add_argument("out", metavar="FILE", type=Path, help="session file to make")

    replay = actions.add_parser(
        "replay", help="hear the kept clips again: what is newly heard, no longer heard, or changed"
    )
    replay.add_argument("file", metavar="FILE", type=Path)
    replay.add_argument("--engine", choices=ENGINES, help="speech engine (default: the one a drive would use)")
    replay.add_argument("--model", metavar="DIR", type=Path, help="Vosk model folder")
    replay.add_argument("--json", action="store_true", help="print JSON")

    drop = actions.add_parser("drop-clips", help="erase the recordings from a session file; the entries stay")
    drop.add_argument("file", metavar="FILE", type=Path)


def run(args: argparse.Namespace) -> int:
    """Run one action; 1 when `check` finds something wrong or `replay` a difference."""
    match args.action:
        case "check":
            return _check(args.file, args.save)
        case "export":
            return _export(args.file, args.out)
        case "import":
            import_session(read_json(args.file), args.out)
            with Store.open(args.out, readonly=True) as store:
                print(f"{args.out}: {len(store.events())} events, {len(store.clip_ids())} clips")
            return 0
        case "drop-clips":
            with Store.open(args.file) as store:
                count = store.drop_clips()
            print(f"{args.file}: {count} clips erased, and what was overheard; the entries are kept")
            return 0
    return _replay(args)


def _check(path: Path, target: Path | None) -> int:
    found = inspect(path)
    view = project(found.events)
    done = f"{len(view.steps_done)} steps done"
    print(f"{path}: {len(found.events)} events, {len(view.entries)} entries, {len(found.clips)} clips, {done}")
    for remark in found.remarks:
        print(f"  remark: {remark}")
    for problem in found.problems:
        print(f"  problem: {problem}")
    if target is not None:
        save(found, target)
        print(f"  saved to {target}")
    elif found.problems:
        print("  --save NEW writes all that could be read to a new file")
    else:
        print("  nothing wrong")
    return 1 if found.problems else 0


def _export(path: Path, out: Path | None) -> int:
    with Store.open(path, readonly=True) as store:
        text = json.dumps(export_session(store), indent=1)
    if out is None:
        print(text)
        return 0
    try:
        with out.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise UserError(f"{out}: already there; give another name") from None
    except OSError as error:
        out.unlink(missing_ok=True)  # half an export is none
        raise UserError(f"{out}: cannot be written ({error.strerror})") from None
    print(f"{out}: written", file=sys.stderr)
    return 0


def _replay(args: argparse.Namespace) -> int:
    from fieldassist.drive.replay import replay  # loads the speech engine

    result = replay(args.file, args.engine, args.model)
    if args.json:
        print(json.dumps(result.to_json(), indent=2))
    else:
        print("\n".join(result.lines()))
    return 1 if result.differences else 0

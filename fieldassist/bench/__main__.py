"""`python -m fieldassist.bench NAME`: runs `fieldassist/bench/NAME.py`."""

from __future__ import annotations

import importlib
import os
import pkgutil
import sys

import fieldassist.bench
from fieldassist.cli import ONE_THREAD
from fieldassist.errors import UserError


def main(argv: list[str]) -> int:
    """Run one benchmark; return its exit code."""
    os.environ.setdefault(*ONE_THREAD)  # as the program does
    names = sorted(m.name for m in pkgutil.iter_modules(fieldassist.bench.__path__) if not m.name.startswith("_"))
    runnable = (
        [name for name in names if hasattr(importlib.import_module(f"fieldassist.bench.{name}"), "run")]
        if (not argv or argv[0] not in names)
        else [argv[0]]
    )
    if not argv or argv[0] not in runnable:
        print(f"usage: python -m fieldassist.bench {'|'.join(runnable)}", file=sys.stderr)
        return 2
    try:
        return int(importlib.import_module(f"fieldassist.bench.{argv[0]}").run(argv[1:]))
    except UserError as error:
        print(f"fieldassist.bench: {error}", file=sys.stderr)
        return 2


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

"""Vosk's Python package without what it only fetches models with.

It imports a web client, a progress bar and a reader of subtitles with itself: 9 MB of memory and half of the time
that it takes to load, for what an offline tool never does. They stay out while it is imported.
"""

from __future__ import annotations

import sys
from types import ModuleType
from typing import Any

_ONLY_FOR_FETCHING = ("requests", "tqdm", "srt")


def _imported() -> Any:
    out = [name for name in _ONLY_FOR_FETCHING if name not in sys.modules]
    for name in out:
        stand_in = ModuleType(name)
        stand_in.tqdm = None  # type: ignore[attr-defined]  # what is taken from it by name
        sys.modules[name] = stand_in
    try:
        import vosk as package
    finally:
        for name in out:
            del sys.modules[name]
    return package


vosk = _imported()

"""Vosk's Python package without what it only fetches models with.

It imports a web client, a progress bar and a reader of subtitles with itself: 9 MB of memory and half of the time
that it takes to load, for what an offline tool never does. They stay out while it is imported.
"""

from __future__ import annotations

import ctypes
import sys
from contextlib import suppress
from types import ModuleType
from typing import Any

_MMAP_THRESHOLD = -3
"""mallopt's number of that setting."""
_LARGE = 128 * 1024
"""Bytes; glibc begins with this, but raises it when such a block is freed, unless it is set."""
_ONLY_FOR_FETCHING = ("requests", "tqdm", "srt", "urllib.request")


def _imported() -> Any:
    out = [name for name in _ONLY_FOR_FETCHING if name not in sys.modules]
    for name in out:
        stand_in = ModuleType(name)
        stand_in.tqdm = stand_in.urlretrieve = None  # type: ignore[attr-defined]  # what is taken from it by name
        sys.modules[name] = stand_in
    try:
        import vosk as package
    finally:
        for name in out:
            del sys.modules[name]
    return package


def _give_memory_back() -> None:
    """Have the C library take large blocks from the system and give them back, where it is glibc (mallopt(3)).

    Otherwise it soon keeps all of them, and what decoding and matching need in turn adds up: 11 MB over a
    run of the hearing benchmark.
    """
    if sys.platform == "linux":
        with suppress(OSError, AttributeError):
            ctypes.CDLL(None).mallopt(_MMAP_THRESHOLD, _LARGE)


def give_back_what_is_free() -> None:
    """Have the C library give back all that is free, between what is in use too, where it is glibc
    (malloc_trim(3)): 3 MB over a run of the hearing benchmark, and as many after a graph was loaded."""
    if sys.platform == "linux":
        with suppress(OSError, AttributeError):
            ctypes.CDLL(None).malloc_trim(0)


vosk = _imported()
_give_memory_back()

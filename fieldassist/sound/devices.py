"""The sound devices of this machine: PortAudio, loaded only when it is needed."""

from __future__ import annotations

import contextlib
import ctypes
import functools
import importlib
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from fieldassist.errors import UserError

_RESCAN_LOCK = threading.RLock()
"""Held while streams open, close or play: PortAudio must not be started anew under them."""

_CLOSE_SECONDS = 2.0


@dataclass(frozen=True)
class Device:
    """One way in or out."""

    index: int
    name: str
    channels: int
    rate: float
    """Hz, what the device prefers."""


def portaudio() -> Any:
    """Return the `sounddevice` module. Raises UserError with the remedy where PortAudio is missing."""
    _quieten_alsa()
    try:
        return importlib.import_module("sounddevice")
    except OSError as error:
        raise UserError(
            f"sound devices: PortAudio is missing ({error}); on Debian or Ubuntu: apt install libportaudio2"
        ) from None


_AlsaHandler = ctypes.CFUNCTYPE(
    None, ctypes.c_char_p, ctypes.c_int, ctypes.c_char_p, ctypes.c_int, ctypes.c_char_p
)
_IGNORE = _AlsaHandler(lambda *_: None)  # ALSA keeps only its address: it must live as long as the process


@functools.cache
def _quieten_alsa() -> None:
    """Keep ALSA's own messages off the terminal, where the dialogue is: what matters comes back as an error."""
    if sys.platform.startswith("linux"):
        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL("libasound.so.2").snd_lib_error_set_handler(_IGNORE)


def default_device(kind: str) -> Device | None:
    """Return the default device: `kind` is `input` or `output`; None when there is none."""
    sounddevice = portaudio()
    try:
        found = sounddevice.query_devices(kind=kind)
    except (sounddevice.PortAudioError, ValueError):
        return None
    channels = int(found[f"max_{kind}_channels"])
    if channels < 1:
        return None
    return Device(int(found["index"]), str(found["name"]), channels, float(found["default_samplerate"]))


def rescan() -> None:
    """Let PortAudio look for devices again: it lists them once, when it starts.

    Waits for streams that are in use elsewhere, since they would not survive.
    """
    sounddevice = portaudio()
    with _RESCAN_LOCK:
        sounddevice._terminate()
        sounddevice._initialize()


def in_use() -> threading.RLock:
    """Return the lock that keeps PortAudio running while a stream is in use."""
    return _RESCAN_LOCK


def close_quietly(stream: Any) -> bool:
    """Close a stream of a device that may be gone; False when the closing hangs and is left behind."""

    def close() -> None:
        try:
            stream.abort(ignore_errors=True)
            stream.close(ignore_errors=True)
        except Exception:  # a driver that lost its device may raise anything: there is nothing more to do
            return

    return within(close, _CLOSE_SECONDS)


def within(work: Callable[[], None], seconds: float) -> bool:
    """Do some work in a thread of its own; False when it is not done in time (it is left running)."""
    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    thread.join(seconds)
    return not thread.is_alive()



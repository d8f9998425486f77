"""Where sound comes from: a microphone, or recordings, behind one interface."""

from __future__ import annotations

import math
import threading
import time
from collections import deque
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from fieldassist.errors import UserError
from fieldassist.sound.devices import close_quietly, default_device, in_use, portaudio, rescan
from fieldassist.sound.wave import Converter, audio_files, stream_wave
from fieldassist.words.recognizer import SAMPLE_RATE, Samples

STRETCH_SECONDS = 0.1
"""How much a source hands over at a time."""
GAP_SECONDS = 1.0
"""Silence between two recordings, so that they are two utterances."""

_STRETCH = round(STRETCH_SECONDS * SAMPLE_RATE)
_RING_SECONDS = 30.0
_LOST_AFTER = 1.0  # seconds without a sample
_FIRST_SAMPLE = 1.5  # seconds: some drivers never begin at the first attempt
_QUIET_ATTEMPTS = 3
_TRY_AGAIN_AFTER = 1.0
_BLOCK_SECONDS = 0.05
_LATENCY = 0.2
"""Seconds that the device may keep, handed over in blocks: left to itself it wakes the machine a hundred times a
second, and nothing here can be told from less than a block or two."""


class AudioSource(Protocol):
    """A stream of mono 16-bit samples at 16 kHz."""

    def read(self) -> Samples | None:
        """Return the next stretch (about 0.1 s; empty while a device is away), None at the end."""

    def troubles(self) -> tuple[str, ...]:
        """Return what went wrong, or right again, since last asked: in words for the driver."""

    def close(self) -> None:
        """Let go of the device or file."""


class FileSource:
    """Recordings, one after another, in real time, at a multiple of it, or as fast as they are read."""

    def __init__(self, path: str | Path, pace: float | None = None) -> None:
        """`path`: an audio file or a directory of them; `pace`: 1.0 for real time, None for no waiting.

        Raises UserError when there is nothing to play, or (here or in `read`) for a broken file.
        """
        self._files = audio_files(path)
        self._pace = pace
        self._stretches = self._read_all()
        self._began: float | None = None
        self._handed_out = 0.0
        self.file: Path | None = None
        """The recording that the last stretch came from."""
        self.file_started = 0.0
        """Seconds of the stream at which that recording began."""

    def read(self) -> Samples | None:
        """Return the next stretch, waiting for its time to come; None after the last recording."""
        samples = next(self._stretches, None)
        if samples is None:
            return None
        if self._pace is not None:
            now = time.monotonic()
            self._began = now if self._began is None else self._began
            due = self._began + (self._handed_out + len(samples) / SAMPLE_RATE) / self._pace
            time.sleep(max(0.0, due - now))
        self._handed_out += len(samples) / SAMPLE_RATE
        return samples

    def troubles(self) -> tuple[str, ...]:
        """A file has none."""
        return ()

    def close(self) -> None:
        """Stop reading."""
        self._stretches = iter(())

    def _read_all(self) -> Iterator[Samples]:
        position = 0
        for path in self._files:
            self.file, self.file_started = path, position / SAMPLE_RATE
            rest = np.zeros(0, np.int16)
            for block in stream_wave(path):
                rest = np.concatenate([rest, block])
                whole = len(rest) // _STRETCH * _STRETCH
                for at in range(0, whole, _STRETCH):
                    position += _STRETCH
                    yield rest[at : at + _STRETCH]
                rest = rest[whole:]
            gap = np.zeros(round(GAP_SECONDS * SAMPLE_RATE), np.int16)
            tail = np.concatenate([rest, gap])
            for at in range(0, len(tail), _STRETCH):
                position += len(tail[at : at + _STRETCH])
                yield tail[at : at + _STRETCH]


class Microphone:
    """The default input device, whatever its rate and channels, found again when it goes away.

    A callback puts what comes in into a ring of thirty seconds; `read` takes it out, so that a slow moment
    of the rest of the program loses nothing. What the ring cannot hold is counted and told.
    """

    def __init__(self) -> None:
        """Open the default microphone. Raises UserError with the remedy when there is none."""
        self._ready = threading.Condition()
        self._ring: deque[npt.NDArray[np.float32]] = deque()
        self._ring_frames = 0
        self._wanted_frames = 0
        self._overflowed = 0.0
        self._told: list[str] = []
        self._stream: Any = None
        self._rate = SAMPLE_RATE
        self._converter: Converter | None = None
        self._pending = np.zeros(0, np.int16)
        self._lost = False
        self._begun = False  # the open stream has delivered something
        self._attempts = 0
        self._next_try = 0.0
        self.device_name = ""
        if not self._open():
            raise UserError(
                "no microphone answers: plug one in, or choose one in the sound settings"
            )
        self._last_sample = time.monotonic()

    @property
    def lost(self) -> bool:
        """Whether the device is away at the moment."""
        return self._lost

    def read(self) -> Samples | None:
        """Return the next stretch; an empty one now and then while the microphone is away. Never None."""
        deadline = time.monotonic() + 2 * STRETCH_SECONDS
        while len(self._pending) < _STRETCH and time.monotonic() < deadline:
            self._take(deadline)
            if self._lost:
                self._try_again()
            elif not self._is_running():
                self._lose()
            elif time.monotonic() - self._last_sample > (_LOST_AFTER if self._begun else _FIRST_SAMPLE):
                if self._begun or self._attempts >= _QUIET_ATTEMPTS:
                    self._lose()
                else:
                    self._open_again()
        stretch, self._pending = self._pending[:_STRETCH], self._pending[_STRETCH:]
        return stretch

    def troubles(self) -> tuple[str, ...]:
        """Return what happened to the device since last asked: in words for the driver."""
        if self._overflowed:
            self._told.append(f"Sound came in too fast: {self._overflowed:.1f} seconds of it are missing.")
            self._overflowed = 0.0
        told, self._told = tuple(self._told), []
        return told

    def close(self) -> None:
        """Let go of the microphone."""
        if self._stream is not None:
            with in_use():
                close_quietly(self._stream)
            self._stream = None

    def _take(self, deadline: float) -> None:
        with self._ready:
            self._wanted_frames = math.ceil((_STRETCH - len(self._pending)) * self._rate / SAMPLE_RATE)
            if self._ring_frames < self._wanted_frames:
                self._ready.wait(max(0.0, deadline - time.monotonic()))
            blocks = list(self._ring)
            self._ring.clear()
            self._ring_frames = 0
        if blocks and self._converter is not None:
            self._last_sample = time.monotonic()
            self._begun, self._attempts = True, 0
            samples = [self._converter.convert(block) for block in blocks]
            self._pending = np.concatenate([self._pending, *samples])

    def _is_running(self) -> bool:
        sounddevice = portaudio()
        try:
            return self._stream is not None and bool(self._stream.active)
        except sounddevice.PortAudioError:
            return False

    def _lose(self) -> None:
        self._lost = True
        self._told.append("The microphone is gone. I keep looking for one.")
        with in_use():
            close_quietly(self._stream)
        self._stream = None
        self._next_try = 0.0

    def _open_again(self) -> None:
        self._attempts += 1
        with in_use():
            close_quietly(self._stream)
        if self._open():
            self._last_sample = time.monotonic()
        else:
            self._lose()

    def _try_again(self) -> None:
        if time.monotonic() < self._next_try:
            return
        rescan()
        if self._open():
            self._lost = False
            self._attempts = 0
            self._last_sample = time.monotonic()
            self._told.append("The microphone is back.")
        self._next_try = time.monotonic() + _TRY_AGAIN_AFTER

    def _open(self) -> bool:
        """Open the default input at our rate, or else at its own; False when none can be opened."""
        sounddevice = portaudio()
        with in_use():
            device = default_device("input")
            if device is None:
                return False
            settings = [(SAMPLE_RATE, 1), (int(device.rate), 1), (int(device.rate), min(2, device.channels))]
            for rate, channels in settings:
                try:
                    stream = sounddevice.InputStream(
                        samplerate=rate, channels=channels, dtype="float32", callback=self._heard,
                        device=device.index, blocksize=round(_BLOCK_SECONDS * rate), latency=_LATENCY,
                    )  # fmt: skip
                    self._ring_limit = int(_RING_SECONDS * rate)
                    self._rate = rate
                    stream.start()
                except (sounddevice.PortAudioError, ValueError):
                    continue
                self._stream, self._begun = stream, False
                self._converter = Converter(rate, channels)
                self.device_name = device.name
                return True
        return False

    def _heard(self, frames: npt.NDArray[np.float32], count: int, _: object, status: Any) -> None:
        """PortAudio's callback: nothing here may wait."""
        with self._ready:
            if status.input_overflow:
                self._overflowed += count / self._rate  # PortAudio does not say how much: one block at least
            self._ring.append(frames.copy())
            self._ring_frames += count
            while self._ring_frames > self._ring_limit:
                dropped = self._ring.popleft()
                self._ring_frames -= len(dropped)
                self._overflowed += len(dropped) / self._rate
            if self._ring_frames >= self._wanted_frames:
                self._ready.notify()

"""Plays prompts, and stops in the middle of one when told to."""

from __future__ import annotations

import re
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np

from fieldassist.errors import UserError
from fieldassist.sound.devices import close_quietly, default_device, in_use, portaudio
from fieldassist.sound.wave import write_wave
from fieldassist.words.recognizer import SAMPLE_RATE, Samples

_STALLED_AFTER = 0.1  # seconds by which a device is late with what it takes
_STUCK_AFTER = 2.0  # seconds beyond a prompt's own length


class Playing:
    """A prompt under way."""

    def __init__(self, samples: Samples) -> None:
        self.samples = samples
        """The whole prompt."""
        self.seconds = len(samples) / SAMPLE_RATE
        """Its length."""
        self.began: float | None = None
        """`time.monotonic()` when the device took the first sample; None before that, or when none ever does. When
        it stopped in the middle and went on: as if it had begun so much later."""
        self.handed = 0
        """Samples that the device has taken so far."""
        self.stopped = False
        """It was cut short."""
        self._stop = threading.Event()
        self._done = threading.Event()

    @property
    def done(self) -> bool:
        """Whether it has ended, one way or the other."""
        return self._done.is_set()

    def stop(self) -> None:
        """Cut it short, within about 50 ms."""
        self._stop.set()

    def wait(self, seconds: float | None = None) -> bool:
        """Wait for its end; False when it has not come within `seconds`."""
        return self._done.wait(seconds)


class Player:
    """Speaks through the default output device; without one, prompts are kept as files instead.

    Every prompt opens the device anew, so that a headset that went away or came back, or another default,
    counts from the next prompt on.
    """

    def __init__(self, folder: Path | None = None) -> None:
        """`folder`: where prompts go as WAV files when there is no output device (None: nowhere)."""
        self._folder = folder
        self._number = 0
        self._told: list[str] = []
        self._silent = False
        try:
            device = default_device("output")
        except UserError:  # without PortAudio there is no output device either
            device = None
        self.has_device = device is not None
        """Whether an output device was there when last looked."""

    def play(self, samples: Samples, text: str = "") -> Playing:
        """Begin to play; return at once. `text` names the file where there is no device."""
        playing = Playing(samples)
        if len(samples) == 0:
            playing._done.set()
        elif self.has_device:
            threading.Thread(target=self._play, args=(samples, text, playing), daemon=True).start()
        else:
            self._keep(samples, text)
            playing._done.set()
        return playing

    def troubles(self) -> tuple[str, ...]:
        """Return what happened to the output since last asked: in words for the screen."""
        told, self._told = tuple(self._told), []
        return told

    def _play(self, samples: Samples, text: str, playing: Playing) -> None:
        try:
            with in_use():
                heard = self._stream(samples, playing)
            if heard:
                if self._silent:
                    self._silent = False
                    self._told.append("The loudspeaker is back.")
            else:
                if not self._silent:
                    self._silent = True
                    self._told.append("The loudspeaker is gone: prompts are shown and kept as files.")
                self._keep(samples, text)
        finally:
            playing._done.set()

    def _stream(self, samples: Samples, playing: Playing) -> bool:
        """Play through the default device; False when it cannot be opened or takes no sound."""
        sounddevice = portaudio()
        cursor = _Cursor(samples)
        finished = threading.Event()

        def give(out: Any, frames: int, _: object, __: object) -> None:
            now = time.monotonic()
            due = now - cursor.position / SAMPLE_RATE
            if playing.began is None or due - playing.began > _STALLED_AFTER:
                playing.began = due  # a loudspeaker that was asleep takes its first samples long before the others
            piece = cursor.take(frames)
            playing.handed = cursor.position
            out[: len(piece), 0] = piece
            out[len(piece) :, 0] = 0
            if playing._stop.is_set() or len(piece) < frames:
                raise sounddevice.CallbackStop

        try:
            stream = sounddevice.OutputStream(
                samplerate=SAMPLE_RATE, channels=1, dtype="int16", callback=give, latency="high",
                finished_callback=finished.set,
            )  # fmt: skip
            stream.start()
        except (sounddevice.PortAudioError, ValueError):
            return False
        limit = time.monotonic() + playing.seconds + _STUCK_AFTER
        while not finished.is_set() and time.monotonic() < limit:
            if playing._stop.is_set():
                break
            finished.wait(0.02)
        playing.stopped = playing._stop.is_set() and not cursor.at_end
        came_through = finished.is_set() or playing._stop.is_set()
        close_quietly(stream)
        return came_through

    def _keep(self, samples: Samples, text: str) -> None:
        if self._folder is None:
            return
        self._number += 1
        words = re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")[:40]
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            write_wave(self._folder / f"prompt-{self._number:04d}{'-' if words else ''}{words}.wav", samples)
        except (OSError, UserError) as error:
            self._told.append(f"A prompt could not be kept: {error}")


class _Cursor:
    """Hands samples out in the pieces that the device asks for."""

    def __init__(self, samples: Samples) -> None:
        self._samples = samples
        self.position = 0

    @property
    def at_end(self) -> bool:
        return self.position >= len(self._samples)

    def take(self, count: int) -> Samples:
        piece = self._samples[self.position : self.position + count]
        self.position += len(piece)
        return np.ascontiguousarray(piece)

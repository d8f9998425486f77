"""Speech out: a prompt becomes samples, rendered by pyttsx3 on espeak-ng."""

from __future__ import annotations

import contextlib
import ctypes
import os
import sys
import tempfile
import threading
from collections import OrderedDict
from pathlib import Path

import numpy as np

from fieldassist.errors import UserError
from fieldassist.sound.wave import read_wave
from fieldassist.words.recognizer import SAMPLE_RATE, Samples
from fieldassist.words.worker import Worker, WorkerLost

WORDS_PER_MINUTE = 165
"""Brisk, and still understood over road noise."""

_RENDER_SECONDS = 10.0
_KEPT_SAMPLES = 120 * SAMPLE_RATE
_ATTEMPTS = 4
_WAVE_HEADER_BYTES = 44


class Voice:
    """Renders prompts in a process of its own: the speech library may hang, the drive may not.

    The prompts used last, two minutes of sound, are kept, since the same few come back all through a drive.
    Safe to share between threads, one of which waits for the other.
    """

    def __init__(self) -> None:
        """Nothing is started until the first prompt."""
        self._worker: Worker | None = None
        self._kept: OrderedDict[str, Samples] = OrderedDict()
        self._kept_samples = 0
        self._in_use = threading.Lock()

    @property
    def pid(self) -> int | None:
        """Process id of the speech library's process, None where there is none."""
        return self._worker.pid if self._worker is not None else None

    def warm(self, text: str) -> None:
        """Start the process and render, in the background, what is to be said first; trouble comes out then."""

        def render() -> None:
            with contextlib.suppress(UserError):
                self.render(text)

        threading.Thread(target=render, daemon=True, name="voice").start()

    def render(self, text: str) -> Samples:
        """Return the spoken text. A worker that hangs or dies is replaced once.

        Raises UserError with the remedy when there is no speech library, or when it fails twice.
        """
        if not any(letter.isalnum() for letter in text):
            return np.zeros(0, np.int16)
        with self._in_use:
            if text in self._kept:
                self._kept.move_to_end(text)
                return self._kept[text]
            try:
                samples = self._render_now(text)
            except WorkerLost:
                self._end()
                try:
                    samples = self._render_now(text)
                except WorkerLost as error:
                    self._end()
                    raise UserError(f"voice: speech failed twice ({error}); prompts are shown only") from None
            self._keep(text, samples)
        return samples

    def close(self) -> None:
        """End the worker process."""
        with self._in_use:
            self._end()

    def _keep(self, text: str, samples: Samples) -> None:
        self._kept[text] = samples
        self._kept_samples += len(samples)
        while self._kept_samples > _KEPT_SAMPLES and len(self._kept) > 1:
            _, old = self._kept.popitem(last=False)
            self._kept_samples -= len(old)

    def _end(self) -> None:
        if self._worker is not None:
            self._worker.close()
            self._worker = None

    def _render_now(self, text: str) -> Samples:
        if self._worker is None:
            self._worker = Worker("fieldassist.sound.voice:SpeechLibrary")
        samples: Samples = self._worker.call("render", text, within=_RENDER_SECONDS)
        return samples


class SpeechLibrary:
    """pyttsx3 in this process; `Voice` keeps it in another one."""

    def __init__(self) -> None:
        """Load the library. Raises UserError with the remedy when the machine has none."""
        if sys.platform.startswith("linux"):
            _load_espeak()
        import pyttsx3  # looks for its library at import time, so not before ours is loaded

        try:
            self._engine = pyttsx3.init()
            self._engine.setProperty("rate", WORDS_PER_MINUTE)
        except (RuntimeError, OSError, ImportError, ValueError) as error:
            raise UserError(f"voice: no speech library ({error}); install espeak-ng, or espeakng-loader") from None

    def render(self, text: str) -> Samples:
        """Return the spoken text. Raises UserError when the library gives no sound.

        espeak-ng now and then ends a prompt before its first sample; asked again, it speaks.
        """
        with tempfile.TemporaryDirectory(prefix="fieldassist-") as folder:
            for attempt in range(_ATTEMPTS):
                path = Path(folder) / f"prompt{attempt}.wav"
                self._engine.save_to_file(text, str(path))
                self._engine.runAndWait()
                if path.exists() and path.stat().st_size > _WAVE_HEADER_BYTES:
                    return read_wave(path)
        raise UserError(f"voice: no sound came for {text!r}")


def _load_espeak() -> None:
    """Make the espeak-ng of the package `espeakng-loader` the one that pyttsx3 finds by name."""
    try:
        import espeakng_loader

        ctypes.CDLL(espeakng_loader.get_library_path(), mode=ctypes.RTLD_GLOBAL)
        os.environ.setdefault("ESPEAK_DATA_PATH", espeakng_loader.get_data_path())
    except (ImportError, OSError, RuntimeError):
        return  # a system-wide espeak-ng may still be there


_VOICE = Voice()


def render(text: str) -> Samples:
    """Return the spoken text as mono 16-bit samples at 16 kHz, with the shared voice.

    Raises UserError with the remedy when there is no speech library.
    """
    return _VOICE.render(text)

"""How loud speech and noise are at the microphone, and what to do about it, in words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fieldassist.sound.activity import CHUNK, ActivityMeter
from fieldassist.words.recognizer import Samples

FULL_SCALE = 32768.0
CLIPPED = 32700
"""Sample value from which on the converter is taken to be at its end."""

# Common practice, no source: the thresholds of the verdicts.
_DEAD = -85.0  # dBFS: below the noise of any microphone that is on
_QUIET = -45.0
_CLIPPED_SHARE = 0.001
_HARD_SNR = 5.0
_FAIR_SNR = 12.0
_SPEECH = 0.5
_LEAST_SPEECH_CHUNKS = 5


@dataclass(frozen=True)
class Level:
    """What a stretch of sound measures. Levels in dB of full scale (a full-scale square wave is 0)."""

    noise: float
    """Of the stretches without speech."""
    speech: float | None
    """Of the stretches with speech, the noise in it; None when nobody spoke."""
    clipped: float
    """Share of the samples at the end of the scale, 0..1."""

    @property
    def snr(self) -> float | None:
        """dB by which the speech alone exceeds the noise; None when nobody spoke."""
        if self.speech is None:
            return None
        alone = 10 ** (self.speech / 10) - 10 ** (self.noise / 10)
        return 10 * float(np.log10(max(alone, 1e-12))) - self.noise

    @property
    def good(self) -> bool:
        """Whether there is nothing to be done about it."""
        return self.verdict.startswith(("The microphone is fine", "I hear the car"))

    @property
    def verdict(self) -> str:
        """What to do about it, in a sentence or two to be spoken."""
        if max(self.noise, self.speech or -120.0) < _DEAD:
            return "The microphone is silent. Check its switch, its plug and the input volume."
        if self.clipped > _CLIPPED_SHARE:
            return "The microphone is too loud and cuts off. Turn the input volume down."
        if self.speech is None or self.snr is None:
            return "I hear the car, and nobody speaking."
        if self.speech < _QUIET:
            return "You are hard to hear. Bring the microphone closer or turn the input volume up."
        if self.snr < _HARD_SNR:
            return "It is too loud in the car for you. Bring the microphone closer, or close windows and fan."
        if self.snr < _FAIR_SNR:
            return "It is loud in the car. Speak up, or bring the microphone closer."
        return "The microphone is fine."


class LevelMeter:
    """Measures a stream; what it says is of the last `memory` seconds of speech and of noise each."""

    def __init__(self, memory: float = 30.0) -> None:
        """Ready for the first sample."""
        self._meter = ActivityMeter()
        self._pending = np.zeros(0, np.int16)
        self._keep = round(memory * 16_000 / CHUNK)
        self._speech: list[float] = []
        self._noise: list[float] = []
        self._clips: list[float] = []

    def push(self, samples: Samples) -> None:
        """Take the next stretch (any length)."""
        self._pending = np.concatenate([self._pending, samples])
        whole = len(self._pending) // CHUNK * CHUNK
        for at in range(0, whole, CHUNK):
            chunk = self._pending[at : at + CHUNK]
            power = float(np.mean(np.square(chunk.astype(np.float64) / FULL_SCALE)))
            speaking = self._meter.look(chunk).speech > _SPEECH
            _remember(self._speech if speaking else self._noise, power, self._keep)
            _remember(self._clips, float(np.mean(np.abs(chunk.astype(np.int32)) >= CLIPPED)), self._keep)
        self._pending = self._pending[whole:]

    @property
    def level(self) -> Level:
        """What was measured so far."""
        spoke = len(self._speech) >= _LEAST_SPEECH_CHUNKS
        return Level(
            noise=_decibels(self._noise),
            speech=_decibels(self._speech) if spoke else None,
            clipped=float(np.mean(self._clips)) if self._clips else 0.0,
        )


def measure(samples: Samples) -> Level:
    """Return the level of a whole recording."""
    meter = LevelMeter()
    meter.push(samples)
    return meter.level


def _remember(values: list[float], value: float, most: int) -> None:
    values.append(value)
    if len(values) > most:
        del values[0]


def _decibels(powers: list[float]) -> float:
    return 10 * float(np.log10(np.mean(powers) + 1e-12)) if powers else -120.0

"""How loud speech and noise are at the microphone, and what to do about it, in words."""

from __future__ import annotations

from collections import deque
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from fieldassist.sound.activity import CHUNK, CHUNK_SECONDS, Activity, ActivityMeter
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
_LEAST_SPEECH_CHUNKS = 16  # half a second
_MEMORY_CHUNKS = round(30.0 / CHUNK_SECONDS)
_FIRST_LASTING = 4.0  # seconds that a verdict lasts before it is spoken
_LASTING = 15.0


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


class Levels:
    """Levels over the last half minute of speech and of noise each, from chunks that somebody else judged."""

    def __init__(self) -> None:
        """Nothing heard yet."""
        self._speech: deque[float] = deque(maxlen=_MEMORY_CHUNKS)
        self._noise: deque[float] = deque(maxlen=_MEMORY_CHUNKS)
        self._clips: deque[float] = deque(maxlen=_MEMORY_CHUNKS)

    def note(self, chunk: Samples, activity: Activity) -> None:
        """Take the next chunk of the stream."""
        power = float(np.mean(np.square(chunk.astype(np.float64) / FULL_SCALE)))
        (self._speech if activity.speech > _SPEECH else self._noise).append(power)
        self._clips.append(float(np.mean(np.abs(chunk.astype(np.int32)) >= CLIPPED)))

    @property
    def level(self) -> Level:
        """What was measured so far."""
        return Level(
            noise=_decibels(self._noise),
            speech=_decibels(self._speech) if len(self._speech) >= _LEAST_SPEECH_CHUNKS else None,
            clipped=float(np.mean(self._clips)) if self._clips else 0.0,
        )

    @property
    def seconds(self) -> float:
        """Seconds of sound that the level speaks of, at most half a minute each of speech and of noise."""
        return (len(self._speech) + len(self._noise)) * CHUNK_SECONDS


class LevelMeter:
    """Measures a stream by itself."""

    def __init__(self) -> None:
        """Ready for the first sample."""
        self._meter = ActivityMeter()
        self._levels = Levels()
        self._pending = np.zeros(0, np.int16)

    def push(self, samples: Samples) -> None:
        """Take the next stretch (any length)."""
        self._pending = np.concatenate([self._pending, samples])
        whole = len(self._pending) // CHUNK * CHUNK
        for at in range(0, whole, CHUNK):
            chunk = self._pending[at : at + CHUNK]
            self._levels.note(chunk, self._meter.look(chunk))
        self._pending = self._pending[whole:]

    @property
    def level(self) -> Level:
        """What was measured so far."""
        return self._levels.level


class Watch:
    """Says when the verdict changes: once at the beginning, and later only what has lasted a while."""

    def __init__(self) -> None:
        """Nothing said yet."""
        self._said: str | None = None
        self._candidate: tuple[str, float] | None = None

    def look(self, level: Level, at: float) -> str | None:
        """Return what is to be said at `at` seconds of the stream, None for nothing new."""
        verdict = level.verdict
        if verdict == self._said or (level.speech is None and level.good):
            self._candidate = None
            return None
        if self._candidate is None or self._candidate[0] != verdict:
            self._candidate = (verdict, at)
        if at - self._candidate[1] < (_FIRST_LASTING if self._said is None else _LASTING):
            return None
        self._said, self._candidate = verdict, None
        return verdict


def measure(samples: Samples) -> Level:
    """Return the level of a whole recording."""
    meter = LevelMeter()
    meter.push(samples)
    return meter.level


def _decibels(powers: Collection[float]) -> float:
    return 10 * float(np.log10(np.mean(list(powers)) + 1e-12)) if powers else -120.0

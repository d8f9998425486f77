"""A canceller that only subtracts: what it leaves of a prompt is louder than what a suppressor leaves, but a voice
that speaks at the same time comes through as it is.

Partitioned Kalman filter in the frequency domain (Enzner and Vary, "Frequency-domain adaptive Kalman filter for
acoustic echo control in hands-free telephones", Signal Processing 86(6), 2006; with partitions: Kuech, Mabande and
Enzner, "State-space architecture of the partitioned-block-based acoustic echo controller", ICASSP 2014).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fieldassist.words.recognizer import Samples

BLOCK = 160
"""Samples that it takes at a time."""

_PARTITIONS = 14  # 140 ms: what a cabin adds, and a path that is up to 50 ms off
_STAYS = 0.9995  # how much of the path is the same a block later
_SMOOTHING = 0.8  # of the power of what is not echo
_SILENT = 1e4  # power below which nothing is played

_Real = npt.NDArray[np.float64]


class LinearCanceller:
    """Follows the path from loudspeaker to microphone and subtracts what comes over it."""

    def __init__(self) -> None:
        """Nothing is known of the path."""
        shape = (_PARTITIONS, BLOCK + 1)
        self._far = np.zeros(shape, np.complex128)
        self._path = np.zeros(shape, np.complex128)
        self._doubt = np.ones(shape)
        self._other = np.full(BLOCK + 1, 1e3)
        self._last = np.zeros(BLOCK)

    def process(self, near: Samples, far: Samples) -> Samples:
        """Return `near` without what comes back of `far`; both as long, in whole blocks."""
        out = np.empty(len(near))
        for at in range(0, len(near), BLOCK):
            out[at : at + BLOCK] = self._step(near[at : at + BLOCK].astype(np.float64), far[at : at + BLOCK])
        return np.clip(np.rint(out), -32768, 32767).astype(np.int16)

    def _step(self, near: _Real, far: Samples) -> _Real:
        played = far.astype(np.float64)
        self._far = np.roll(self._far, 1, axis=0)
        self._far[0] = np.fft.rfft(np.concatenate([self._last, played]))
        self._last = played
        power = np.square(np.abs(self._far))
        if power.sum() < _SILENT:
            return near
        error: _Real = near - np.fft.irfft((self._far * self._path).sum(axis=0))[BLOCK:]
        spectrum = np.fft.rfft(np.concatenate([np.zeros(BLOCK), error]))
        self._other = _SMOOTHING * self._other + (1.0 - _SMOOTHING) * np.square(np.abs(spectrum))
        trust = self._doubt / ((power * self._doubt).sum(axis=0) + 2.0 * self._other + 1e-3)
        step = np.fft.irfft(trust * np.conj(self._far) * spectrum, axis=1)
        step[:, BLOCK:] = 0.0
        self._path += np.fft.rfft(step, axis=1)
        learnt = _STAYS**2 * (1.0 - 0.5 * trust * power) * self._doubt
        self._doubt = np.maximum(learnt + (1.0 - _STAYS**2) * np.square(np.abs(self._path)), 1e-12)
        return error

"""The band of speech in a stream: a Butterworth band-pass of the second order.

Its response in time is over within 16 ms, so it is convolved with. SciPy's filters do the same, and take longer to
import than all the rest of a drive takes to begin.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fieldassist.words.recognizer import SAMPLE_RATE, Samples

_RESPONSE = 256
"""Samples of the response that count: what follows is less than 1e-12 of it for the band of speech."""
_PERIOD = 4096


class BandPass:
    """Filters consecutive stretches of one stream."""

    def __init__(self, low: float, high: float) -> None:
        """`low`, `high`: edges in Hz, where the power is halved; `low` at least 400, or the response is longer."""
        self._response = _response(low, high)
        self._before = np.zeros(_RESPONSE - 1)

    def take(self, samples: Samples) -> npt.NDArray[np.float64]:
        """Return the next stretch, filtered; equally long."""
        if not len(samples):
            return np.zeros(0)
        stream = np.concatenate([self._before, samples])
        self._before = stream[len(samples) :]
        return np.convolve(stream, self._response, "valid")


def _response(low: float, high: float) -> npt.NDArray[np.float64]:
    """The filter's answer to a single sample: the analogue filter by the bilinear transform (Oppenheim and
    Schafer, "Discrete-Time Signal Processing", chapter 7), and that in time."""
    edges = np.tan(np.pi * np.array([low, high]) / SAMPLE_RATE)
    analogue = np.tan(np.pi * np.arange(1, _PERIOD // 2) / _PERIOD)
    low_pass = (analogue**2 - edges.prod()) / (analogue * (edges[1] - edges[0]))
    spectrum = np.zeros(_PERIOD // 2 + 1, np.complex128)  # nothing passes at 0 Hz and at half the rate
    spectrum[1:-1] = 1.0 / (1.0 + 1j * np.sqrt(2.0) * low_pass - low_pass**2)
    return np.fft.irfft(spectrum)[:_RESPONSE]

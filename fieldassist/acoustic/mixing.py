"""Speech levels and the mixing of speech with noise at a stated signal-to-noise ratio.

Samples here are float arrays of one channel, full scale 1.0; levels are in dB relative to the overload
point (dBov: a full-scale square wave is 0).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

from fieldassist.errors import UserError
from fieldassist.words.recognizer import SAMPLE_RATE, Samples

Signal = npt.NDArray[np.float64]

# ITU-T P.56 (03/93) Method B: energy of the segment; two-stage exponential averaging of the rectified
# signal; a threshold search splits speech from pause. The three constants are from memory.
TIME_CONSTANT = 0.03
"""Seconds, of each of the two averaging stages."""
HANGOVER = 0.2
"""Seconds for which speech counts as active after the envelope fell below the threshold."""
MARGIN = 15.9
"""dB between the active level and the threshold that belongs to it."""

USUAL_LEVEL = -26.0
"""dBov, the usual level of speech in tests (from memory)."""

_BITS = 16
_FLOOR = 1e-20


def to_float(samples: npt.NDArray[np.generic]) -> Signal:
    """Return int16 samples as floats of full scale 1; float samples come back as float64."""
    if samples.dtype == np.int16:
        return np.asarray(samples, dtype=np.float64) / 32768.0
    return samples.astype(np.float64)


def to_int16(signal: npt.NDArray[np.floating]) -> Samples:
    """Round floats of full scale 1 to int16; what is beyond full scale is clipped."""
    return np.asarray(np.clip(np.rint(signal * 32768.0), -32768, 32767), dtype=np.int16)


def rms_level(signal: npt.NDArray[np.floating]) -> float:
    """Level of the whole stretch, dBov."""
    return float(10.0 * np.log10(np.mean(np.square(signal, dtype=np.float64)) + _FLOOR))


def active_speech_level(signal: npt.NDArray[np.floating], rate: int = SAMPLE_RATE) -> tuple[float, float]:
    """Active speech level (dBov) and activity (0..1) by ITU-T P.56 Method B.

    Raises UserError when the stretch holds no sound to measure.
    """
    energy = float(np.sum(np.square(signal, dtype=np.float64)))
    if signal.size == 0 or energy <= _FLOOR:
        raise UserError("speech level: the clip is empty or silent")
    g = float(np.exp(-1.0 / (rate * TIME_CONSTANT)))
    envelope = lfilter([1 - g], [1, -g], lfilter([1 - g], [1, -g], np.abs(signal)))
    index = np.arange(signal.size)
    hang = round(HANGOVER * rate)
    previous: tuple[float, float] | None = None
    for exponent in range(_BITS, -1, -1):  # thresholds from the lowest up, a factor of two apart
        threshold = 2.0**-exponent
        last_above = np.maximum.accumulate(np.where(envelope >= threshold, index, -signal.size - hang - 1))
        active = int(np.count_nonzero(index - last_above <= hang))
        if active == 0:
            break
        level = 10.0 * float(np.log10(energy / active))
        excess = level - 20.0 * float(np.log10(threshold)) - MARGIN
        if excess <= 0.0:
            if previous is not None:  # the level where the excess is nought, on a straight line between
                level += (previous[0] - level) * excess / (excess - previous[1])
            return level, min(1.0, energy / signal.size / 10.0 ** (level / 10.0))
        previous = level, excess
    # So few strong samples that no threshold comes within the margin: the last one that had any is nearest.
    level = previous[0] if previous is not None else rms_level(signal)
    return level, min(1.0, energy / signal.size / 10.0 ** (level / 10.0))


def to_level(speech: npt.NDArray[np.floating], level: float = USUAL_LEVEL) -> Signal:
    """Bring speech to an active level (dBov). Raises UserError on silence."""
    measured, _ = active_speech_level(speech)
    return np.asarray(speech * 10.0 ** ((level - measured) / 20.0), dtype=np.float64)


def noise_gain(speech_level: float, noise_level: float, snr: float) -> float:
    """Gain for the noise: 10^((Ls - Ln - SNR) / 20), Ls active speech level, Ln RMS level of the noise, dB.

    The recipe is that of 3GPP TS 26.077 Annex A.1.
    """
    return float(10.0 ** ((speech_level - noise_level - snr) / 20.0))


def add_noise(speech: npt.NDArray[np.floating], noise: npt.NDArray[np.floating], snr: float) -> Signal:
    """Speech plus as much of the noise as gives `snr` dB over the clip; both of one length.

    Raises UserError on a silent or shorter noise, or silent speech.
    """
    noise = _stretch(noise, speech.size)
    level, _ = active_speech_level(speech)
    return np.asarray(speech + noise * noise_gain(level, rms_level(noise), snr), dtype=np.float64)


def add_noise_by_peak_frame(
    speech: npt.NDArray[np.floating], noise: npt.NDArray[np.floating], snr: float, frame: int = 2048
) -> Signal:
    """Mix as the public speech-to-intent benchmark does, for figures to be set beside its table.

    The noise is scaled by sqrt(E_speech / (E_noise x 10^(snr/10))), E being the largest energy of a frame
    of `frame` samples, and the sum is brought to half scale.
    """
    noise = _stretch(noise, speech.size)
    scale = np.sqrt(_peak_frame_energy(speech, frame) / (_peak_frame_energy(noise, frame) * 10.0 ** (snr / 10.0)))
    mixed = np.asarray(speech + noise * scale, dtype=np.float64)
    return np.asarray(0.5 * mixed / np.max(np.abs(mixed)), dtype=np.float64)


def _peak_frame_energy(signal: npt.NDArray[np.floating], frame: int) -> float:
    whole = signal.size // frame * frame
    frames = signal[:whole].reshape(-1, frame) if whole else signal.reshape(1, -1)
    return float(np.max(np.sum(np.square(frames, dtype=np.float64), axis=1)))


def _stretch(noise: npt.NDArray[np.floating], length: int) -> npt.NDArray[np.floating]:
    if noise.size < length:
        raise UserError(f"noise: {noise.size} samples are fewer than the {length} of the speech")
    noise = noise[:length]
    if rms_level(noise) < -150.0:
        raise UserError("noise: the stretch is silent")
    return noise

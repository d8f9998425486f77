"""Cepstral features as libvosk computes them, and their filter bank for training.

Framing, pre-emphasis, window, mel filters, cosine transform and lifter follow Kaldi's feature extraction
(Povey et al. 2011) with the options of `conf/mfcc.conf`: 25 ms frames every 10 ms, 40 mel bins from 20 to
7600 Hz, 40 cepstra, no energy, no dither. Samples are at the scale of 16-bit integers.
"""

from __future__ import annotations

import functools

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]

RATE = 16_000
FRAME = 400
SHIFT = 160
FFT = 512
BINS = 40
LOW, HIGH = 20.0, 7600.0
LIFTER = 22.0
EMPHASIS = 0.97
FLOOR = 1.1920928955078125e-07
"""Energies are floored here (the single-precision epsilon) before the logarithm."""

MFCC_CONF = (
    "--use-energy=false\n--sample-frequency=16000\n--num-mel-bins=40\n--num-ceps=40\n"
    "--low-freq=20\n--high-freq=-400\n--dither=0\n"
)


def mel(hertz: npt.NDArray[np.float64] | float) -> npt.NDArray[np.float64]:
    """Mel scale 1127 ln(1 + f/700)."""
    return np.asarray(1127.0 * np.log1p(np.asarray(hertz) / 700.0))


@functools.cache
def filters(warp: float = 1.0) -> Floats:
    """Triangular mel filters, (FFT/2 + 1, BINS); `warp` scales the frequencies that they look at."""
    edges = np.linspace(float(mel(LOW)), float(mel(HIGH)), BINS + 2)
    points = mel(np.arange(FFT // 2 + 1) * RATE / FFT / warp)
    out = np.zeros((FFT // 2 + 1, BINS))
    for number in range(BINS):
        left, centre, right = edges[number : number + 3]
        rise = (points - left) / (centre - left)
        fall = (right - points) / (right - centre)
        inside = (points > left) & (points < right)
        out[:, number] = np.where(inside, np.minimum(rise, fall), 0.0)
    out[FFT // 2] = 0.0  # the bin at half the sampling rate is not looked at
    return out.astype(np.float32)


@functools.cache
def window() -> Floats:
    """The `povey` window: a Hann window to the power 0.85."""
    hann = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(FRAME) / (FRAME - 1))
    return np.asarray(hann**0.85, np.float32)


@functools.cache
def cepstrum() -> Floats:
    """Log energies to cepstra, (BINS, BINS): orthonormal DCT-II, then the lifter."""
    n = np.arange(BINS)
    transform = np.sqrt(2.0 / BINS) * np.cos(np.pi / BINS * (n[:, None] + 0.5) * n[None, :])
    transform[:, 0] = np.sqrt(1.0 / BINS)
    lifter = 1.0 + 0.5 * LIFTER * np.sin(np.pi * n / LIFTER)
    return np.asarray(transform * lifter[None, :], np.float32)


def frame_count(samples: int) -> int:
    """Whole frames in so many samples."""
    return max(0, 1 + (samples - FRAME) // SHIFT)


def log_energies(samples: npt.NDArray[np.generic]) -> Floats:
    """Log mel energies of one clip, (frames, BINS); samples at 16-bit scale."""
    count = frame_count(samples.size)
    place = np.arange(count)[:, None] * SHIFT + np.arange(FRAME)[None, :]
    frames = samples.astype(np.float32)[place]
    frames = frames - frames.mean(axis=1, keepdims=True)
    before = np.concatenate([frames[:, :1], frames[:, :-1]], axis=1)
    frames = (frames - EMPHASIS * before) * window()
    power = np.square(np.abs(np.fft.rfft(frames, FFT, axis=1))).astype(np.float32)
    return np.asarray(np.log(np.maximum(power @ filters(), FLOOR)), np.float32)


def cepstra(samples: npt.NDArray[np.generic]) -> Floats:
    """The features that the network is given, (frames, BINS)."""
    return np.asarray(log_energies(samples) @ cepstrum(), np.float32)

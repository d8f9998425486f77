"""Active speech level (ITU-T P.56 Method B), gains and the two ways of mixing."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldassist.acoustic.mixing import (
    HANGOVER,
    MARGIN,
    TIME_CONSTANT,
    Signal,
    active_speech_level,
    add_noise,
    add_noise_by_peak_frame,
    noise_gain,
    rms_level,
    to_float,
    to_int16,
    to_level,
)
from fieldassist.errors import UserError

RATE = 16_000


def noise(seconds: float, level: float, seed: int = 0) -> Signal:
    samples = np.random.default_rng(seed).standard_normal(round(seconds * RATE))
    return samples / np.sqrt(np.mean(samples**2)) * 10 ** (level / 20)


def bursts(on: float, off: float, times: int, level: float) -> Signal:
    """Speech-like: sound of a known level, and silence."""
    gap = np.zeros(round(off * RATE))
    return np.concatenate([part for i in range(times) for part in (noise(on, level, i), gap)])


def level_by_samples(signal: Signal) -> float:
    """The Recommendation's algorithm written out sample by sample, as an independent second opinion.

    Steps of ITU-T P.56 (03/93) Method B: two-stage exponential averaging of the rectified signal, activity
    counts with hang-over for thresholds a factor of two apart, then the threshold that lies the margin below
    the level it gives. Constants from memory, as in the module.
    """
    g = np.exp(-1 / (RATE * TIME_CONSTANT))
    thresholds = [2.0**-e for e in range(16, -1, -1)]
    activity, hang = [0] * len(thresholds), [int(HANGOVER * RATE)] * len(thresholds)
    p = q = energy = 0.0
    for x in signal:
        energy += x * x
        p = g * p + (1 - g) * abs(x)
        q = g * q + (1 - g) * p
        for j, c in enumerate(thresholds):
            if q >= c:
                activity[j], hang[j] = activity[j] + 1, 0
            elif hang[j] < int(HANGOVER * RATE):
                activity[j], hang[j] = activity[j] + 1, hang[j] + 1
    points = [
        (10 * np.log10(energy / a), 10 * np.log10(energy / a) - 20 * np.log10(c) - MARGIN)
        for a, c in zip(activity, thresholds, strict=True) if a
    ]  # fmt: skip
    for (before, high), (after, low) in itertools.pairwise(points):
        if high > 0 >= low:
            return float(before + (after - before) * high / (high - low))
    raise AssertionError("no crossing")


def test_a_continuous_tone_is_active_throughout_and_as_loud_as_its_rms() -> None:
    tone = 0.1 * np.sin(2 * np.pi * 440 * np.arange(10 * RATE) / RATE)
    level, activity = active_speech_level(tone)
    assert level == pytest.approx(20 * np.log10(0.1 / np.sqrt(2)), abs=0.1)
    assert activity > 0.99


@pytest.mark.parametrize(("on", "off", "level"), [(1.0, 1.0, -26.0), (0.6, 2.0, -40.0), (2.0, 0.3, -15.0)])
def test_the_level_agrees_with_the_algorithm_written_out(on: float, off: float, level: float) -> None:
    signal = bursts(on, off, 3, level)
    assert active_speech_level(signal)[0] == pytest.approx(level_by_samples(signal), abs=0.02)


def test_pauses_beyond_the_hangover_do_not_count() -> None:
    # ITU-T P.56: long pauses are left out of the level, which a plain RMS is not.
    signal = bursts(2.0, 6.0, 4, -26.0)
    level, activity = active_speech_level(signal)
    assert rms_level(signal) == pytest.approx(-26 - 10 * np.log10(4), abs=0.1)
    assert -26 - 10 * np.log10((2.0 + HANGOVER + 0.2) / 2.0) < level < -26.0
    assert 0.25 < activity < (2.0 + HANGOVER + 0.2) / 8.0


@settings(max_examples=25, deadline=None)
@given(st.floats(-45, 0), st.integers(0, 1000))
def test_the_level_follows_a_gain(gain: float, seed: int) -> None:
    signal = bursts(0.5, 0.5, 2, -12.0 - seed % 7)
    base, louder = active_speech_level(signal)[0], active_speech_level(signal * 10 ** (gain / 20))[0]
    assert louder - base == pytest.approx(gain, abs=1.0)  # equivalents agree within 1 dB (P.56, check value)


def test_speech_is_brought_to_the_usual_level() -> None:
    assert active_speech_level(to_level(bursts(0.8, 0.6, 3, -45.0)))[0] == pytest.approx(-26.0, abs=0.5)


def test_the_noise_gain_formula() -> None:
    # 3GPP TS 26.077 Annex A.1 by way of the formula 10^((Ls - Ln - SNR)/20).
    assert noise_gain(-26.0, -36.0, 10.0) == pytest.approx(1.0)
    assert noise_gain(-26.0, -46.0, 0.0) == pytest.approx(10.0)


@pytest.mark.parametrize("snr", [-5.0, 0.0, 10.0, 24.0])
def test_the_mix_has_the_ratio_asked_for(snr: float) -> None:
    speech, background = bursts(1.0, 0.5, 3, -26.0), noise(6.0, -37.0, 9)
    mixed = add_noise(speech, background, snr)
    added = mixed - speech
    assert active_speech_level(speech)[0] - rms_level(added) == pytest.approx(snr, abs=0.01)


def test_mixing_by_the_loudest_frame() -> None:
    # The public speech-to-intent benchmark: largest energies of 2,048-sample frames, then half scale.
    speech, background = bursts(1.0, 0.5, 2, -20.0), noise(4.0, -50.0, 3)
    mixed = add_noise_by_peak_frame(speech, background, 6.0)
    assert np.max(np.abs(mixed)) == pytest.approx(0.5)
    part = np.vstack([speech, background[: speech.size]]).T
    (a, b), *_ = np.linalg.lstsq(part, mixed, rcond=None)

    def peak(signal: Signal) -> float:
        whole = signal.size // 2048 * 2048
        return float(np.max(np.sum(signal[:whole].reshape(-1, 2048) ** 2, axis=1)))

    assert 10 * np.log10(peak(a * speech) / peak(b * background[: speech.size])) == pytest.approx(6.0, abs=0.01)


def test_nothing_to_measure_is_an_error() -> None:
    for silent in (np.zeros(RATE), np.zeros(0)):
        with pytest.raises(UserError, match="silent"):
            active_speech_level(silent)
    with pytest.raises(UserError, match="fewer"):
        add_noise(bursts(1, 0, 1, -26.0), noise(0.5, -30), 10.0)
    with pytest.raises(UserError, match="silent"):
        add_noise(bursts(1, 0, 1, -26.0), np.zeros(RATE), 10.0)


def test_samples_go_to_floats_and_back() -> None:
    samples = np.array([-32768, -1, 0, 1, 32767], np.int16)
    assert to_int16(to_float(samples)).tolist() == samples.tolist()
    assert to_int16(np.array([2.0, -2.0])).tolist() == [32767, -32768]

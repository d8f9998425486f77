"""The cabin-noise generator against what was measured in real cabins."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import welch

from fieldassist.acoustic.cabin import Cabin, cabin_noise, random_cabin
from fieldassist.acoustic.mixing import rms_level
from fieldassist.errors import UserError

RATE = 16_000


def band_level(noise: np.ndarray, low: float, high: float) -> float:
    """Power of a band by Welch's method, dB: another way than the generator's own."""
    hertz, power = welch(noise, RATE, nperseg=4096)
    inside = (hertz >= low) & (hertz < high)
    return float(10 * np.log10(power[inside].sum() * (hertz[1] - hertz[0])))


@pytest.mark.parametrize("speed", [40.0, 50.0, 60.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_low_frequencies_exceed_the_speech_band_as_measured(speed: float, seed: int) -> None:
    # Measured in real cabins at 40-60 mph: below 250 Hz 6 to 12 dB more than in 500-2000 Hz.
    noise = cabin_noise(20, Cabin(speed=speed), seed)
    assert 6.0 <= band_level(noise, 0, 250) - band_level(noise, 500, 2000) <= 12.0


def test_any_car_at_speed_keeps_to_the_measured_range() -> None:
    for seed in range(40):
        cabin = random_cabin(seed)
        if 40 <= cabin.speed <= 60:
            noise = cabin_noise(12, cabin, seed)
            # indicator and wiper come on top of what was measured: half a decibel for them
            assert 5.5 <= band_level(noise, 0, 250) - band_level(noise, 500, 2000) <= 12.5, cabin


def test_wind_is_broad_above_a_kilohertz() -> None:
    calm, windy = (cabin_noise(10, Cabin(speed=60, wind=w, fan=0, wander=0), 4) for w in (0.0, 1.0))
    for low, high in ((1000, 2000), (2000, 4000), (4000, 7000)):
        rise = band_level(windy, low, high) - band_level(calm, low, high)
        assert rise > 3.0, f"{low}-{high} Hz"


def test_the_level_wanders_slowly_by_several_decibels() -> None:
    # Measured in real cabins: slow level changes of several dB.
    noise = cabin_noise(60, Cabin(wander=3.0), 5).astype(float)
    seconds = 10 * np.log10(np.mean(noise.reshape(60, RATE) ** 2, axis=1))
    assert 2.0 < np.std(seconds) < 7.0
    assert np.median(np.abs(np.diff(seconds))) < np.std(seconds)


def test_faster_is_louder() -> None:
    levels = [rms_level(cabin_noise(8, Cabin(speed=speed, wander=0), 6)) for speed in (0, 20, 40, 60, 80)]
    assert levels == sorted(levels)


def test_indicator_and_wiper_are_transients() -> None:
    quiet = cabin_noise(8, Cabin(speed=0, wander=0, fan=0), 7).astype(float)
    clicking = cabin_noise(8, Cabin(speed=0, wander=0, fan=0, indicator=True), 7).astype(float)
    click = np.abs(clicking - quiet)
    starts = np.flatnonzero((click[1:] > 0.01) & (click[:-1] <= 0.01))
    apart = np.diff(starts[np.concatenate([[True], np.diff(starts) > 0.1 * RATE])]) / RATE
    assert np.median(apart) == pytest.approx(1 / 1.4 / 2, abs=0.02)


def test_the_same_seed_gives_the_same_noise_and_another_another() -> None:
    one, same, other = (cabin_noise(2, random_cabin(3), seed) for seed in (3, 3, 4))
    assert np.array_equal(one, same)
    assert abs(np.corrcoef(one, other)[0, 1]) < 0.3
    assert random_cabin(3) == random_cabin(3) != random_cabin(4)


def test_nothing_clips_and_lengths_are_kept() -> None:
    for seed in range(20):
        noise = cabin_noise(3.21, random_cabin(seed), seed)
        assert noise.dtype == np.float32
        assert noise.size == round(3.21 * RATE)
        assert np.max(np.abs(noise)) < 1.0


def test_no_car_does_that() -> None:
    with pytest.raises(UserError, match="speed"):
        Cabin(speed=400)
    with pytest.raises(UserError, match="length"):
        cabin_noise(0)

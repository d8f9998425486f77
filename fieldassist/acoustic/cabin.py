"""A generator of cabin noise: what a microphone on the sun visor hears beside the people.

Made of layers: road, wind, rain, fan, engine orders, indicator, wiper. Calibrated on measurements of real
cabins: at 40-60 mph the energy below 250 Hz exceeds that of 500-2000 Hz by 6 to 12 dB, the level wanders
slowly by several dB, and wind adds broad-band noise above 1 kHz. The rest (level of each layer against the
road, rates of indicator and wiper) is common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

from fieldassist.errors import UserError
from fieldassist.words.recognizer import SAMPLE_RATE

Noise = npt.NDArray[np.float32]
_Layer = npt.NDArray[np.float64]
_Curve = tuple[tuple[float, float], ...]
"""Points (Hz, dB) of a power spectrum, straight lines between them over the logarithm of frequency."""

_RUMBLE: _Curve = ((15, -14), (30, 0), (90, 0), (160, -4), (250, -12), (400, -24), (1000, -40), (8000, -70))
_TEXTURE: _Curve = ((100, -12), (300, -4), (600, 0), (1000, -1), (1600, -6), (3000, -16), (8000, -30))
_WIND: _Curve = ((60, -8), (200, -10), (600, -6), (1000, 0), (2500, -1), (5000, -8), (8000, -14))
_FAN: _Curve = ((80, -14), (200, -2), (400, 0), (1200, -3), (3000, -10), (8000, -22))
_RAIN: _Curve = ((200, -16), (800, -4), (2500, 0), (5000, -1), (8000, -5))
_TILT = 9.0
_TILTED_FROM = 30.0
"""mph from which the measured excess of low frequencies is imposed; slower, the engine and the fan decide."""
_IDLE = 10.0
"""mph at which the road is as loud as a standing car with its engine running."""
_MIDDLE_BAND = (500.0, 2000.0)
_LOW_BAND = (20.0, 250.0)


@dataclass(frozen=True)
class Cabin:
    """The state of the car. Levels are relative to the road at 50 mph, which gives about -30 dBov."""

    speed: float = 50.0
    """mph; 0 is standing with the engine running."""
    tilt: float = _TILT
    """dB by which the energy below 250 Hz exceeds that of 500-2000 Hz at 30 mph and more."""
    wind: float = 0.4
    """0..1: share of wind at the windows; 1 is a gap left open."""
    fan: float = 0.2
    """0..1: speed of the blower."""
    rain: float = 0.0
    """0..1."""
    engine: float = 1800.0
    """Engine speed, rpm; 0 leaves the engine orders out."""
    indicator: bool = False
    wiper: bool = False
    wander: float = 3.0
    """dB, standard deviation of the slow level changes."""

    def __post_init__(self) -> None:
        """Refuse what no car does. Raises UserError that names the field."""
        limits = {"speed": (0, 130), "tilt": (0, 30), "wind": (0, 1), "fan": (0, 1), "rain": (0, 1),
                  "engine": (0, 8000), "wander": (0, 10)}  # fmt: skip
        for field in fields(self):
            if field.name in limits:
                low, high = limits[field.name]
                if not low <= getattr(self, field.name) <= high:
                    raise UserError(f"cabin: {field.name} must be between {low} and {high}")


def random_cabin(seed: int) -> Cabin:
    """A car in some state on some road, drawn from what a road test meets."""
    rng = np.random.default_rng([seed, 1])
    speed = float(rng.choice([0.0, rng.uniform(10, 35), rng.uniform(35, 65), rng.uniform(35, 65)]))
    raining = rng.random() < 0.25
    return Cabin(
        speed=speed,
        tilt=float(rng.uniform(6.0, 12.0)),
        wind=float(rng.beta(1.5, 2.5)),
        fan=float(rng.choice([0.0, rng.uniform(0.1, 0.9)])),
        rain=float(rng.uniform(0.2, 1.0)) if raining else 0.0,
        engine=float(rng.uniform(700, 900) if speed == 0 else rng.uniform(1300, 3200)),
        indicator=bool(rng.random() < 0.2),
        wiper=raining,
        wander=float(rng.uniform(1.0, 4.0)),
    )


def cabin_noise(seconds: float, cabin: Cabin | None = None, seed: int = 0, rate: int = SAMPLE_RATE) -> Noise:
    """Noise of the cabin, float32 of full scale 1, `seconds` long; the same seed gives the same noise.

    Mixing sets the level; as it comes the road at 50 mph is at about -30 dBov.
    """
    cabin = cabin or Cabin()
    size = round(seconds * rate)
    if size <= 0:
        raise UserError("cabin: the length must be more than nothing")
    rng = np.random.default_rng([seed, 0])
    road = 10 ** (-30 / 20) * (max(cabin.speed, _IDLE) / 50.0) ** 1.5  # about 30 dB per decade of speed
    rumble = _rumble(size, rate, cabin, rng)
    upper = 10 ** (-_TILT / 20) * road * _coloured(size, rate, _TEXTURE, rng)
    if cabin.wind > 0 and cabin.speed > 5:
        gusts = _wander(size, rate, 2.0 + 3.0 * cabin.wind, rng, period=0.8)
        loud = 10 ** (-46 / 20) * (cabin.speed / 50.0) ** 3 * (0.3 + 1.7 * cabin.wind)
        upper += loud * _coloured(size, rate, _WIND, rng) * gusts
    if cabin.fan > 0:
        upper += 10 ** (-50 / 20) * (0.2 + 1.8 * cabin.fan) * _fan(size, rate, cabin.fan, rng)
    if cabin.rain > 0:
        upper += 10 ** (-48 / 20) * (0.3 + 1.4 * cabin.rain) * _rain(size, rate, cabin.rain, rng)
    noise = road * rumble + upper
    if cabin.speed >= _TILTED_FROM:  # the other layers' low end and the rumble's high end are small: two rounds
        for _ in range(2):
            road *= 10 ** ((cabin.tilt - band_excess(noise, rate)) / 20)
            noise = road * rumble + upper
    noise *= _wander(size, rate, cabin.wander, rng)
    if cabin.indicator:
        noise += 10 ** (-30 / 20) * _indicator(size, rate, rng)
    if cabin.wiper:
        noise += 10 ** (-40 / 20) * _wiper(size, rate, rng)
    return np.asarray(noise, dtype=np.float32)


def band_excess(noise: npt.NDArray[np.floating], rate: int = SAMPLE_RATE) -> float:
    """dB by which the energy below 250 Hz exceeds that of 500-2000 Hz."""
    power = np.square(np.abs(np.fft.rfft(noise)))
    hertz = np.fft.rfftfreq(noise.size, 1 / rate)
    low, middle = (power[(hertz >= a) & (hertz < b)].sum() for a, b in (_LOW_BAND, _MIDDLE_BAND))
    return float(10 * np.log10(low / middle))


def _rumble(size: int, rate: int, cabin: Cabin, rng: np.random.Generator) -> _Layer:
    """Road below 250 Hz, joints in the road and engine orders, of RMS 1."""
    low = _coloured(size, rate, _RUMBLE, rng)
    low += 0.25 * _resonance(rng.standard_normal(size), rng.uniform(190, 235), 12.0, rate)  # air in the tyre
    if cabin.speed > 5:
        low += 0.7 * _joints(size, rate, cabin.speed, rng)
    if cabin.engine > 0:
        low += (1.2 if cabin.speed < 5 else 0.35) * _engine_orders(size, rate, cabin.engine, rng)
    return _unit(low)


def _coloured(size: int, rate: int, curve: _Curve, rng: np.random.Generator) -> _Layer:
    """Gaussian noise of RMS 1 with the power spectrum of the curve."""
    hertz = np.fft.rfftfreq(size, 1 / rate)
    points = np.array(curve)
    gain = np.interp(np.log(np.maximum(hertz, 1.0)), np.log(points[:, 0]), points[:, 1])
    gain[hertz < points[0, 0]] = -60.0
    spectrum = 10 ** (gain / 20) * (rng.standard_normal(hertz.size) + 1j * rng.standard_normal(hertz.size))
    return _unit(np.fft.irfft(spectrum, size))


def _wander(size: int, rate: int, spread: float, rng: np.random.Generator, period: float = 4.0) -> _Layer:
    """A gain that wanders smoothly, `spread` dB of standard deviation, with knots every `period` seconds."""
    knots = int(np.ceil(size / rate / period)) + 3
    decibels = spread * rng.standard_normal(knots)
    place = np.arange(size) / (rate * period) + rng.random()
    index = place.astype(int)
    share = 0.5 - 0.5 * np.cos(np.pi * (place - index))
    return np.asarray(10 ** (((1 - share) * decibels[index] + share * decibels[index + 1]) / 20))


def _engine_orders(size: int, rate: int, rpm: float, rng: np.random.Generator) -> _Layer:
    """Half orders of a four-cylinder engine, the second (firing) strongest, the speed drifting a little."""
    drift = 1 + 0.04 * np.cumsum(rng.standard_normal(size)) / np.sqrt(size)
    turn = 2 * np.pi * np.cumsum(rpm / 60 * drift) / rate
    out = np.zeros(size)
    for order, level in ((0.5, 0.15), (1, 0.25), (2, 1.0), (4, 0.5), (6, 0.2), (8, 0.1)):
        out += level * np.sin(order * turn + rng.uniform(0, 2 * np.pi))
    return _unit(out)


def _joints(size: int, rate: int, speed: float, rng: np.random.Generator) -> _Layer:
    """Bumps: a pair of thuds, front and rear axle, at random places."""
    out = np.zeros(size)
    gap = round(2.7 / (speed * 0.44704) * rate)  # a wheelbase of 2.7 m
    for _ in range(rng.poisson(size / rate * 0.35)):
        at, strength = int(rng.integers(0, size)), rng.gamma(2.0, 12.0)
        for place, share in ((at, 1.0), (at + gap, 0.8)):
            if place < size:
                out[place] += strength * share
    return _resonance(out, 45.0, 1.5, rate) + 0.3 * _resonance(out, 140.0, 3.0, rate)


def _fan(size: int, rate: int, setting: float, rng: np.random.Generator) -> _Layer:
    air = _coloured(size, rate, _FAN, rng)
    blade = 120.0 + 320.0 * setting
    time = np.arange(size) / rate
    return air + 0.15 * np.sin(2 * np.pi * blade * time) + 0.06 * np.sin(4 * np.pi * blade * time)


def _rain(size: int, rate: int, setting: float, rng: np.random.Generator) -> _Layer:
    """Hiss of fine drops and single large ones on the roof."""
    drops = np.zeros(size)
    count = rng.poisson(size / rate * (10 + 60 * setting))
    drops[rng.integers(0, size, count)] = rng.exponential(10.0, count) * rng.choice([-1.0, 1.0], count)
    return _coloured(size, rate, _RAIN, rng) + 2.0 * _resonance(drops, rng.uniform(500, 1100), 3.0, rate)


def _indicator(size: int, rate: int, rng: np.random.Generator) -> _Layer:
    """The relay: on and off 1.4 times a second, two tones of click."""
    out = np.zeros(size)
    half = rate / 1.4 / 2
    for number in range(int(size / half) + 1):
        at = int(number * half + rng.normal(0, 0.002 * rate))
        if 0 <= at < size:
            out[at] = 3.0 if number % 2 else 2.2
    return _resonance(out, 2300.0, 4.0, rate) + 0.6 * _resonance(out, 900.0, 5.0, rate)


def _wiper(size: int, rate: int, rng: np.random.Generator) -> _Layer:
    """Rubber over glass both ways, 0.75 strokes a second, with a thud where the blade turns."""
    phase = 0.75 * np.arange(size) / rate + rng.random()
    swish = np.sin(np.pi * np.mod(2 * phase, 1.0)) ** 2 * _coloured(size, rate, _FAN, rng)
    turns = np.zeros(size)
    turns[np.flatnonzero(np.diff(np.floor(2 * phase)) > 0)] = 20.0
    return 0.6 * swish + _resonance(turns, 110.0, 2.0, rate)


def _resonance(signal: _Layer, hertz: float, quality: float, rate: int) -> _Layer:
    """Two-pole resonator, gain about 1 at its frequency for an impulse's peak."""
    radius = float(np.exp(-np.pi * hertz / (quality * rate)))
    angle = 2 * np.pi * hertz / rate
    return np.asarray(lfilter([np.sin(angle)], [1, -2 * radius * np.cos(angle), radius**2], signal))


def _rms(signal: _Layer) -> float:
    return float(np.sqrt(np.mean(np.square(signal)))) + 1e-12


def _unit(signal: _Layer) -> _Layer:
    return signal / _rms(signal)

"""The shift schedule: throttle signal against governor signal.

A shift valve (or a program that imitates one) moves when the governor's signal, which grows with road speed,
overcomes the throttle signal. Taking the specified shift speeds as what sound signals give, an error shows as

    speed = (specified speed at throttle signal (opening + offset) - standing signal) / gain

A linkage set short (offset below 0) brings every shift early by what the schedule rises over that much pedal; a
governor that reads high (gain above 1) divides every shift speed by the same factor. Three throttle openings
therefore tell the two apart. Common practice, no source, for the two patterns; the algebra is our own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fieldassist.deduce.roadspeed import KM_PER_MILE, corrected_speed, parse_tyre
from fieldassist.deduce.specification import Band, Specification
from fieldassist.errors import UserError
from fieldassist.finding import Finding

OPENING: Mapping[str, float] = {"closed": 0.0, "light": 0.25, "medium": 0.5, "full": 1.0}
"""Throttle words as share of full travel: light a quarter, medium a half, full wide open."""
DETENT = 0.9
"""Share of travel from which the forced downshift answers (common practice: the last part of the pedal)."""
READING_ERROR = 1.5
"""mph, one sigma: a spoken speed is read at a glance by somebody else or from a moving needle."""
_OFFSET_SIGMA, _GAIN_SIGMA, _BOTH = 0.2, 0.2, 0.2
_OFFSETS = np.linspace(-0.6, 0.6, 121)
_LOG_GAINS = np.linspace(-0.6, 0.6, 121)
_ZERO = 60
"""Position of no error on both axes."""
_SCATTER = 0.25
"""One sigma of the shift speeds of a sticking governor or shift valve, as a share of the specified speed."""
_SLIP_OF_TONGUE = 0.05
"""Share of shift speeds that are read, said or heard wrong (common practice, no source)."""


@dataclass(frozen=True)
class Schedule:
    """Specified shift speed over throttle opening, with its tolerance."""

    bands: Mapping[tuple[str, str], Band]
    """(shift, throttle) -> lowest and highest speed, mph."""

    def shifts(self) -> tuple[str, ...]:
        """Shifts that have at least one band."""
        return tuple(dict.fromkeys(shift for shift, _ in self.bands))

    def curve(self, shift: str) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
        """(openings, middle speeds in mph), rising. Raises UserError for a shift without a band."""
        points = sorted((OPENING[t], 0.5 * (b[0] + b[1])) for (s, t), b in self.bands.items() if s == shift)
        if not points:
            raise UserError(f"shift {shift!r} has no specified speed")
        return np.array([p[0] for p in points]), np.array([p[1] for p in points])

    def speed(
        self, shift: str, opening: float, offset: float = 0.0, gain: float = 1.0, standing: float = 0.0
    ) -> float:
        """Expected shift speed, mph, at a throttle opening (0..1).

        `offset`: error of the throttle signal as a share of full travel, below 0 for a linkage set short.
        `gain`: governor signal / sound governor signal, above 1 when it reads high. `standing`: governor signal
        that is there at standstill already, as the road speed (mph) that a sound governor would give it at.
        Beyond the specified openings the schedule goes on straight, never below 0.
        """
        moving = float(self.speeds(shift, opening, np.array([offset]), np.array([gain]))[0])
        return max(moving - standing / gain, 0.0)

    def speeds(
        self, shift: str, opening: float, offset: npt.NDArray[np.float64], gain: npt.NDArray[np.float64]
    ) -> npt.NDArray[np.float64]:
        """`speed` for arrays of offset and gain, which broadcast."""
        x, y = self.curve(shift)
        signal = np.clip(opening + offset, 0.0, 1.0)
        if len(x) == 1:  # one opening only: no slope is known, so the throttle signal cannot be seen in it
            return np.broadcast_to(y[0], np.broadcast(signal, gain).shape) / gain
        piece = np.clip(np.searchsorted(x, signal) - 1, 0, len(x) - 2)
        slope = (y[piece + 1] - y[piece]) / (x[piece + 1] - x[piece])
        return np.asarray(np.maximum(y[piece] + slope * (signal - x[piece]), 0.0) / gain)


def schedule_of(specification: Specification, tyre: str | None = None, axle: float | None = None) -> Schedule:
    """The specified schedule, corrected to another tyre and axle where they are given. Raises UserError."""
    factor = corrected_speed(
        1.0, parse_tyre(specification.tyre), specification.axle_ratio,
        parse_tyre(tyre or specification.tyre), axle or specification.axle_ratio,
    )  # fmt: skip
    return Schedule({key: (low * factor, high * factor) for key, (low, high) in specification.shifts.items()})


def forced_downshift_answers(offset: float) -> bool:
    """Whether full pedal still reaches the detent with this throttle signal offset."""
    return 1.0 + offset >= DETENT


@dataclass(frozen=True)
class MeasuredShift:
    """A shift speed as observed on the road."""

    shift: str
    throttle: str
    speed: float
    """mph"""
    error: float = READING_ERROR
    """One sigma of the reading, mph."""


@dataclass(frozen=True)
class SignalFit:
    """What the measured shift speeds say about throttle and governor signal."""

    offset: float
    """Throttle signal error as a share of travel (below 0: short), mean of its posterior."""
    offset_sigma: float
    gain: float
    """Governor signal / sound signal (above 1: high), mean of its posterior."""
    gain_sigma: float
    correlation: float
    """Between offset and gain: near 1 or -1 when the throttle openings tried cannot tell them apart."""
    weights: Mapping[str, float]
    """`sound`, `throttle`, `governor`, `both` -> posterior probability."""
    residuals: tuple[float, ...]
    """Measured - expected with the fitted signals, mph, in the order of the measurements."""

    @property
    def verdict(self) -> str:
        """The likeliest of `sound`, `throttle`, `governor`, `both`; `unclear` below three to one."""
        best, second = sorted(self.weights.items(), key=lambda item: -item[1])[:2]
        return best[0] if best[1] >= 3.0 * second[1] else "unclear"


def measured_shift(finding: Finding) -> MeasuredShift | None:
    """A shift speed finding as a measurement; None when it is no speed or lacks shift or throttle."""
    if finding.kind != "shift_speed" or finding.value is None or not finding.present:
        return None
    if finding.shift is None or finding.throttle is None or finding.unit not in (None, "mph", "km/h"):
        return None
    speed = finding.value / (KM_PER_MILE if finding.unit == "km/h" else 1.0)
    return MeasuredShift(finding.shift, finding.throttle, speed)


def is_limit(schedule: Schedule, measured: MeasuredShift) -> bool:
    """Whether a speed can be held against a specified one.

    A downshift that the pedal brought about is specified by the speed up to which it answers: one below that only
    says that it did (common practice, no source).
    """
    band = schedule.bands.get((measured.shift, measured.throttle))
    high, _, low = measured.shift.partition("-")
    forced = low < high and measured.throttle != "closed"
    return band is not None and not (forced and measured.speed < band[1])


def fit_signals(schedule: Schedule, measured: Sequence[MeasuredShift]) -> SignalFit:
    """Fit throttle signal offset and governor gain to shift speeds at several throttle openings.

    Bayesian over a grid: normal priors (sigma 0.2 of travel, and 20 % of gain) and normal errors made of the
    reading's and of half the specified tolerance each side (taken as two sigma). The four explanations are
    compared by their evidence, each with its own free parameters only, so that the simpler one wins a tie; two
    errors at once have a fifth of the prior of one. Raises UserError without a measurement that the schedule has
    a speed for.
    """
    known = [m for m in measured if (m.shift, m.throttle) in schedule.bands]
    if not known:
        raise UserError("shift speeds: none of them has a specified speed to compare with")
    log = np.zeros((len(_OFFSETS), len(_LOG_GAINS)))
    for m in known:
        log -= 0.5 * _deviation(schedule, m) ** 2
    prior_offset, prior_gain = _normal(_OFFSETS, _OFFSET_SIGMA), _normal(_LOG_GAINS, _GAIN_SIGMA)
    top = float(log.max())
    like = np.exp(log - top)
    evidence = {
        "sound": float(like[_ZERO, _ZERO]),
        "throttle": float(like[:, _ZERO] @ prior_offset),
        "governor": float(like[_ZERO] @ prior_gain),
        "both": _BOTH * float(prior_offset @ like @ prior_gain),
    }
    total = sum(evidence.values())
    joint = like * prior_offset[:, None] * prior_gain[None, :]
    joint /= joint.sum()
    at_offset, at_gain = joint.sum(axis=1), joint.sum(axis=0)
    gains = np.exp(_LOG_GAINS)
    mean_offset, mean_gain = float(at_offset @ _OFFSETS), float(at_gain @ gains)
    var_offset = float(at_offset @ (_OFFSETS - mean_offset) ** 2)
    var_gain = float(at_gain @ (gains - mean_gain) ** 2)
    covariance = float((_OFFSETS - mean_offset) @ joint @ (gains - mean_gain))
    residuals = tuple(
        m.speed - schedule.speed(m.shift, OPENING[m.throttle], mean_offset, mean_gain) for m in known
    )
    return SignalFit(
        mean_offset, var_offset**0.5, mean_gain, var_gain**0.5, covariance / (var_offset * var_gain) ** 0.5,
        {name: value / total for name, value in evidence.items()}, residuals,
    )  # fmt: skip


def explain_speeds(schedule: Schedule, measured: Sequence[MeasuredShift]) -> list[dict[str, float]]:
    """How well each shift speed, given those before it, is explained by one wrong signal.

    For every measurement: `sound`, `short` and `long` (throttle signal low, high), `low` and `high` (governor
    signal), `erratic` (every shift speed scatters), `shift` (only this shift's speeds scatter) -> density of the
    speed, per mph, with the size of the error integrated out. The product over all measurements is the evidence
    for an explanation, so each speed counts as what it adds to the others. Raises UserError for a measurement
    without a specified speed.
    """
    for m in measured:
        if (m.shift, m.throttle) not in schedule.bands:
            raise UserError(f"shift {m.shift!r} at {m.throttle} throttle has no specified speed")
    low, high = slice(0, _ZERO), slice(_ZERO + 1, None)
    by_offset, by_gain = _normal(_OFFSETS, _OFFSET_SIGMA), _normal(_LOG_GAINS, _GAIN_SIGMA)
    parts = {"short": by_offset[low], "long": by_offset[high], "low": by_gain[low], "high": by_gain[high]}
    beliefs = {name: part / part.sum() for name, part in parts.items()}
    out = []
    for m in measured:
        density = _densities(schedule, m)
        nominal = schedule.speed(m.shift, OPENING[m.throttle])
        spread = float(np.hypot(_sigma(schedule, m), _SCATTER * nominal))
        right = float(_bell((m.speed - nominal) / spread)) / spread
        scattered = (1.0 - _SLIP_OF_TONGUE) * right + _SLIP_OF_TONGUE * _astray(nominal)
        row = {"sound": float(density[_ZERO, _ZERO]), "erratic": scattered, "shift": scattered}
        at = {"short": density[low, _ZERO], "long": density[high, _ZERO],
              "low": density[_ZERO, low], "high": density[_ZERO, high]}  # fmt: skip
        for name, values in at.items():
            row[name] = float(beliefs[name] @ values)
            beliefs[name] = beliefs[name] * values / row[name]
        out.append(row)
    return out


def _densities(schedule: Schedule, m: MeasuredShift) -> npt.NDArray[np.float64]:
    """Density of a speed, per mph, over the grid of offsets and gains; shape (offsets, gains)."""
    right = _bell(_deviation(schedule, m)) / _sigma(schedule, m)
    astray = _astray(schedule.speed(m.shift, OPENING[m.throttle]))
    return np.asarray((1.0 - _SLIP_OF_TONGUE) * right + _SLIP_OF_TONGUE * astray)


def _astray(nominal: float) -> float:
    """Density of a speed that was said or heard wrong: anything up to twice what it should be."""
    return 0.5 / max(nominal, 10.0)


def _deviation(schedule: Schedule, m: MeasuredShift) -> npt.NDArray[np.float64]:
    """(measured - expected) / sigma over the grid of offsets and gains."""
    expected = schedule.speeds(m.shift, OPENING[m.throttle], _OFFSETS[:, None], np.exp(_LOG_GAINS)[None, :])
    return np.asarray((m.speed - expected) / _sigma(schedule, m))


def _sigma(schedule: Schedule, m: MeasuredShift) -> float:
    low, high = schedule.bands[m.shift, m.throttle]
    return float(np.hypot(m.error, 0.25 * (high - low)))


def _bell(x: npt.NDArray[np.float64] | float) -> npt.NDArray[np.float64]:
    return np.asarray(np.exp(-0.5 * np.square(x)) / np.sqrt(2.0 * np.pi))


def _normal(x: npt.NDArray[np.float64], sigma: float) -> npt.NDArray[np.float64]:
    weight = np.exp(-0.5 * (x / sigma) ** 2)
    return np.asarray(weight / weight.sum())

"""The torque converter: speed ratio, torque ratio, capacity factor, stall speed both ways.

Definitions: speed ratio = turbine speed / impeller speed, slip = 1 - speed ratio, torque ratio = turbine torque /
impeller torque, capacity factor K = impeller speed / sqrt(impeller torque). Units of torque are the caller's; K
has to match them (rpm per square root of N m, or of lbf ft).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fieldassist.errors import UserError

STALL_SECONDS = 5.0
"""Longest time at full throttle in a stall test; some makers allow 4 s only, and some forbid the test."""


@dataclass(frozen=True)
class ConverterCurve:
    """Capacity factor and torque ratio over speed ratio, as a maker or a test bench gives them."""

    speed_ratio: tuple[float, ...]
    """Rising from 0 (stall)."""
    k: tuple[float, ...]
    """Capacity factor at each speed ratio, rpm per square root of torque."""
    torque_ratio: tuple[float, ...]
    """Torque ratio at each speed ratio."""

    def __post_init__(self) -> None:
        """Raise UserError unless the curve starts at stall, rises in speed ratio and is positive."""
        count = len(self.speed_ratio)
        if count < 2 or len(self.k) != count or len(self.torque_ratio) != count:
            raise UserError("converter curve: expected two or more points, each with k and torque ratio")
        if self.speed_ratio[0] != 0 or any(np.diff(self.speed_ratio) <= 0):
            raise UserError("converter curve: expected speed ratios that rise from 0")
        if min(self.k) <= 0 or min(self.torque_ratio) <= 0:
            raise UserError("converter curve: expected positive k and torque ratio")

    def at(self, speed_ratio: float) -> tuple[float, float]:
        """(K, torque ratio) at a speed ratio, straight lines between the points, held at the ends."""
        k = float(np.interp(speed_ratio, self.speed_ratio, self.k))
        return k, float(np.interp(speed_ratio, self.speed_ratio, self.torque_ratio))


@dataclass(frozen=True)
class TorqueCurve:
    """Full-throttle engine torque over engine speed."""

    rpm: tuple[float, ...]
    torque: tuple[float, ...]

    def __post_init__(self) -> None:
        """Raise UserError unless speeds rise and torques are positive."""
        if len(self.rpm) != len(self.torque) or len(self.rpm) < 2 or any(np.diff(self.rpm) <= 0):
            raise UserError("torque curve: expected two or more points with rising rpm")
        if min(self.torque) <= 0:
            raise UserError("torque curve: expected positive torque")

    def at(self, rpm: float) -> float:
        """Torque at an engine speed, held at the ends."""
        return float(np.interp(rpm, self.rpm, self.torque))


@dataclass(frozen=True)
class OperatingPoint:
    """Converter at one engine torque and turbine speed."""

    impeller_rpm: float
    speed_ratio: float
    torque_ratio: float
    impeller_torque: float
    turbine_torque: float

    @property
    def slip(self) -> float:
        """1 - speed ratio."""
        return 1.0 - self.speed_ratio

    @property
    def efficiency(self) -> float:
        """Turbine power / impeller power."""
        return self.speed_ratio * self.torque_ratio


def speed_ratio(turbine_rpm: float, impeller_rpm: float) -> float:
    """Turbine speed / impeller speed. Raises UserError when the impeller stands."""
    if impeller_rpm <= 0:
        raise UserError(f"speed ratio: expected an engine speed above 0, got {impeller_rpm:g} rpm")
    return turbine_rpm / impeller_rpm


def capacity_factor(rpm: float, torque: float) -> float:
    """K = rpm / sqrt(torque) (SAE J643, from memory). Raises UserError for a torque of 0 or less."""
    if torque <= 0:
        raise UserError(f"capacity factor: expected a torque above 0, got {torque:g}")
    return float(rpm / np.sqrt(torque))


def impeller_torque(rpm: float, k: float) -> float:
    """Torque that the impeller takes at a speed: (rpm / K)^2. Raises UserError for K of 0 or less."""
    if k <= 0:
        raise UserError(f"impeller torque: expected a capacity factor above 0, got {k:g}")
    return (rpm / k) ** 2


def operating_point(curve: ConverterCurve, engine: TorqueCurve, turbine_rpm: float) -> OperatingPoint:
    """Where engine torque and impeller torque balance with the turbine at `turbine_rpm`.

    Solved for the impeller speed by bisection. Raises UserError when the engine cannot be held by the converter
    within its torque curve (the balance lies beyond the last rpm).
    """
    if turbine_rpm < 0:
        raise UserError(f"operating point: expected a turbine speed of 0 or more, got {turbine_rpm:g} rpm")

    def surplus(rpm: float) -> float:
        return engine.at(rpm) - impeller_torque(rpm, curve.at(turbine_rpm / rpm)[0])

    low, high = max(turbine_rpm / curve.speed_ratio[-1], 1.0), max(engine.rpm[-1], turbine_rpm) * 1.05
    if surplus(high) > 0:
        raise UserError(f"operating point: the converter does not hold this engine below {high:.0f} rpm")
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if surplus(middle) > 0 else (low, middle)
    rpm = 0.5 * (low + high)
    k, ratio = curve.at(turbine_rpm / rpm)
    torque = impeller_torque(rpm, k)
    return OperatingPoint(rpm, turbine_rpm / rpm, ratio, torque, torque * ratio)


def stall_speed(curve: ConverterCurve, engine: TorqueCurve) -> float:
    """Engine speed (rpm) at full throttle with the output held: rpm = K(0) x sqrt(torque at that rpm)."""
    return operating_point(curve, engine, 0.0).impeller_rpm


def torque_from_stall(curve: ConverterCurve, rpm: float) -> float:
    """Engine torque that a measured stall speed stands for, if the converter is sound."""
    return impeller_torque(rpm, curve.k[0])


@dataclass(frozen=True)
class StallReading:
    """A measured stall speed against the specified band."""

    state: str
    """`low`, `normal` or `high`."""
    off: float
    """rpm outside the band, negative below; 0 within."""
    share: float
    """Measured / middle of the band - 1."""
    torque_share: float
    """Engine torque that this stall speed stands for, as a share of the specified one (a sound converter takes
    torque with the square of its speed): 0.7 means 30 % of the torque is missing, if it is the engine."""

    @property
    def far_below(self) -> bool:
        """A third or more below: a stator that freewheels, or an engine in very poor health (the source, a truck
        mechanic's handbook, says at least 33 %)."""
        return self.share <= -0.33


def judge_stall(rpm: float, band: tuple[float, float]) -> StallReading:
    """Compare a stall speed (rpm) with the specification band. Raises UserError for a speed of 0 or less."""
    if rpm <= 0:
        raise UserError(f"stall speed: expected more than 0 rpm, got {rpm:g}")
    low, high = band
    off = min(rpm - low, 0.0) + max(rpm - high, 0.0)
    middle = 0.5 * (low + high)
    state = "normal" if off == 0 else "low" if off < 0 else "high"
    return StallReading(state, off, rpm / middle - 1.0, (rpm / middle) ** 2)


def mean_torque_ratio(total: float, gear: float) -> float:
    """Converter torque ratio at stall from the total torque ratio to the output and the gear ratio."""
    if gear == 0:
        raise UserError("torque ratio: the gear ratio must not be 0")
    return abs(total / gear)


def curve_from_points(points: Sequence[tuple[float, float, float]]) -> ConverterCurve:
    """Make a curve from (speed ratio, K, torque ratio) rows."""
    columns = tuple(zip(*points, strict=True))
    if len(columns) != 3:
        raise UserError("converter curve: expected rows of speed ratio, k and torque ratio")
    return ConverterCurve(*columns)

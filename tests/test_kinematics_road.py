"""Tyre, axle, engine speed and road speed; the converter; readings from the diagnostic port.

Source codes beside each check, listed at the end: `R` read in the source, `M` from memory, `C` computed apart.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from fieldassist.deduce.converter import (
    ConverterCurve,
    TorqueCurve,
    capacity_factor,
    curve_from_points,
    impeller_torque,
    judge_stall,
    mean_torque_ratio,
    operating_point,
    speed_ratio,
    stall_speed,
    torque_from_stall,
)
from fieldassist.deduce.obd import PARAMETERS, decode_reply
from fieldassist.deduce.roadspeed import (
    KM_PER_MILE,
    Tyre,
    corrected_speed,
    engaged_gear,
    engine_rpm,
    parse_tyre,
    road_speed,
)
from fieldassist.deduce.unit import load_unit, unit_names
from fieldassist.errors import UserError

TYRE_28 = parse_tyre("28 in")


@pytest.mark.parametrize(
    ("mph", "axle", "gear", "published", "allowed"),
    [
        (70, 3.08, 0.70, 1810, 2),  # "about 1810", R [C2]; C 1811.8 without rounding 63360/(60 pi) to 336
        (70, 3.42, 0.70, 2011, 1),  # R [C1]
        (70, 3.73, 1.0, 3133, 1.5),  # overall 3.73, R [C5]; C 3134.5 without rounding
        (70, 2.61, 1.0, 2193, 1),  # overall 2.61, R [C5]
    ],
)
def test_engine_speed(mph, axle, gear, published, allowed):
    assert engine_rpm(mph, gear, axle, TYRE_28) == pytest.approx(published, abs=allowed)


def test_constants_of_the_trade():
    """336 for mph and diameter in inches [C1][C2], 168 for the radius [C3], 1056/(2 pi r) [C4], 5.3052 for km/h
    and metres (C), each within its own rounding."""
    rpm = engine_rpm(60, 0.7, 3.5, TYRE_28)
    assert rpm == pytest.approx(60 * 3.5 * 0.7 * 336 / 28, rel=5e-4)
    assert rpm == pytest.approx(60 * 3.5 * 0.7 * 168 / 14, rel=5e-4)
    assert rpm == pytest.approx(60 * 1056 / (2 * math.pi * 14) * 3.5 * 0.7, rel=1e-12)
    assert rpm == pytest.approx(5.3052 * 60 * KM_PER_MILE * 0.7 * 3.5 / (28 * 0.0254), rel=1e-5)
    exact = engine_rpm(1, 1, 1, Tyre(25.4))  # 63360/(60 pi) at one inch
    assert exact == pytest.approx(336.1352, abs=1e-4)


def test_road_speed():
    assert road_speed(2200, 0.70, 3.73, TYRE_28) == pytest.approx(70, abs=0.5)  # R [C3]; C 70.2
    assert road_speed(1000, 0.70, 3.42, TYRE_28) == pytest.approx(34.8, abs=0.05)  # mph per 1000 rpm, R [C1]
    with pytest.raises(UserError, match="must not be zero"):
        road_speed(1000, 0.0, 3.42, TYRE_28)


@given(st.floats(1, 150), st.floats(0.5, 5), st.floats(2, 6), st.floats(500, 900))
def test_speed_and_rpm_are_inverse(speed, ratio, axle, diameter):
    tyre = Tyre(diameter)
    assert road_speed(engine_rpm(speed, ratio, axle, tyre), ratio, axle, tyre) == pytest.approx(speed)


@pytest.mark.parametrize(
    ("size", "millimetres"),
    [
        ("195/65R15", 634.5), ("205/55R16", 631.9), ("225/45R17", 634.3), ("215/65R17", 711.3),  # R [C6][C7][C8]
        ("275/60R15", 711.0),  # C, formula R [C3]
        ("195/65R15", 635), ("205/55R16", 632),  # tables, R [C7]
        ("P205/75R15", 205 * 1.5 + 381), ("205/55 R16 91V", 631.9), ("205/55ZR16", 631.9), ("711 mm", 711.0),
    ],
)  # fmt: skip
def test_tyre_diameter(size, millimetres):
    assert parse_tyre(size).diameter == pytest.approx(millimetres, abs=0.51)


def test_tyre_revolutions():
    assert parse_tyre("205/55R16").revolutions_per_mile == pytest.approx(811, abs=0.6)  # R [C9]; C 810.7
    assert parse_tyre("205/55R16").inches == pytest.approx(24.878, abs=0.001)  # R [C9]
    assert parse_tyre("215/65R17").revolutions_per_km == pytest.approx(447.6, abs=0.2)  # R [C6]; C 447.5
    assert TYRE_28.revolutions_per_mile == pytest.approx(720, abs=0.5)  # "about 720", R [C1]; C 720.3
    assert parse_tyre("275/60R15").inches == pytest.approx(27.99, abs=0.01)  # C


@pytest.mark.parametrize("size", ["", "205", "205/55", "20/55R16", "205/55R99", "28", "5 in", "205-55-16", "28 m"])
def test_not_a_tyre(size):
    with pytest.raises(UserError, match="expected a size such as 205/55R16"):
        parse_tyre(size)


def test_speed_byte_step():
    """At 50 km/h the whole-number speed byte alone is 2 % from step to step, +-1 %, C."""
    assert PARAMETERS[0x0D].step / 50 == pytest.approx(0.02)


@pytest.mark.parametrize("name", unit_names())
def test_engaged_gear_is_found_in_every_gear(name):
    """Dial to the nearest 50 rpm and 1 mph, unlocked slip of about 10 % in cruise, R [C13]; none when locked."""
    unit = load_unit(name)
    spec = unit.specification
    tyre = parse_tyre(spec.tyre)
    forward = {gear: unit.ratio(gear) for gear in unit.forward}
    for gear, ratio in forward.items():
        for slip in (0.0, 0.06, 0.1):
            speed = round(road_speed(2500 * (1 - slip), ratio, spec.axle_ratio, tyre))
            found = engaged_gear(2500, speed, forward, spec.axle_ratio, tyre)
            assert found is not None
            gears = {found.gear, *(other for other, _ in found.rivals)}
            assert gear in gears
            if len(forward) <= 6:
                assert found.gear == gear, (gear, slip)


def test_engaged_gear_of_published_close_ratios():
    """Ten-speed ratios, M; nine-speed ratios, R [W29]: locked converter and figures to 1 % tell the gear."""
    ten = "4.696 2.985 2.146 1.769 1.520 1.275 1.000 0.854 0.689 0.636"
    nine = "5.5032 3.3333 2.3148 1.6611 1.2106 1.0000 0.8651 0.7167 0.6015"
    for text in (ten, nine):
        ratios = {str(n + 1): float(ratio) for n, ratio in enumerate(text.split())}
        for gear, ratio in ratios.items():
            speed = road_speed(2000, ratio, 3.2, TYRE_28)
            found = engaged_gear(2010, speed, ratios, 3.2, TYRE_28, slip=(-0.02, 0.02))
            assert found.gear == gear and not found.rivals
            assert found.slip == pytest.approx(0.005, abs=0.001)
            assert found.overall == pytest.approx(ratio * 2010 / 2000)


def test_no_gear_fits():
    ratios = {"1": 2.48, "2": 1.48, "3": 1.0}
    assert engaged_gear(4000, 20, ratios, 2.73, TYRE_28) is None  # slips: no gear turns the engine that fast
    assert engaged_gear(2000, 0, ratios, 2.73, TYRE_28) is None
    assert engaged_gear(0, 30, ratios, 2.73, TYRE_28) is None


def test_corrected_shift_speed():
    """Governor on the output shaft: a tyre 5 % larger shifts 5 % later by road speed, a shorter axle earlier."""
    small, large = Tyre(640), Tyre(672)
    assert corrected_speed(40, small, 3.0, large, 3.0) == pytest.approx(42.0)
    assert corrected_speed(40, small, 3.0, small, 4.0) == pytest.approx(30.0)
    rpm = engine_rpm(40, 1.0, 3.0, small)  # and the engine speed at the shift stays what it was
    assert engine_rpm(corrected_speed(40, small, 3.0, large, 3.7), 1.0, 3.7, large) == pytest.approx(rpm)


# Converter ------------------------------------------------------------------------------------------------------

POINTS = [(0, 137.46, 2.23), (0.1, 137.06, 2.07), (0.2, 135.86, 1.97), (0.3, 135.66, 1.84), (1, 254.51, 1.004)]
"""(speed ratio, K, torque ratio), units not stated, R [C10]."""
CURVE = curve_from_points(POINTS)
ENGINE = TorqueCurve((1000, 2000, 3000, 4000, 5000), (180.0, 215.0, 230.0, 220.0, 190.0))
"""Invented."""


def test_curve_gives_the_published_points():
    for ratio, k, torque_ratio in POINTS:
        assert CURVE.at(ratio) == pytest.approx((k, torque_ratio))


def test_speed_ratio_and_slip():
    """Speed ratio = turbine / impeller, R [C10]; slip = 1 - speed ratio, M; about 10 % in cruise, R [C13]."""
    assert speed_ratio(1800, 2000) == pytest.approx(0.9)
    point = operating_point(CURVE, ENGINE, 1800)
    assert point.slip == pytest.approx(1 - 1800 / point.impeller_rpm)
    with pytest.raises(UserError, match="above 0"):
        speed_ratio(100, 0)


def test_capacity_factor_both_ways():
    """K = rpm / sqrt(torque), SAE J643, M: 137.46 takes 230 at 137.46 x sqrt(230) = 2084.7 rpm (C)."""
    rpm = 137.46 * math.sqrt(230)
    assert capacity_factor(rpm, 230) == pytest.approx(137.46)
    assert impeller_torque(rpm, 137.46) == pytest.approx(230)
    with pytest.raises(UserError):
        capacity_factor(2000, 0)
    with pytest.raises(UserError):
        impeller_torque(2000, 0)


def test_stall_speed_both_ways():
    """Against scipy's root finder on the same balance, and back to the engine's torque."""
    rpm = stall_speed(CURVE, ENGINE)
    reference = brentq(lambda n: 137.46 * math.sqrt(np.interp(n, ENGINE.rpm, ENGINE.torque)) - n, 500, 5000)
    assert rpm == pytest.approx(reference, abs=1e-6)
    assert torque_from_stall(CURVE, rpm) == pytest.approx(ENGINE.at(rpm))


def test_operating_point_against_scipy():
    for turbine in (0.0, 300.0, 900.0, 1500.0, 2500.0):
        point = operating_point(CURVE, ENGINE, turbine)

        def surplus(n, turbine=turbine):
            k = np.interp(turbine / n, CURVE.speed_ratio, CURVE.k)
            return np.interp(n, ENGINE.rpm, ENGINE.torque) - (n / k) ** 2

        assert point.impeller_rpm == pytest.approx(brentq(surplus, max(turbine, 500), 6000), rel=1e-6)
        assert point.turbine_torque == pytest.approx(point.torque_ratio * point.impeller_torque)
        assert point.speed_ratio <= 1.0 and point.efficiency <= 1.01


def test_weak_engine_stalls_low_and_slipping_clutch_high():
    """Rows D3: low in all ranges = engine output; high = a clutch slips."""
    weak = TorqueCurve(ENGINE.rpm, tuple(0.7 * t for t in ENGINE.torque))
    sound = stall_speed(CURVE, ENGINE)
    band = (sound - 100, sound + 100)
    rpm = stall_speed(CURVE, weak)
    low = judge_stall(rpm, band)
    assert low.state == "low" and not low.far_below
    assert low.torque_share == pytest.approx(0.7 * ENGINE.at(rpm) / ENGINE.at(sound))
    assert judge_stall(sound, band).state == "normal"
    high = judge_stall(sound + 400, band)
    assert high.state == "high" and high.off == pytest.approx(300)


def test_a_third_below_is_stator_or_engine():
    """At least 33 % below: freewheeling stator or engine, R [D16]."""
    assert judge_stall(1400, (2000, 2200)).far_below
    assert not judge_stall(1600, (2000, 2200)).far_below


@pytest.mark.parametrize(
    "published", [(2450, 2750), (2438, 2838), (2100, 2400), (2170, 2470)],
)  # R [D6][D15][D10][D11]
def test_published_stall_bands(published):
    low, high = published
    assert judge_stall(low, published).state == judge_stall(high, published).state == "normal"
    assert judge_stall(high + 201, published).off > 200  # more than 200 rpm above: a clutch slips, R [D9][D12]


def test_stall_torque_ratio():
    """Cars 1.8 to 2.5, another source 1.8 to 2.8, R [C11][C12]; example curve 2.23 [C10]; the curve's in reverse:
    about 4:1 in all with a gear of about 2:1, R [W12]."""
    assert 1.8 <= CURVE.at(0.0)[1] <= 2.5
    assert mean_torque_ratio(4.0, -2.0) == pytest.approx(2.0)
    with pytest.raises(UserError):
        mean_torque_ratio(4.0, 0.0)


@pytest.mark.parametrize(
    "make",
    [
        lambda: ConverterCurve((0.0,), (130.0,), (2.0,)),
        lambda: ConverterCurve((0.1, 0.9), (130.0, 200.0), (2.0, 1.0)),
        lambda: ConverterCurve((0.0, 0.9), (130.0, -200.0), (2.0, 1.0)),
        lambda: ConverterCurve((0.0, 0.0), (130.0, 200.0), (2.0, 1.0)),
        lambda: TorqueCurve((1000, 900), (1.0, 1.0)),
        lambda: TorqueCurve((1000, 2000), (0.0, 1.0)), lambda: judge_stall(0, (1800, 2000)),
        lambda: operating_point(CURVE, ENGINE, -1.0),
        lambda: operating_point(ConverterCurve((0.0, 1.0), (900.0, 990.0), (2.0, 1.0)), ENGINE, 0.0),
    ],
)  # fmt: skip
def test_bad_converter_data(make):
    with pytest.raises(UserError, match=r"expected|does not hold"):
        make()


# Diagnostic port: formulas and ranges, R [C14] ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("reply", "name", "value"),
    [
        ("41 05 3C", "coolant temperature", 20),  # worked example, R [C15]
        ("41 05 00", "coolant temperature", -40), ("41 05 FF", "coolant temperature", 215),
        ("41 0C 00 00", "engine speed", 0), ("41 0C FF FF", "engine speed", 16383.75),
        ("41 0D FF", "vehicle speed", 255), ("41 11 FF", "throttle position", 100), ("41 04 FF", "load", 100),
        ("410C1AF8", "engine speed", (256 * 0x1A + 0xF8) / 4),
    ],
)  # fmt: skip
def test_diagnostic_replies(reply, name, value):
    parameter, decoded = decode_reply(reply)
    assert parameter.name == name
    assert decoded == pytest.approx(value)


def test_diagnostic_steps():
    """Step sizes 0.25 rpm, 1 km/h, 0.392 %, 1 C: C, and seen in the decoder itself."""
    for pid, step in ((0x0C, 0.25), (0x0D, 1.0), (0x11, 0.392), (0x05, 1.0)):
        parameter = PARAMETERS[pid]
        one, two = (number.to_bytes(parameter.size, "big") for number in (100, 101))
        assert parameter.decode(two) - parameter.decode(one) == pytest.approx(step, abs=5e-4)
        assert parameter.step == pytest.approx(step, abs=5e-4)


@pytest.mark.parametrize("reply", ["", "zz", "41", "41 FF 00", "7F 01 12", "41 0C 1A", "41 0D 32 00"])
def test_bad_replies(reply):
    with pytest.raises(UserError, match=r"expected|has . data byte"):
        decode_reply(reply)


# Sources: C1, C2, C3, C5 axle and rpm calculators (the numerator 50711.04 on C2's page should be 50709.12). C4 an
# article that uses 1056 with the radius and 2 pi. C6, C8, C9 tyre size calculators, C7 a tyre table. C10 a forum
# thread on the capacity factor. C11, C12 torque ratio at stall. C13 an article on the converter. C14 a table of
# ISO 15031 data items. C15 a package page with an example. D6 to D16 stall-test sections of shop manuals 1986 to
# 2008 and a truck mechanic's handbook. W12 1986 shop manual. W29 encyclopedia revision on a nine-speed family.

"""Ratios and torque shares of published gearsets.

Source codes stand beside each check; they are listed at the end of this file. `R` read in the source, `I` tooth
counts inferred (smallest whole numbers that give the published ratios), `M` from memory, `C` computed by an
independent script from the published rules, no published number.
"""

from __future__ import annotations

from fractions import Fraction

import pytest

from fieldassist.deduce.exact import exact_flow
from fieldassist.deduce.geartrain import Coupling, GearTrain, PlanetarySet
from fieldassist.deduce.kinematics import PowerFlow, power_flow, solve
from fieldassist.deduce.unit import Unit, load_unit

Teeth = tuple[tuple[int, int], ...]


def with_teeth(unit: Unit, teeth: Teeth) -> GearTrain:
    """The unit's gear train with other tooth counts (sun, ring), set by set."""
    sets = tuple(
        PlanetarySet(old.name, old.kind, sun, ring) for old, (sun, ring) in zip(unit.sets, teeth, strict=True)
    )
    return GearTrain(sets, unit.train.shafts, unit.train.couplings)


def in_gear(unit: Unit, gear: str, teeth: Teeth) -> PowerFlow:
    """Power flow of a gear on drive, one-way clutches left to themselves."""
    closed = unit.chart[gear] - set(unit.one_way)
    return solve(with_teeth(unit, teeth), closed, frozenset(unit.one_way))


# Single sets, one member held: teeth and ratios both read. ---------------------------------------------------

SINGLE = [
    # sun, ring, held, input, output, published, last figure: one unit of it is allowed where figures are cut
    (20, 34, "ring", "sun", "carrier", 2.7, 0.05),  # R [W3]
    (20, 34, "sun", "ring", "carrier", 1.58, 0.01),  # R [W3], cut from 1.588
    (20, 34, "sun", "carrier", "ring", 0.63, 0.005),  # R [W3]
    (20, 34, "ring", "carrier", "sun", 0.37, 0.005),  # R [W3]
    (30, 72, "ring", "sun", "carrier", 3.4, 0.05),  # R [W5]
    (30, 72, "sun", "carrier", "ring", 0.71, 0.005),  # R [W5]
    (30, 72, "carrier", "sun", "ring", -2.4, 0.05),  # R [W5]
    (36, 72, "carrier", "sun", "ring", -2.0, 0.05),  # R [W4]
]


@pytest.mark.parametrize(("sun", "ring", "held", "driving", "driven", "published", "allowed"), SINGLE)
def test_single_set(sun, ring, held, driving, driven, published, allowed):
    train = GearTrain(
        (PlanetarySet("only", "simple", sun, ring),),
        (("input", (f"only.{driving}",)), ("output", (f"only.{driven}",))),
        (Coupling("brake", "case", f"only.{held}"),),
    )
    assert solve(train, frozenset({"brake"}), frozenset()).ratio == pytest.approx(published, abs=allowed)


def test_torque_split_of_single_sets():
    """Simple: ring = r x sun, carrier = -(1 + r) x sun, R [T1]. Double-pinion: ring = -r, carrier = r - 1, C."""
    for kind, ring_share, carrier_share in (("simple", 2.4, -3.4), ("double", -2.4, 1.4)):
        train = GearTrain(
            (PlanetarySet("only", kind, 30, 72),),
            (("input", ("only.sun",)), ("output", ("only.ring",))),
            (Coupling("brake", "case", "only.carrier"),),
        )
        shares = solve(train, frozenset({"brake"}), frozenset()).set_torques
        assert shares["only.sun"] == pytest.approx(1.0)
        assert shares["only.ring"] == pytest.approx(ring_share)
        assert shares["only.carrier"] == pytest.approx(carrier_share)


# Gearsets: (unit, teeth, published ratios per gear, allowed difference) ----------------------------------------

RATIOS = {
    # Simpson three-speed, topology R [W6][W7][S1]
    "A1a": ("three_speed_simpson", ((35, 73), (35, 73)), "2.479 1.479 1.000 -2.086", 0.0006),  # R [W8], teeth I
    "A1b": ("three_speed_simpson", ((41, 73), (35, 73)), "2.733 1.562 1.000 -2.086", 0.0006),  # R [W8], teeth I
    "A1c": ("three_speed_simpson", ((35, 70), (35, 85)), "2.714 1.500 1.000 -2.429", 0.0006),  # R [W8], teeth I
    "A1d": ("three_speed_simpson", ((28, 62), (28, 62)), "2.45 1.45 1.00 -2.21", 0.006),  # R [W9], teeth M
    "A1e": ("three_speed_simpson", ((28, 57), (37, 80)), "2.5533 1.4912 1 -2.1622", 6e-5),  # teeth R [W10], C
    # Ravigneaux three-speed
    "A2a": ("three_speed_ravigneaux", ((25, 64), (32, 64)), "2.560 1.520 1.000 -2.000", 0.0006),  # R [W8], teeth I
    # Ravigneaux four-speed, second gear printed as 2.2 x 0.67
    "A3a": ("four_speed_ravigneaux", ((30, 72), (36, 72)), "2.4 1.47 1.0 0.67 -2.0", 0.01),  # R [W4][W13], teeth R
    "A3b": ("four_speed_ravigneaux", ((34, 82), (29, 82)), "2.412 1.369 1.000 0.739 -2.828", 0.0006),  # R [W14], I
    # Two interconnected simple sets, members R [W15][W16]
    "A4a": ("four_speed_two_sets", ((34, 70), (34, 78)), "3.059 1.625 1 0.696 -2.294", 0.0006),  # M, teeth I
    "A4b": ("four_speed_two_sets", ((31, 57), (28, 62)), "2.84 1.57 1 0.69 -2.21", 0.006),  # M, teeth I
    "A4c": ("four_speed_two_sets", ((49, 89), (37, 98)), "2.816 1.498 1 0.725 -2.648", 0.001),  # 0.725 R [W17], M
    # Simpson with overdrive set at the output; second version below
    "A5": (
        "four_speed_simpson_overdrive", ((35, 73), (35, 73), (34, 91)), "2.479 1.479 1.000 0.728 -2.086", 0.0006,
    ),  # R [W14], teeth I
    "A5b": (
        "four_speed_simpson_overdrive", ((41, 73), (35, 73), (34, 91)), "2.733 1.562 1.000 0.728 -2.086", 0.0006,
    ),  # R [W14], teeth I
    # Lepelletier six-speed: US 5,106,352; ratios R [W21]; four figures and teeth M
    "A6": (
        "six_speed_ravigneaux", ((37, 71), (31, 85), (38, 85)), "4.17 2.34 1.52 1.14 0.87 0.69 -3.40", 0.005,
    ),
    "A6m": (
        "six_speed_ravigneaux", ((37, 71), (31, 85), (38, 85)),
        "4.171 2.340 1.521 1.143 0.867 0.691 -3.403", 0.0006,
    ),
    # Eight-speed, US 8,016,708 B2: teeth and ratios R [W25]; chart of 1-5 R [W23], of 6 7 8 R M
    "A7": (
        "eight_speed_four_sets", ((48, 96), (48, 96), (69, 111), (23, 85)),
        "4.6957 3.1304 2.1039 1.6667 1.2845 1.0000 0.8392 0.6667 -3.2968", 6e-5,
    ),
    # Six-speed, three simple sets, topology R [W26]; 1, 2 and R read to two places [W26], all M to three, teeth I
    "A8": (
        "six_speed_three_sets", ((41, 89), (41, 99), (34, 98)),
        "4.484 2.872 1.842 1.414 1.000 0.742 -2.882", 0.0006,
    ),
    "A8r": (
        "six_speed_three_sets", ((41, 89), (41, 99), (34, 98)), "4.48 2.87 1.84 1.41 1.00 0.74 -2.88", 0.005,
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", RATIOS)
def test_ratios(name):
    unit_name, teeth, published, allowed = RATIOS[name]
    unit = load_unit(unit_name)
    for gear, ratio in zip(unit.gears, published.split(), strict=True):
        assert in_gear(unit, gear, teeth).ratio == pytest.approx(float(ratio), abs=allowed), gear


def test_shipped_teeth_are_the_checked_ones():
    shipped = {"A1a", "A2a", "A3a", "A4a", "A5", "A6", "A7", "A8"}
    for name in shipped:
        unit_name, teeth, _, _ = RATIOS[name]
        assert tuple((s.sun, s.ring) for s in load_unit(unit_name).sets) == teeth


def test_span_of_the_eight_speed():
    """Published span 7.0435, R [W25]."""
    ratios = load_unit("eight_speed_four_sets").ratios
    assert ratios["1"] / ratios["8"] == pytest.approx(7.0435, abs=6e-5)


def test_front_and_rear_part_of_the_six_speed():
    """Partial ratios, R [W21]: the front set gives 1.52, the Ravigneaux the rest."""
    unit = load_unit("six_speed_ravigneaux")
    for gear, rear in (("1", 2.74), ("2", 1.54), ("3", 1.0), ("R", -2.24)):
        flow = power_flow(unit, unit.range_of(gear), gear)
        front = 1.0 / flow.speeds["front.carrier"]
        assert front == pytest.approx(1.52, abs=0.005)
        assert flow.ratio / front == pytest.approx(rear, abs=0.005)
    sixth = power_flow(unit, "D", "6")
    assert sixth.torques["clutch_e"] == pytest.approx(1.0)  # front part 1: the front set carries nothing
    # ring in and carrier out is what 1.52 needs; carrier in and ring out would give 0.657 (errors list [W31])
    assert sixth.speeds["front.carrier"] == pytest.approx(1 / 1.5211, abs=1e-4)


def test_simpson_closed_forms():
    """i1 = 1 + k(1 + r2), i2 = 1 + k, i3 = 1, iR = -r2 with k = Zs1/Zr1, r2 = Zr2/Zs2 (from [W6], algebra C)."""
    unit = load_unit("three_speed_simpson")
    for teeth in (((35, 73), (35, 73)), ((28, 57), (37, 80)), ((41, 73), (35, 73))):
        (s1, r1), (s2, r2) = teeth
        k, r = Fraction(s1, r1), Fraction(r2, s2)
        train = with_teeth(unit, teeth)
        wanted = {"1": 1 + k * (1 + r), "2": 1 + k, "3": Fraction(1), "R": -r}
        for gear, ratio in wanted.items():
            exact = exact_flow(train, unit.chart[gear] - set(unit.one_way), unit.one_way)
            assert exact.ratio == ratio


def test_simpson_second_of_152():
    """Second gear about 1.52 with the sun held, R [W11]: any front set with sun/ring 0.52."""
    unit = load_unit("three_speed_simpson")
    assert in_gear(unit, "2", ((39, 75), (35, 73))).ratio == pytest.approx(1.52, abs=0.005)


def test_simpson_reverse_at_stall():
    """Reverse about 2:1 and converter times gear about 4:1 at stall, so a torque ratio about 2, R [W12]."""
    from fieldassist.deduce.converter import mean_torque_ratio

    reverse = load_unit("three_speed_simpson").ratio("R")
    assert abs(reverse) == pytest.approx(2.0, abs=0.25)
    assert mean_torque_ratio(4.0, reverse) == pytest.approx(2.0, abs=0.1)


def test_two_sets_closed_forms():
    """i1 = 1 + r1, i4 = r2/(1 + r2), i2 = 1 + r1 - r1 i4, iR = -r2 (topology R [W15][W16], algebra C)."""
    unit = load_unit("four_speed_two_sets")
    r1, r2 = Fraction(70, 34), Fraction(78, 34)
    i4 = r2 / (1 + r2)
    wanted = {"1": 1 + r1, "2": 1 + r1 - r1 * i4, "3": Fraction(1), "4": i4, "R": -r2}
    for gear, ratio in wanted.items():
        assert exact_flow(unit.train, unit.chart[gear] - set(unit.one_way), unit.one_way).ratio == ratio


# Torque shares: the rules are published [T1]; the numbers are C. ------------------------------------------------

FWD, DIR, INT, OWC = "forward_clutch", "direct_clutch", "intermediate_band", "low_one_way_clutch"
LOW_BAND, LOW_BRAKE = "low_reverse_band", "low_reverse_brake"


def simpson(low, second, forward, direct, reverse):
    return {
        "1": {FWD: 1, OWC: low}, "2": {FWD: 1, INT: second}, "3": {FWD: forward, DIR: direct},
        "R": {DIR: 1, LOW_BAND: reverse},
    }  # fmt: skip


def two_sets(low, second, forward, overdrive, fourth, reverse):
    return {
        "1": {FWD: 1, OWC: low}, "2": {FWD: 1, INT: second},
        "3": {FWD: forward, "overdrive_clutch": overdrive}, "4": {"overdrive_clutch": 1, INT: fourth},
        "R": {"reverse_clutch": 1, LOW_BRAKE: reverse},
    }  # fmt: skip


SHARES = {
    "A1a": simpson(1.479, 0.479, 0.676, 0.324, -3.086),
    "A1d": simpson(1.452, 0.452, 0.689, 0.311, -3.214),
    "A2a": simpson(1.560, 0.520, 0.658, 0.342, -3.000),
    "A3a": {
        "1": {FWD: 1, OWC: 1.400}, "2": {FWD: 1, INT: 0.467}, "3": {FWD: 0.682, "reverse_clutch": 0.318},
        "4": {"overdrive_clutch": 1, INT: -0.333}, "R": {"reverse_clutch": 1, LOW_BAND: -3.000},
    },
    "A4a": two_sets(2.059, 0.625, 0.327, 0.673, -0.304, -3.294),
    "A4b": two_sets(1.839, 0.572, 0.352, 0.648, -0.311, -3.214),
    "A6": {
        "1": {"clutch_a": 1.521, "brake_d": 2.650}, "2": {"clutch_a": 1.521, "brake_c": 0.819},
        "3": {"clutch_a": 0.989, "clutch_b": 0.532}, "4": {"clutch_a": 0.417, "clutch_e": 0.726},
        "5": {"clutch_b": -0.388, "clutch_e": 1.255}, "6": {"clutch_e": 1, "brake_c": -0.309},
        "R": {"clutch_b": 1.521, "brake_d": -4.924},
    },
    "A7": {
        "1": {"brake_a": 1.232, "brake_b": 2.464, "clutch_c": 1},
        "2": {"brake_a": 0.488, "brake_b": 1.643, "clutch_e": 0.667},
        "3": {"brake_b": 1.104, "clutch_c": -0.656, "clutch_e": 1.104},
        "4": {"brake_b": 0.667, "clutch_d": 0.396, "clutch_e": 0.515},
        "5": {"brake_b": 0.285, "clutch_c": 0.573, "clutch_d": 0.742},
        "6": {"clutch_c": 1, "clutch_d": 1, "clutch_e": -0.383},
        "7": {"brake_a": -0.161, "clutch_c": 0.517, "clutch_d": 0.839},
        "8": {"brake_a": -0.333, "clutch_d": 0.667, "clutch_e": 0.411},
        "R": {"brake_a": -1.654, "brake_b": -2.642, "clutch_d": 1.739},
    },
    "A8": {
        "1": {"forward_brake": 1.313, OWC: 2.171}, "2": {"forward_brake": 1.313, "intermediate_brake": 0.559},
        "3": {"forward_brake": 0.842, DIR: 0.359}, "4": {"forward_brake": 0.414, "overdrive_clutch": 0.685},
        "5": {DIR: -0.347, "overdrive_clutch": 1.347}, "6": {"overdrive_clutch": 1, "intermediate_brake": -0.258},
        "R": {DIR: 1, LOW_BRAKE: -3.882},
    },
}  # fmt: skip


@pytest.mark.parametrize("name", SHARES)
def test_torque_shares(name):
    unit_name, teeth, _, _ = RATIOS[name]
    unit = load_unit(unit_name)
    assert set(SHARES[name]) == set(unit.gears)
    for gear, shares in SHARES[name].items():
        flow = in_gear(unit, gear, teeth)
        carried = {element: torque for element, torque in flow.torques.items() if torque != 0}
        assert carried == pytest.approx(shares, abs=6e-4), gear
        assert not flow.indeterminate


def test_low_band_takes_what_the_one_way_clutch_took():
    """In range 1 the low/reverse band helps the one-way clutch; together they carry the share of part B, C."""
    for name, band in (("three_speed_simpson", LOW_BAND), ("four_speed_two_sets", LOW_BRAKE)):
        unit = load_unit(name)
        flow, alone = power_flow(unit, "1", "1"), power_flow(unit, "D", "1")
        assert flow.indeterminate == {band, OWC}
        assert flow.torques[band] + flow.torques[OWC] == pytest.approx(alone.torques[OWC])
        coast = power_flow(unit, "1", "1", "coast")
        assert coast.torques[band] == pytest.approx(-alone.torques[OWC])


def test_fixed_front_sun_of_the_six_speed():
    """Case torque on the fixed sun: +0.521 in 1 2 3 R, +0.143 in 4, -0.133 in 5, 0 in 6, C."""
    unit = load_unit("six_speed_ravigneaux")
    wanted = {"1": 0.521, "2": 0.521, "3": 0.521, "4": 0.143, "5": -0.133, "6": 0.0, "R": 0.521}
    for gear, torque in wanted.items():
        flow = power_flow(unit, unit.range_of(gear), gear)
        assert flow.set_torques["front.sun"] == pytest.approx(torque, abs=6e-4), gear


@pytest.mark.parametrize(
    ("name", "gear"),
    [("six_speed_ravigneaux", "5"), ("eight_speed_four_sets", "3"), ("six_speed_three_sets", "5")],
)
def test_clutch_that_gives_torque_back_means_circulating_power(name, gear):
    """A negative clutch share of part B is power going back to where it came from: share x clutch speed."""
    unit = load_unit(name)
    flow = power_flow(unit, "D", gear)
    element, torque = min(flow.torques.items(), key=lambda item: item[1])
    speed = flow.speeds.get(unit.elements[element].joins[0], 1.0)
    assert torque < 0
    assert flow.circulating == pytest.approx(-torque * speed)


@pytest.mark.parametrize(("name", "gear"), [("three_speed_simpson", "1"), ("three_speed_ravigneaux", "3")])
def test_no_power_circulates_in_a_plain_gear(name, gear):
    assert power_flow(load_unit(name), "D", gear).circulating == 0.0


# Sources: W3 "Transmission math, part II", TSB 89-30, 1989. W4 "How automatic transmissions work" (gear ratios).
# W5 "How gears work". W6 A. Severson, "Secrets of the Simpson gearset", 2017. W7 encyclopedia copy, "Simpson
# planetary gearset". W8, W14, W25 encyclopedia tables of three-speed, four-speed and eight-speed families. W9 T.
# Hand, rebuilding guide, 2017, ch. 1. W10 a textbook exercise. W11 1983, W12 1986, W16 2001, W17 2002, W21 2010,
# W23 2021, W26 2013 shop manuals. W13 the same series as W4. W15 MathWorks reference page "4-Speed CR-CR". W31
# 2007 shop manual. S1 1986 shop manual, road testing. T1 "Ideal planetary gear", component reference.

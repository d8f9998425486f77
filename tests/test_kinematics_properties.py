"""What has to hold for any gear train, over random ones; and what one missing or one extra element does."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from fieldassist.deduce.exact import exact_flow
from fieldassist.deduce.geartrain import CASE, Coupling, GearTrain, PlanetarySet
from fieldassist.deduce.kinematics import PowerFlow, power_flow, solve
from fieldassist.deduce.unit import Unit, load_unit, unit_names

UNITS = sorted(name for name in unit_names())


@st.composite
def trains(draw: st.DrawFn) -> tuple[GearTrain, frozenset[str], frozenset[str]]:
    """A random gear train with its closed couplings and, apart, one-way clutches."""
    count = draw(st.integers(1, 4))
    sets = tuple(
        PlanetarySet(f"p{n}", draw(st.sampled_from(["simple", "double"])), sun := draw(st.integers(17, 60)),
                     sun + draw(st.integers(20, 90)))
        for n in range(count)
    )  # fmt: skip
    members = [f"{s.name}.{part}" for s in sets for part in ("sun", "ring", "carrier")]
    names = ["input", "output", *(f"w{n}" for n in range(count + draw(st.integers(0, count))))]
    places: dict[str, list[str]] = {name: [] for name in names}
    for number, member in enumerate(draw(st.permutations(members))):  # input and output get one member each
        name = names[number] if number < 2 else draw(st.sampled_from(names))
        if any(other.partition(".")[0] == member.partition(".")[0] for other in places[name]):
            continue  # two members of one set on one shaft lock it; leave this one by itself
        places[name].append(member)
    shafts = tuple((name, tuple(row)) for name, row in places.items() if row)
    loose = [m for m in members if not any(m in row for row in places.values())]
    sides = [name for name, row in shafts] + loose
    freedom = len(sides) - count
    pairs = st.tuples(st.sampled_from([CASE, *sides]), st.sampled_from(sides)).filter(lambda p: p[0] != p[1])
    closed = draw(st.lists(pairs, min_size=max(freedom - 1, 0), max_size=max(freedom - 1, 0), unique=True))
    catching = draw(st.lists(pairs, max_size=2, unique=True))
    couplings = [Coupling(f"c{n}", *pair) for n, pair in enumerate(closed)]
    couplings += [Coupling(f"o{n}", *pair, one_way=True) for n, pair in enumerate(catching)]
    train = GearTrain(sets, shafts, tuple(couplings))
    return train, frozenset(f"c{n}" for n in range(len(closed))), frozenset(f"o{n}" for n in range(len(catching)))


MANY = settings(
    max_examples=150, deadline=None,
    suppress_health_check=[HealthCheck.filter_too_much, HealthCheck.too_slow],
)  # fmt: skip


def case_torque(train: GearTrain, flow: PowerFlow) -> float:
    """Torque of the case on everything that it holds."""
    held = [c.id for c in train.couplings if train.shaft_of[c.first] == CASE]
    return sum(flow.torques.get(name, 0.0) for name in held)


@MANY
@given(trains())
def test_brakes_take_ratio_minus_one_and_power_balances(drawn):
    """Case torque = (ratio - 1) x input torque; the output gets ratio x input torque at 1/ratio of the speed."""
    train, closed, _ = drawn
    flow = solve(train, closed, frozenset())
    assume(flow.ratio is not None and flow.free == 0 and abs(flow.ratio) < 50)
    assert case_torque(train, flow) == pytest.approx(flow.ratio - 1, rel=1e-6, abs=1e-6)
    assert flow.ratio * flow.speeds["output"] == pytest.approx(1.0)
    for planetary in train.sets:  # a set neither makes nor takes torque or power
        names = [f"{planetary.name}.{part}" for part in ("sun", "ring", "carrier")]
        torques = [flow.set_torques[name] for name in names]
        scale = max(1.0, *map(abs, torques))
        assert sum(torques) == pytest.approx(0.0, abs=1e-7 * scale)
        if all(name in flow.speeds for name in names):
            power = sum(t * flow.speeds[name] for t, name in zip(torques, names, strict=True))
            assert power == pytest.approx(0.0, abs=1e-6 * scale * max(1, *(abs(flow.speeds[n]) for n in names)))


@MANY
@given(trains())
def test_every_shaft_is_in_balance(drawn):
    """Torques of sets, couplings, engine and load on each shaft sum to zero."""
    train, closed, _ = drawn
    flow = solve(train, closed, frozenset())
    assume(flow.ratio is not None and abs(flow.ratio) < 50)
    total = dict.fromkeys(train.nodes, 0.0) | {CASE: 0.0}
    total["input"] += 1.0
    total["output"] -= flow.ratio
    for member, shaft in train.members:
        total[shaft] -= flow.set_torques[member]
    for coupling in train.couplings:
        torque = flow.torques.get(coupling.id, 0.0)
        total[train.shaft_of[coupling.first]] -= torque
        total[train.shaft_of[coupling.second]] += torque
    scale = max(1.0, *map(abs, flow.torques.values())) if flow.torques else 1.0
    for shaft in train.nodes:
        assert total[shaft] == pytest.approx(0.0, abs=1e-6 * scale), shaft


@MANY
@given(trains(), st.sampled_from(["drive", "coast"]))
def test_exact_fractions_agree(drawn, load):
    """The rational solver, which finds torques by virtual work, says the same."""
    train, closed, one_ways = drawn
    flow, exact = solve(train, closed, one_ways, load), exact_flow(train, closed, one_ways, load)
    assert flow.locked == exact.locked
    assert (flow.ratio is None) == (exact.ratio is None)
    if exact.ratio is None or abs(exact.ratio) > 50:
        return
    assert flow.ratio == pytest.approx(float(exact.ratio), rel=1e-7)
    holding = {name for name, state in flow.one_way.items() if state == "holds"}
    assert exact.holds <= holding <= exact.holds | flow.indeterminate
    if not flow.indeterminate:
        for name, torque in exact.torques.items():
            assert flow.torques[name] == pytest.approx(float(torque), rel=1e-6, abs=1e-7)


@MANY
@given(trains(), st.sampled_from(["drive", "coast"]))
def test_one_way_clutches_are_complementary(drawn, load):
    """None turns the way it stops, none pulls, and none that turns carries torque."""
    train, closed, one_ways = drawn
    flow = solve(train, closed, one_ways, load)
    assume(not flow.locked and flow.ratio is not None)
    speeds = {train.shaft_of[member]: speed for member, speed in flow.speeds.items()} | {CASE: 0.0}
    for name in one_ways:
        coupling = next(c for c in train.couplings if c.id == name)
        first, second = train.shaft_of[coupling.first], train.shaft_of[coupling.second]
        torque = flow.torques.get(name, 0.0)
        assert torque >= 0.0
        assert (torque > 0.0) == (flow.one_way[name] == "holds")
        if first in speeds and second in speeds:
            relative = speeds[second] - speeds[first]
            assert relative >= -1e-6
            assert torque == 0.0 or abs(relative) < 1e-6


@MANY
@given(trains())
def test_locked_means_that_no_motion_is_possible(drawn):
    """Second opinion by linear programming (scipy, HiGHS): is there any motion with the input turning forward, all
    sets and closed couplings obeyed, and no one-way clutch turning backward?"""
    train, closed, one_ways = drawn
    turning = np.zeros(len(train.nodes))
    turning[train.index["input"]] = 1.0
    equal = np.vstack([train.matrix(sorted(closed)), turning])
    sides = np.array([[-c for c in train.coupling_rows[name]] for name in sorted(one_ways)])
    answer = linprog(
        np.zeros(len(train.nodes)), A_eq=equal, b_eq=np.r_[np.zeros(len(equal) - 1), 1.0], bounds=(None, None),
        A_ub=sides if len(sides) else None, b_ub=np.zeros(len(sides)) if len(sides) else None,
    )  # fmt: skip
    assert solve(train, closed, one_ways).locked == (answer.status == 2)


@MANY
@given(trains())
def test_coast_is_drive_backward_without_one_way_clutches(drawn):
    train, closed, _ = drawn
    drive, coast = solve(train, closed, frozenset()), solve(train, closed, frozenset(), "coast")
    assert drive.ratio == coast.ratio
    for name, torque in drive.torques.items():
        assert coast.torques[name] == pytest.approx(-torque)


# One missing, one extra element: C (published rules, computed apart), a property of the tool. Here every applied
# element of the chart counts as closed, a one-way clutch that holds among them, and the other one-way clutches as
# open; what they make of it on the road is below. ---------------------------------------------------------------

def doubled(unit: Unit, element: str, closed: frozenset[str]) -> bool:
    """Another closed element joins the same two members: each can do without the other."""
    joins = unit.elements[element].joins
    return any(unit.elements[other].joins == joins for other in closed - {element})


@pytest.mark.parametrize("name", UNITS)
def test_one_missing_element_leaves_the_output_free(name):
    unit = load_unit(name)
    for gear in unit.gears:
        for element in unit.chart[gear]:
            rest = unit.chart[gear] - {element}
            flow = solve(unit.train, rest, frozenset())
            if doubled(unit, element, rest):
                assert flow.ratio == pytest.approx(unit.ratio(gear))
            else:
                assert (flow.ratio, flow.free, flow.locked) == (None, 1, False), (gear, element)


@pytest.mark.parametrize("name", UNITS)
def test_one_extra_element_locks(name):
    """Except the third input clutch in direct drive of the Ravigneaux and two-set four-speeds."""
    unit = load_unit(name)
    third_clutch = {
        ("four_speed_ravigneaux", "3", "overdrive_clutch"), ("four_speed_two_sets", "3", "reverse_clutch"),
    }  # fmt: skip
    for gear in unit.gears:
        for element in set(unit.elements) - unit.chart[gear]:
            flow = solve(unit.train, unit.chart[gear] | {element}, frozenset())
            if doubled(unit, element, unit.chart[gear]) or (name, gear, element) in third_clutch:
                assert flow.ratio == pytest.approx(unit.ratio(gear)), (gear, element)
                assert flow.redundant == unit_redundancy(unit, gear) + 1
            else:
                assert (flow.locked, flow.torques) == (True, {}), (gear, element)


def unit_redundancy(unit: Unit, gear: str) -> int:
    return solve(unit.train, unit.chart[gear], frozenset()).redundant


def test_second_band_dragging_in_first_is_second_gear():
    """The low one-way clutch lets go: no tie-up, the car starts in second. Reverse and third tie up."""
    unit = load_unit("three_speed_simpson")
    band = frozenset({"intermediate_band"})
    assert power_flow(unit, "D", "1", extra=band).ratio == pytest.approx(unit.ratio("2"))
    assert power_flow(unit, "1", "1", extra=band).locked
    assert power_flow(unit, "D", "3", extra=band).locked
    assert power_flow(unit, "R", "R", extra=band).locked


def test_fixed_front_sun_missing_leaves_sixth():
    """Without the fixed front sun every gear of the six-speed is lost except sixth, where it carries nothing."""
    unit = load_unit("six_speed_ravigneaux")
    shafts = tuple((name, row) for name, row in unit.train.shafts if name != CASE)
    loose = GearTrain(unit.train.sets, shafts, unit.train.couplings)
    for gear in unit.gears:
        flow = solve(loose, unit.chart[gear], frozenset())
        assert (flow.ratio is not None) == (gear == "6"), gear
        assert flow.free == 1
    assert solve(loose, unit.chart["6"], frozenset()).ratio == pytest.approx(unit.ratio("6"))


def test_missing_second_band_falls_back_to_first():
    """Common practice, no source: without the intermediate band the low one-way clutch keeps the unit in low."""
    for name in ("three_speed_simpson", "three_speed_ravigneaux", "four_speed_ravigneaux", "four_speed_two_sets"):
        unit = load_unit(name)
        flow = power_flow(unit, "D", "2", missing=frozenset({"intermediate_band"}))
        assert flow.ratio == pytest.approx(unit.ratio("1"))
        assert flow.one_way["low_one_way_clutch"] == "holds"


def test_seized_low_one_way_clutch_ties_up_second():
    """Seized, it holds both ways: fine in first, engine braking where there was none, locked from second up."""
    unit = load_unit("three_speed_simpson")
    seized = frozenset({"low_one_way_clutch"})
    assert power_flow(unit, "D", "1", extra=seized).ratio == pytest.approx(unit.ratio("1"))
    assert power_flow(unit, "D", "1", "coast", extra=seized).drives
    assert power_flow(unit, "D", "2", extra=seized).locked
    assert power_flow(unit, "D", "3", extra=seized).locked
    assert power_flow(unit, "R", "R", extra=seized).ratio == pytest.approx(unit.ratio("R"))


def test_no_engine_braking_with_a_one_way_clutch_alone():
    """The held carrier's case torque is + in first, so the one-way clutch lets go on the overrun (part B)."""
    for name in ("three_speed_simpson", "four_speed_two_sets", "six_speed_three_sets"):
        unit = load_unit(name)
        assert not power_flow(unit, "D", "1", "coast").drives
        assert power_flow(unit, "1", "1", "coast").drives
        for gear in unit.forward[1:]:
            flow = power_flow(unit, "D", gear)
            assert flow.one_way["low_one_way_clutch"] == "overruns"
            assert power_flow(unit, "D", gear, "coast").drives

"""Signatures follow from the gear train and the hydraulics, finding by finding."""

from __future__ import annotations

import numpy as np
import pytest

from fieldassist.deduce import Context, load_unit, step_by_id, unit_names
from fieldassist.deduce.causes import DEGREES, causes_for
from fieldassist.deduce.holding import excess, loss
from fieldassist.deduce.outcomes import nothing_there
from fieldassist.deduce.reading import evidence_of
from fieldassist.deduce.signature import Condition, Signature, signature_of
from fieldassist.deduce.unit import Unit
from fieldassist.finding import KINDS, Finding

SIMPSON = load_unit("three_speed_simpson")


def chance(cause: str, degree: int = 2, unit: Unit = SIMPSON, **finding: object) -> float:
    """P(finding | cause, degree)."""
    signature = signature_of(unit)
    number = [c.id for c in signature.causes].index(cause)
    evidence = evidence_of(signature, Finding.from_json(finding), Context())
    return float(evidence.likelihood()[len(DEGREES) * number + degree])


def test_second_without_its_band_falls_back_into_first() -> None:
    """The sun is loose, the low one-way clutch catches: a skip from first to third, not neutral (common practice,
    no source: F4)."""
    assert loss(SIMPSON, "D", "2", "intermediate_band").kind == "falls"
    assert loss(SIMPSON, "D", "2", "intermediate_band").ratio == pytest.approx(SIMPSON.ratio("1"))
    assert chance("intermediate_band:fails", kind="skip", shift="1-3") > 0.6
    assert chance("intermediate_band:fails", kind="no_shift", shift="1-2") > 0.8
    assert chance("intermediate_band:fails", kind="no_drive", range="D") < 0.05
    assert chance("intermediate_band:fails", kind="slip", gear="3", range="D") < 0.1


def test_a_band_that_holds_late_hangs_and_thumps_and_does_not_run_up_much() -> None:
    """Short delay, thump, harsh 1-2 (common practice, no source: F5): the one-way clutch holds first meanwhile."""
    for degree in (0, 1):
        harsh = chance("band_adjustment:intermediate_band", degree, kind="harsh", shift="1-2", throttle="medium")
        late = chance("band_adjustment:intermediate_band", degree, kind="late", shift="1-2", throttle="medium")
        assert harsh > 0.4 and late > 0.4


def test_direct_clutch_slow_to_apply_flares_because_nothing_catches() -> None:
    """On 2-3 the band lets go; without the direct clutch the engine runs away (row 33, from memory)."""
    assert chance("circuit_leak:direct_clutch", 1, kind="flare", shift="2-3", throttle="medium") > 0.6
    assert chance("circuit_leak:direct_clutch", 1, kind="flare", shift="1-2", throttle="medium") < 0.1


def test_low_one_way_clutch_fails_in_d_and_not_in_manual_low() -> None:
    """Shop manual road test, 1986 (row 1): first slips in D and 2, not in range 1, where the band holds too."""
    assert chance("low_one_way_clutch:fails", kind="no_drive", range="D") > 0.8
    assert chance("low_one_way_clutch:fails", kind="no_drive", range="1") < 0.1
    assert chance("low_one_way_clutch:fails", kind="slip", range="1") < 0.1


def test_no_engine_braking_in_first_of_d_is_normal_and_in_manual_low_points_to_the_band() -> None:
    """Low/reverse brake: engine-brake test of a four-speed service manual (row 10). In D the one-way clutch
    overruns (common practice, no source: F26), so nothing follows from it."""
    kind = "no_engine_braking"
    everywhere = [chance(c.id, kind=kind, range="D", gear="1") for c in causes_for(SIMPSON)]
    usual = np.median(everywhere)
    assert usual > 0.85
    assert chance("low_reverse_band:fails", kind=kind, range="1") > 0.8
    assert chance("forward_clutch:fails", kind=kind, range="1") > 0.8
    assert chance("intermediate_band:fails", kind=kind, range="1") < 0.05
    assert chance("intermediate_band:fails", kind=kind, range="2") > 0.8
    assert chance("low_one_way_clutch:seized", kind=kind, range="D", gear="1") < 0.3


def test_linkage_set_short() -> None:
    """Early shifts with slip between them (US Army TM 9-2320-266-34, row 21); flare on a light pedal that goes
    away with more, and no forced downshift (common practice, no source: F8, F11)."""
    short = "throttle_linkage_short"
    assert chance(short, 1, kind="early", shift="1-2", throttle="light") > 0.8
    light = chance(short, 1, kind="flare", shift="2-3", throttle="light")
    full = chance(short, 1, kind="flare", shift="2-3", throttle="full")
    assert light > 0.5 and full < 0.5 * light
    assert chance(short, 1, kind="no_kickdown", shift="3-2") > 0.7
    assert chance(short, 1, kind="late", shift="1-2", throttle="light") < 0.1


def test_linkage_set_long_is_late_harsh_and_too_eager() -> None:
    """Common practice, no source: F12."""
    long = "throttle_linkage_long"
    assert chance(long, 1, kind="late", shift="1-2", throttle="light") > 0.8
    assert chance(long, 1, kind="harsh", shift="1-2", throttle="light") > 0.6
    assert chance(long, 1, kind="sensitive_kickdown", shift="3-2") > 0.6


def test_governor_moves_all_throttles_alike_and_the_linkage_does_not() -> None:
    """The schedule: governor gain divides every shift speed, a throttle offset adds."""
    governor = [
        chance("governor_low", 1, kind="late", shift="2-3", throttle=t) for t in ("light", "medium", "full")
    ]
    linkage = [chance("throttle_linkage_long", 0, kind="late", shift="2-3", throttle=t) for t in ("light", "full")]
    assert min(governor) > 0.8
    assert linkage[0] > 0.75 and linkage[1] < 0.2


def test_weak_element_slips_under_load_first() -> None:
    """Torque share times throttle against capacity times pressure."""
    for degree in (0, 1):
        chances = [
            chance("forward_clutch:slips", degree, kind="slip", range="D", gear="1", throttle=t)
            for t in ("light", "medium", "full")
        ]
        assert chances == sorted(chances) and chances[2] > 1.5 * chances[0]


def test_hydraulic_causes_act_on_everything() -> None:
    """Low line pressure slips in every gear (common practice, no source: F13), a circuit's leak in its own."""
    for gear, range_ in (("1", "D"), ("2", "D"), ("3", "D"), ("R", "R")):
        assert chance("line_pressure_low", kind="slip", range=range_, gear=gear) > 0.7
    assert chance("circuit_leak:direct_clutch", kind="slip", range="D", gear="1") < 0.1
    assert chance("circuit_leak:direct_clutch", kind="slip", range="D", gear="3") > 0.7
    assert chance("circuit_leak:direct_clutch", kind="slip", range="R") > 0.7


def test_air_in_the_fluid_is_worse_hot() -> None:
    """Delay, whine and flare with aeration; hot fluid foams more (common practice, no source)."""
    at = {"kind": "slip", "range": "D", "gear": "1", "throttle": "full"}
    hot = chance("fluid_overfull", 1, temperature="hot", **at)
    cold = chance("fluid_overfull", 1, temperature="cold", **at)
    assert hot > cold
    assert chance("fluid_low", kind="noise", where="whine") > 0.6
    assert chance("fluid_low", kind="delayed_engagement", range="R") > 0.6


def test_forward_clutch_that_does_not_release_creeps_in_neutral_and_binds_in_reverse() -> None:
    """Row 32, from memory; the gear train says why: in N it drives first, in R it fights the direct clutch."""
    assert chance("forward_clutch:drags", kind="creep", range="N") > 0.6
    assert chance("forward_clutch:drags", kind="bind", gear="R") > 0.6
    assert chance("direct_clutch:drags", kind="creep", range="N") < 0.05


def test_converter_and_engine() -> None:
    """Stator freewheels: weak from rest in every range, good at speed (shop manuals 1997 to 2011, row 47); stall
    speed at least a third low (truck mechanic's handbook, row 46). Stator locked: good from rest, poor at speed
    (stall test page of 1990, row 49). Weak engine: low stall speed too (2002 to 2005 stall test, row 44)."""
    slips, seized, engine = "converter_stator_slips", "converter_stator_seized", "engine_output_low"
    for range_ in ("D", "R"):
        assert chance(slips, kind="poor_acceleration", range=range_) > 0.8
        assert chance(slips, kind="stall_speed", range=range_, where="low") > 0.8
        assert chance(engine, kind="stall_speed", range=range_, where="low") > 0.7
    assert chance(slips, kind="poor_top_speed") < 0.1
    assert chance(seized, kind="poor_acceleration") < 0.1
    assert chance(seized, kind="poor_top_speed") > 0.8
    assert chance(engine, kind="poor_top_speed") > 0.7


def test_pressure_low_only_where_the_leaking_element_is_fed() -> None:
    """Trade technical bulletin 078, Nov 1991 (row 56): right in P, N and R, low in the forward ranges: forward
    clutch. The same bulletin (row 58): falls gradually: restricted filter."""
    leak = "circuit_leak:forward_clutch"
    for range_ in ("D", "2", "1"):
        assert chance(leak, kind="pressure", where="line low", range=range_) > 0.7
    for range_ in ("P", "N", "R"):
        assert chance(leak, kind="pressure", where="line low", range=range_) < 0.1
    assert chance("filter_restricted", kind="pressure", where="falls slowly") > 0.8
    assert chance("pump_worn", 0, kind="pressure", where="line low idle", range="D") > 0.7


@pytest.mark.parametrize("name", unit_names())
def test_dropping_or_adding_an_element_agrees_with_the_gear_train(name: str) -> None:
    """What one missing or one extra element does, computed from tooth counts by the power flow:
    where the power flow leaves the output free the severest fault of that element must not drive."""
    unit = load_unit(name)
    for gear in unit.gears:
        range_ = unit.range_of(gear)
        for element in unit.applied(range_, gear):
            kind = "no_reverse" if gear == "R" else "no_drive"
            p = chance(f"{element}:fails", unit=unit, kind=kind, range=range_, gear=gear)
            what = loss(unit, range_, gear, element).kind
            assert (p > 0.8) == (what == "free"), (gear, element, what, p)
        for element in unit.friction:
            if element not in unit.applied(range_, gear) and excess(unit, range_, gear, element).kind == "locked":
                assert chance(f"{element}:drags", unit=unit, kind="bind", gear=gear, range=range_) > 0.6


@pytest.mark.parametrize("name", unit_names())
def test_every_probability_is_one_and_every_kind_can_be_read(name: str) -> None:
    signature = signature_of(load_unit(name))
    for kind, table in signature.tables.items():
        absent = np.exp(table.log_absent)
        assert absent.shape == (len(table.events), signature.count)
        assert np.all((absent > 0.0) & (absent < 1.0)), kind
    for kind in KINDS:
        like = evidence_of(signature, Finding(kind), Context()).likelihood()
        assert np.all((like > 0.0) & (like <= 1.0 + 1e-12)), kind


def test_what_the_finding_leaves_open_is_taken_together() -> None:
    """A finding without gear covers all of them, so it is at least as likely as with one."""
    signature = signature_of(SIMPSON)
    for kind in ("slip", "flare", "late", "bind"):
        open_ = 1.0 - signature.said_absent(kind, Condition(range="D"))
        for gear in SIMPSON.forward:
            one = 1.0 - signature.said_absent(kind, Condition(range="D", gear=gear))
            assert np.all(open_ >= one - 1e-9), (kind, gear)


def test_words_that_mean_nothing_here_are_passed_over() -> None:
    signature: Signature = signature_of(SIMPSON)
    for finding in (
        Finding("fluid_condition", where="xyzzy"), Finding("noise", where="xyzzy"), Finding("slip", gear="8"),
        Finding("pressure", where="xyzzy", value=50.0), Finding("engine_speed", value=2100.0, unit="rpm"),
    ):  # fmt: skip
        assert np.all(evidence_of(signature, finding, Context()).likelihood() > 0.0)


def test_confidence_takes_the_edge_off() -> None:
    signature = signature_of(SIMPSON)

    def spread(confidence: float) -> float:
        like = evidence_of(signature, Finding("slip", gear="2", confidence=confidence), Context()).likelihood()
        return float(like.max() / like.min())

    assert spread(1.0) > spread(0.6) > spread(0.2) > spread(0.0) == pytest.approx(1.0)


def test_a_step_shows_only_what_its_own_gears_need() -> None:
    """Clutch E of the eight-speed is on in 2, 3, 4, 6 and 8 only (US 8,016,708 B2 and published flow paths),
    so engaging D or R and pulling away tell nothing about it."""
    unit = load_unit("eight_speed_four_sets")
    signature = signature_of(unit)
    number = [c.id for c in signature.causes].index("clutch_e:fails")
    good = signature.count - 1
    for step_id in ("engage_drive", "engage_reverse", "pull_away_D", "pull_away_R", "hold_1", "hold_5", "hold_7"):
        normal = nothing_there(signature, step_by_id(unit, step_id))
        assert normal[len(DEGREES) * number + 2] > 0.9 * normal[good], step_id
    for step_id in ("hold_2", "hold_3", "hold_4", "hold_6", "hold_8"):
        assert nothing_there(signature, step_by_id(unit, step_id))[len(DEGREES) * number + 2] < 0.3, step_id

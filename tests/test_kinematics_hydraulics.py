"""Shift schedule (throttle signal against governor signal) and gauge readings.

Source codes beside each check, listed at the end. The specification figures of the shipped units are invented;
what is checked is the pattern.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares

from fieldassist.deduce.context import Context
from fieldassist.deduce.deduction import weigh
from fieldassist.deduce.pressures import GaugeReading, compare, fed_elements, find_pattern, gauge_reading
from fieldassist.deduce.schedule import (
    OPENING,
    MeasuredShift,
    Schedule,
    explain_speeds,
    fit_signals,
    forced_downshift_answers,
    measured_shift,
    schedule_of,
)
from fieldassist.deduce.shiftspeeds import shift_speed_evidence
from fieldassist.deduce.signature import signature_of
from fieldassist.deduce.unit import load_unit
from fieldassist.errors import UserError
from fieldassist.finding import Finding

UNIT = load_unit("three_speed_simpson")
SCHEDULE = schedule_of(UNIT.specification)
UPSHIFTS = ("1-2", "2-3")
PEDALS = ("light", "medium", "full")


def drive(offset: float = 0.0, gain: float = 1.0, off: float = 0.0) -> list[MeasuredShift]:
    """Shift speeds of a car with wrong signals, to the nearest mph; `off` shifts every reading."""
    return [
        MeasuredShift(shift, pedal, round(SCHEDULE.speed(shift, OPENING[pedal], offset, gain) + off))
        for shift in UPSHIFTS
        for pedal in PEDALS
    ]


def test_sound_signals_give_the_middle_of_the_band():
    for (shift, pedal), (low, high) in SCHEDULE.bands.items():
        assert SCHEDULE.speed(shift, OPENING[pedal]) == pytest.approx((low + high) / 2)


def test_throttle_words_are_quarter_half_and_full():
    """Light 1/4, medium 1/2, wide open 100 %, R [S15]."""
    assert (OPENING["light"], OPENING["medium"], OPENING["full"]) == (0.25, 0.5, 1.0)


def test_linkage_short_shifts_early_and_loses_the_forced_downshift():
    """Throttle rod set too short: early shifts, R [S10]; no forced downshift, common practice, no source."""
    for shift in UPSHIFTS:
        for pedal in PEDALS:
            assert SCHEDULE.speed(shift, OPENING[pedal], offset=-0.15) < SCHEDULE.bands[shift, pedal][0]
    assert not forced_downshift_answers(-0.15)
    assert forced_downshift_answers(0.0) and forced_downshift_answers(0.15)


def test_linkage_long_shifts_late():
    """Late and harsh upshifts, part-throttle downshift too easy: common practice, no source."""
    for shift in UPSHIFTS:
        for pedal in ("light", "medium"):
            assert SCHEDULE.speed(shift, OPENING[pedal], offset=0.15) > SCHEDULE.bands[shift, pedal][1]
    assert SCHEDULE.speed("3-2", OPENING["medium"], offset=0.15) > SCHEDULE.speed("3-2", OPENING["medium"])


def test_governor_scales_all_throttles_alike():
    """Governor pressure low: late or missing upshifts; high: early ones. Common practice, no source."""
    for shift in UPSHIFTS:
        factors = {pedal: SCHEDULE.speed(shift, OPENING[pedal], gain=0.8) / SCHEDULE.speed(shift, OPENING[pedal])
                   for pedal in PEDALS}  # fmt: skip
        assert list(factors.values()) == pytest.approx([1.25] * 3)


def test_governor_that_does_not_fall_to_zero():
    """It brings every shift early by the same speed, and holds the unit in second at standstill: the downshift at
    rest is missing, R [S10]."""
    for shift in UPSHIFTS:
        for pedal in PEDALS:
            sound = SCHEDULE.speed(shift, OPENING[pedal])
            assert SCHEDULE.speed(shift, OPENING[pedal], standing=5.0) == pytest.approx(sound - 5.0)
    assert SCHEDULE.speed("2-1", 0.0) > 0.0
    assert SCHEDULE.speed("2-1", 0.0, standing=10.0) == 0.0


@pytest.mark.parametrize(
    ("offset", "gain", "verdict"),
    [(0.0, 1.0, "sound"), (-0.2, 1.0, "throttle"), (0.2, 1.0, "throttle"), (0.0, 1.25, "governor"),
     (0.0, 0.8, "governor")],
)  # fmt: skip
def test_fit_tells_throttle_from_governor(offset, gain, verdict):
    fit = fit_signals(SCHEDULE, drive(offset, gain))
    assert fit.verdict == verdict
    assert abs(fit.offset - offset) < 2 * fit.offset_sigma
    assert abs(fit.gain - gain) < 2 * fit.gain_sigma
    assert sum(fit.weights.values()) == pytest.approx(1.0)


def test_one_throttle_opening_cannot_tell_them_apart():
    """Early at light throttle alone fits either; the fit says so by its correlation and by no verdict."""
    light = [m for m in drive(-0.1, 1.0) if m.throttle == "light"]
    fit = fit_signals(SCHEDULE, light)
    assert fit.verdict == "unclear"
    assert fit.correlation > 0.7
    full = fit_signals(SCHEDULE, drive(-0.1, 1.0))
    assert full.offset_sigma < fit.offset_sigma and full.gain_sigma < fit.gain_sigma


@settings(max_examples=40, deadline=None)
@given(st.floats(-0.25, 0.25), st.floats(0.75, 1.3), st.lists(st.floats(-2, 2), min_size=6, max_size=6))
def test_fit_against_least_squares(offset, gain, noise):
    """Second opinion: scipy's least squares on the same residuals, its priors included, by local search."""
    measured = [
        MeasuredShift(m.shift, m.throttle, max(m.speed + n, 1.0))
        for m, n in zip(drive(offset, gain), noise, strict=True)
    ]

    def residuals(x):
        out = [x[0] / 0.2, np.log(x[1]) / 0.2]
        for m in measured:
            low, high = SCHEDULE.bands[m.shift, m.throttle]
            sigma = np.hypot(m.error, (high - low) / 4)
            out.append((m.speed - SCHEDULE.speed(m.shift, OPENING[m.throttle], x[0], x[1])) / sigma)
        return np.array(out)

    starts = [least_squares(residuals, [o, 1.0], bounds=([-0.6, 0.55], [0.6, 1.8])) for o in (-0.2, 0.0, 0.2)]
    best = min(starts, key=lambda r: r.cost).x
    fit = fit_signals(SCHEDULE, measured)
    assert fit.offset == pytest.approx(best[0], abs=1.5 * fit.offset_sigma + 0.01)
    assert fit.gain == pytest.approx(best[1], abs=1.5 * fit.gain_sigma + 0.01)


def test_other_tyre_and_axle_move_the_schedule():
    """What is early on the specified tyre is right on a smaller one or with a shorter axle."""
    spec = UNIT.specification
    short = schedule_of(spec, axle=spec.axle_ratio * 1.25)
    for key, (low, high) in SCHEDULE.bands.items():
        assert short.bands[key] == pytest.approx((low / 1.25, high / 1.25))
    seen = [MeasuredShift(m.shift, m.throttle, m.speed / 1.25) for m in drive()]
    assert fit_signals(short, seen).verdict == "sound"
    assert fit_signals(SCHEDULE, seen).verdict == "governor"  # what it would look like without the correction


def test_findings_become_measurements():
    finding = Finding("shift_speed", shift="1-2", throttle="light", value=32.2, unit="km/h")
    assert measured_shift(finding).speed == pytest.approx(20.0, abs=0.01)
    for useless in (
        Finding("shift_speed", shift="1-2", throttle="light"), Finding("shift_speed", value=20.0, shift="1-2"),
        Finding("early", shift="1-2"), Finding("shift_speed", shift="1-2", throttle="light", value=2.0, unit="s"),
    ):  # fmt: skip
        assert measured_shift(useless) is None


@pytest.mark.parametrize(
    ("offset", "gain", "name"),
    [(0.0, 1.0, "sound"), (-0.2, 1.0, "short"), (0.2, 1.0, "long"), (0.0, 1.25, "high"), (0.0, 0.8, "low")],
)
def test_speeds_are_explained_by_the_signal_that_is_wrong(offset, gain, name):
    rows = explain_speeds(SCHEDULE, drive(offset, gain))
    log = {key: sum(np.log(row[key]) for row in rows) for key in rows[0] if key not in ("erratic", "shift")}
    assert max(log, key=log.get) == name


def test_scattered_speeds_are_explained_by_a_sticking_governor():
    scattered = [MeasuredShift(m.shift, m.throttle, m.speed * f)
                 for m, f in zip(drive(), (1.4, 0.7, 1.3, 0.7, 1.35, 0.75), strict=True)]  # fmt: skip
    rows = explain_speeds(SCHEDULE, scattered)
    log = {key: sum(np.log(row[key]) for row in rows) for key in rows[0] if key != "shift"}
    assert max(log, key=log.get) == "erratic"


def test_evidence_of_one_after_the_other_does_not_depend_on_the_order():
    """The chain rule: the product over all speeds is the same in any order."""
    measured = drive(-0.15, 1.0)
    first, *others = (
        {key: sum(np.log(row[key]) for row in rows) for key in rows[0]}
        for rows in (explain_speeds(SCHEDULE, o) for o in (measured, measured[::-1], measured[3:] + measured[:3]))
    )
    for other in others:
        assert other == pytest.approx(first, rel=1e-9)


def test_one_wrong_entry_does_not_turn_the_evidence():
    """A speed that was heard wrong (14 as 40) weighs little beside five right ones."""
    measured = drive(-0.2, 1.0)
    measured[0] = MeasuredShift("1-2", "light", 40)
    rows = explain_speeds(SCHEDULE, measured)
    log = {key: sum(np.log(row[key]) for row in rows) for key in rows[0]}
    assert max(log, key=log.get) == "short"


@pytest.mark.parametrize(
    ("offset", "gain", "cause"),
    [(-0.2, 1.0, "throttle_linkage_short"), (0.2, 1.0, "throttle_linkage_long"), (0.0, 1.25, "governor_high"),
     (0.0, 0.8, "governor_low")],
)  # fmt: skip
def test_shift_speeds_together_name_the_signal(offset, gain, cause):
    """The whole way: six spoken speeds, no other finding, to the cause."""
    findings = [Finding("shift_speed", shift=m.shift, throttle=m.throttle, value=m.speed, unit="mph")
                for m in drive(offset, gain)]  # fmt: skip
    signature = signature_of(UNIT)
    findings.insert(0, Finding("flare", shift="2-3", present=False))
    evidence = shift_speed_evidence(signature, findings, Context())
    assert sorted(evidence) == [1, 2, 3, 4, 5, 6]
    after = weigh(signature, list(evidence.values()), Context())
    best = signature.causes[int(np.argmax(after.cause))].id
    assert best == cause
    assert after.cause.max() > 0.6


def test_no_specified_speed():
    with pytest.raises(UserError, match="shift '1-2' at closed throttle has no specified speed"):
        explain_speeds(SCHEDULE, [MeasuredShift("1-2", "closed", 10)])
    with pytest.raises(UserError, match="none of them has a specified speed"):
        fit_signals(SCHEDULE, [MeasuredShift("1-2", "closed", 10)])
    with pytest.raises(UserError, match="shift '4-5' has no specified speed"):
        SCHEDULE.speed("4-5", 0.5)
    assert Schedule({("1-2", "full"): (40, 50)}).speed("1-2", 0.3, gain=0.9) == pytest.approx(50)


# Pressures ------------------------------------------------------------------------------------------------------


def gauge(tap, psi, range, gear=None, throttle="closed", rpm=700.0, **more):
    return GaugeReading(tap, psi, range, gear, throttle, rpm, **more)


IDLE = [gauge("line", 60, r) for r in ("P", "N", "D", "2", "1")] + [gauge("line", 90, "R")]
"""Right in all ranges at slow idle."""


def low(readings, share=0.7):
    return [GaugeReading(**{**vars(r), "psi": r.psi * share}) for r in readings]


def test_right_in_all_ranges_is_pump_and_regulator_good():
    """Row 53, R [S18]."""
    pattern = find_pattern(UNIT, IDLE)
    assert {c.state for c in pattern.comparisons} == {"normal"}
    assert not (pattern.low_everywhere or pattern.high_everywhere or pattern.low_where_fed or pattern.falls_slowly)


def test_low_in_all_ranges():
    """Row 54, R [S18]: pump, regulator, filter, low fluid, internal leak; no element is named."""
    pattern = find_pattern(UNIT, low(IDLE))
    assert pattern.low_everywhere and not pattern.low_where_fed


def test_low_in_all_forward_ranges_names_the_forward_clutch():
    """Row 56, R [S18]: right in P N R, low in all forward ranges. The chart names the clutch."""
    forward = [r for r in IDLE if r.range in ("D", "2", "1")]
    pattern = find_pattern(UNIT, [r for r in IDLE if r not in forward] + low(forward))
    assert pattern.low_where_fed == ("forward_clutch",)
    assert not pattern.low_everywhere


def test_low_in_reverse_only():
    """Direct clutch and low/reverse servo are both fed in R (row 62, R [S21]); a good range 1 clears the servo
    (row 61, R [S20]), a good third clears the clutch."""
    reverse = low([r for r in IDLE if r.range == "R"])
    others = [gauge("line", 60, r) for r in ("P", "N", "D", "2")]
    assert find_pattern(UNIT, reverse + others).low_where_fed == ("direct_clutch", "low_reverse_band")
    with_low = [*others, gauge("line", 60, "1", "1")]
    assert find_pattern(UNIT, reverse + with_low).low_where_fed == ("direct_clutch",)
    with_third = [*others, gauge("line", 72, "D", "3", "light", 1600)]
    assert find_pattern(UNIT, reverse + with_third).low_where_fed == ("low_reverse_band",)


def test_pressure_that_falls_on_a_shift():
    """Falls as the direct clutch comes on: its circuit leaks (common practice, no source)."""
    readings = [gauge("line", 72, "D", gear, "light", 1600) for gear in ("1", "2")]
    pattern = find_pattern(UNIT, [*readings, gauge("line", 50, "D", "3", "light", 1600)])
    assert pattern.falls_on == ("2-3",)
    assert pattern.low_where_fed == ("direct_clutch",)
    assert not find_pattern(UNIT, [*readings, gauge("line", 71, "D", "3", "light", 1600)]).falls_on


def test_pressure_that_falls_slowly():
    """Row 58, R [S18]: falls gradually, restricted filter."""
    held = [gauge("line", psi, "D", minutes=m) for m, psi in enumerate((62, 59, 54, 49))]
    assert find_pattern(UNIT, held).falls_slowly
    for steady in ((62, 61, 62, 60), (62, 49, 62)):
        held = [gauge("line", psi, "D", minutes=m) for m, psi in enumerate(steady)]
        assert not find_pattern(UNIT, held).falls_slowly


def test_low_at_idle_only():
    """Row 59, R [S19]: low at idle, pump or relief valve."""
    fast = [gauge("line", 92, "D", throttle="full", rpm=1600), gauge("line", 72, "2", throttle="light", rpm=1600)]
    assert find_pattern(UNIT, low(IDLE) + fast).low_at_idle_only
    assert not find_pattern(UNIT, low(IDLE) + low(fast)).low_at_idle_only


def test_high_everywhere():
    assert find_pattern(UNIT, low(IDLE, 1.5)).high_everywhere


def test_servo_within_three_psi_of_line():
    """Row 61, R [S20]: servo pressure within 3 psi of line pressure in range 1."""
    line = gauge("line", 62, "1", "1")
    assert not find_pattern(UNIT, [line, gauge("low_reverse", 59.5, "1", "1")]).below_line
    assert find_pattern(UNIT, [line, gauge("low_reverse", 48, "1", "1")]).below_line == ("low_reverse",)


def test_servo_release_well_below_line_in_direct():
    """Leak at the direct clutch seals, support rings or servo rod guide: common practice, no source."""
    line = gauge("line", 72, "D", "3", "light", 1600)
    pattern = find_pattern(UNIT, [line, gauge("direct", 52, "D", "3", "light", 1600)])
    assert pattern.below_line == ("direct",)
    assert pattern.low_where_fed == ("direct_clutch",)
    assert UNIT.elements["intermediate_band"].released_by == "direct_clutch"


def test_governor_pressure_at_standstill():
    """Above 1.5 psi at standstill the downshift at rest is missing, R [S10]."""
    assert find_pattern(UNIT, [gauge("governor", 6, "D", speed=0)]).governor == "high_at_rest"
    sound = [gauge("governor", 1, "D", speed=0), gauge("governor", 21, "D", speed=20)]
    assert find_pattern(UNIT, sound).governor == "normal"
    assert find_pattern(UNIT, [gauge("governor", 12, "D", speed=20)]).governor == "low"
    assert find_pattern(UNIT, [gauge("governor", 33, "D", speed=20)]).governor == "high"
    assert find_pattern(UNIT, [gauge("governor", 33, "D", speed=70)]).governor == "unknown"


def test_a_reading_without_specification_is_unknown():
    assert compare(UNIT, gauge("line", 60, "D", throttle="full", rpm=4000)).state == "unknown"
    assert compare(UNIT, gauge("forward", 60, "R")).state == "unknown"
    with pytest.raises(UserError, match="no tap 'boost'; it has line, forward"):
        compare(UNIT, gauge("boost", 60, "D"))


def test_fed_elements_follow_the_chart():
    assert fed_elements(UNIT, "D", None) == {"forward_clutch"}
    assert fed_elements(UNIT, "D", "3") == {"forward_clutch", "direct_clutch"}
    assert fed_elements(UNIT, "R", None) == {"direct_clutch", "low_reverse_band"}
    assert fed_elements(UNIT, "N", None) == frozenset()
    with pytest.raises(UserError, match="no range '3'"):
        fed_elements(UNIT, "3", None)


def test_findings_become_gauge_readings():
    kilopascal = Finding("pressure", where="line", range="D", value=413.7, unit="kPa", shift="2-3")
    reading = gauge_reading(kilopascal)
    assert reading.psi == pytest.approx(60.0, abs=0.01)  # 1 psi = 6.894757 kPa
    assert reading.gear == "3"
    assert gauge_reading(Finding("pressure", where="line", value=60.0)) is None
    assert gauge_reading(Finding("slip", range="D")) is None
    metric = load_unit("six_speed_ravigneaux")
    assert compare(metric, gauge("line", 80, "D")).state == "normal"  # 552 kPa in 450 to 650


@settings(max_examples=60, deadline=None)
@given(st.lists(st.builds(
    gauge, st.sampled_from(list(UNIT.taps)), st.floats(0, 300), st.sampled_from(["P", "R", "N", "D"]),
    throttle=st.sampled_from([None, "closed", "light", "full"]), rpm=st.sampled_from([None, 700.0, 1600.0]),
    speed=st.sampled_from([None, 0.0, 20.0]), minutes=st.sampled_from([None, 0.0, 1.0, 2.0]),
), max_size=8))  # fmt: skip
def test_any_readings_give_a_pattern(readings):
    pattern = find_pattern(UNIT, readings)
    assert len(pattern.comparisons) == len(readings)
    assert not (pattern.low_everywhere and pattern.high_everywhere)
    if pattern.low_where_fed:
        assert any(c.state == "low" for c in pattern.comparisons)


# Sources: S10 US Army TM 9-2320-266-34, table 4-2 (public domain). S15 a maker's glossary of shift-feel words. S18
# trade technical bulletin 078 on the pressure gauge, Nov 1991. S19 study guide on pressure tests. S20 1996 and S21
# 1998 shop manuals, pressure tests 1 and 4.

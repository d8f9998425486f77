"""A number that was not heard clearly is not computed with until somebody confirms it."""

from __future__ import annotations

from dataclasses import replace

from fieldassist.deduce import deduce, load_unit
from fieldassist.finding import Finding

ABSURD = Finding(
    "shift_speed", shift="2-3", range="D", throttle="medium", value=1034.0, unit="mph", confidence=0.3
)


def test_an_unclear_shift_speed_is_not_computed_with():
    unit = load_unit("three_speed_simpson")
    assert deduce(unit, [ABSURD]).to_json()["computed"] == []
    confirmed = replace(ABSURD, confidence=1.0)
    assert any("1034 mph" in line for line in deduce(unit, [confirmed]).to_json()["computed"])


def test_an_unclear_shift_speed_moves_the_suspects_less_than_half_as_far():
    unit = load_unit("three_speed_simpson")

    def governor_low(*findings: Finding) -> float:
        suspects = deduce(unit, findings).to_json()["suspects"]
        return sum(s["probability"] for s in suspects if s["cause"] == "governor_low")

    before = governor_low()
    assert governor_low(ABSURD) - before < (governor_low(replace(ABSURD, confidence=1.0)) - before) / 2

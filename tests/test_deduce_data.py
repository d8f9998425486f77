"""Steps and causes as data: what is in the files, and what a broken file is told."""

from __future__ import annotations

from pathlib import Path

import pytest

from fieldassist.deduce import load_unit, steps_for, unit_names
from fieldassist.deduce import steps as steps_module
from fieldassist.deduce.causes import cause_by_id, causes_for, templates
from fieldassist.deduce.steps import step_by_id
from fieldassist.errors import DataFileError, UserError
from fieldassist.finding import KINDS

CAUSE = """
[[cause]]
id = "a_cause"
name = "something"
base_rate = 3
depth = "adjust"
work = "work"
weights = [0.3, 0.4, 0.3]
acts.line = [0.9, 0.8, 0.7]
"""
STEP = """
[[step]]
id = "look_{range}"
for_each = ["drive_range"]
title = "look in {range}"
kinds = ["slip"]
range = "{range}"
minutes = 1
depth = "road"
risk = 0
"""


@pytest.mark.parametrize("name", unit_names())
def test_every_unit_has_the_causes_of_its_parts(name: str) -> None:
    unit = load_unit(name)
    ids = {cause.id for cause in causes_for(unit)}
    assert len(ids) == len(causes_for(unit))
    for element in unit.elements.values():
        wanted = ("slips", "fails", "drags") if element.friction else ("fails", "seized")
        assert {f"{element.id}:{sort}" for sort in wanted} <= ids
        if element.friction:
            assert f"circuit_leak:{element.id}" in ids
        if element.kind == "band":
            assert {f"servo_leak:{element.id}", f"band_adjustment:{element.id}"} <= ids
    plain = {
        "fluid_low", "fluid_overfull", "fluid_burnt", "fluid_contaminated", "fluid_wrong_type",
        "filter_restricted", "pump_worn", "line_pressure_low", "line_pressure_high", "pressure_regulator_sticking",
        "selector_linkage_off", "converter_stator_slips", "converter_stator_seized", "engine_output_low",
        "exhaust_blocked", "driveline_fault",
    }  # fmt: skip
    assert plain <= ids
    governor = {"governor_low", "governor_high", "governor_sticking"}
    assert (governor <= ids) == (unit.shift_control == "governor")
    assert ("converter_clutch_not_applying" in ids) == bool(unit.converter_clutch)
    assert {f"shift_valve_sticking:{s}" for s in unit.shift_valves} <= ids


@pytest.mark.parametrize("name", unit_names())
def test_every_step_can_be_looked_up_and_names_known_kinds(name: str) -> None:
    unit = load_unit(name)
    steps = steps_for(unit)
    assert len({step.id for step in steps}) == len(steps)
    for step in steps:
        assert step_by_id(unit, step.id) is step
        assert set(step.kinds) <= set(KINDS) and step.kinds[0] == "normal" and step.title and "{" not in step.title
    assert {"fluid_level", "engage_drive", "pull_away_D", "upshift_1_2_light", "pan_inspection"} <= {
        s.id for s in steps
    }


def test_ids_named_in_the_contract() -> None:
    ids = {step.id for step in steps_for(load_unit("three_speed_simpson"))}
    assert {"kickdown_3_2", "engine_braking_2", "stall_D", "pressure_line"} <= ids


def test_unknown_step_and_cause() -> None:
    unit = load_unit("three_speed_simpson")
    with pytest.raises(UserError, match="no step 'x'"):
        step_by_id(unit, "x")
    with pytest.raises(UserError, match="no cause 'x'"):
        cause_by_id(unit, "x")


@pytest.mark.parametrize(
    ("old", "new", "line", "message"),
    [
        ("base_rate = 3", "base_rate = -3", 5, "base_rate"),
        ("base_rate = 3", "", 2, "base_rate"),
        ('depth = "adjust"', 'depth = "deep"', 6, "one of adjust"),
        ("weights = [0.3, 0.4, 0.3]", "weights = [0.3, 0.4]", 8, "three numbers"),
        ("weights = [0.3, 0.4, 0.3]", "weights = [0.3, 0.4, 0.4]", 8, "sum to 1"),
        ("acts.line = [0.9, 0.8, 0.7]", 'acts.line = "low"', 9, "expected numbers"),
        ("acts.line = [0.9, 0.8, 0.7]", "acts.lime = 0.9", 9, "not a quantity"),
        ("acts.line = [0.9, 0.8, 0.7]", "acts.capacity = 0.9", 9, "not a quantity"),
        ("acts.line = [0.9, 0.8, 0.7]", "acts.line = 0.9\ncontext = { always = 2 }", 10, "unknown key"),
        ('name = "something"', 'name = "something"\nextra = 1', 5, "unknown key"),
        ('name = "something"', 'name = "{element} something"', 4, "not given by for_each"),
        ('name = "something"', 'name = "something"\nfor_each = "wheel"', 5, "one of friction"),
        ('name = "something"', "name = something", 4, "expected TOML"),
    ],
)
def test_broken_causes_name_file_line_and_what_was_expected(
    old: str, new: str, line: int, message: str, tmp_path: Path
) -> None:
    path = tmp_path / "causes.toml"
    path.write_text(CAUSE, encoding="utf-8")
    assert len(templates(path)) == 1
    templates.cache_clear()
    path.write_text(CAUSE.replace(old, new), encoding="utf-8")
    with pytest.raises(DataFileError, match=message) as caught:
        templates(path)
    assert str(caught.value).startswith(f"{path}:{line}:")
    templates.cache_clear()


def test_a_cause_that_stands_twice(tmp_path: Path) -> None:
    path = tmp_path / "causes.toml"
    path.write_text(CAUSE + CAUSE, encoding="utf-8")
    with pytest.raises(DataFileError, match="twice"):
        templates(path)


@pytest.mark.parametrize(
    ("old", "new", "line", "message"),
    [
        ('kinds = ["slip"]', 'kinds = ["slop"]', 6, "slop"),
        ('for_each = ["drive_range"]', 'for_each = ["wheel"]', 4, "wheel"),
        ("minutes = 1", "minutes = 0", 8, "minutes"),
        ('depth = "road"', 'depth = "sea"', 9, "one of look"),
        ('title = "look in {range}"', 'title = "look in {shift}"', 5, "not given by for_each"),
        ("risk = 0", "risk = 0\nhazard = 1", 11, "unknown key"),
    ],
)
def test_broken_steps_name_file_line_and_what_was_expected(
    old: str, new: str, line: int, message: str, tmp_path: Path
) -> None:
    path = tmp_path / "steps.toml"
    path.write_text(STEP.replace(old, new), encoding="utf-8")
    with pytest.raises(DataFileError, match=message) as caught:
        steps_module.templates(path)
    assert str(caught.value).startswith(f"{path}:{line}:")

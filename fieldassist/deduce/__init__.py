"""Gearset kinematics, units, causes, predicted signatures, posterior, next test: usable without the other rooms."""

from fieldassist.deduce.steps import step_by_id, steps_for
from fieldassist.deduce.unit import load_unit, unit_names

__all__ = ["load_unit", "step_by_id", "steps_for", "unit_names"]

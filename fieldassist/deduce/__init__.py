"""Gearset kinematics, units, causes, predicted signatures, posterior, next test; usable without other rooms."""

from fieldassist.deduce.context import Context
from fieldassist.deduce.deduction import Deduction, Suspect, deduce
from fieldassist.deduce.priors import CaseBook, ShopPriors, cases_path, shop_priors
from fieldassist.deduce.step import Step
from fieldassist.deduce.steps import step_by_id, steps_for
from fieldassist.deduce.unit import Unit, load_unit, unit_names

__all__ = [
    "CaseBook", "Context", "Deduction", "ShopPriors", "Step", "Suspect", "Unit", "cases_path", "deduce",
    "load_unit", "shop_priors", "step_by_id", "steps_for", "unit_names",
]  # fmt: skip

"""What is not expected at a step costs more to take an utterance for; nothing is ruled out."""

from __future__ import annotations

from collections.abc import Sequence

from fieldassist.deduce.step import Step
from fieldassist.phrases.automaton import Tag
from fieldassist.phrases.compose import LINKAGES, UNDECIDED

UNEXPECTED_KIND = 0.25
STANDING_KIND = 0.6
UNEXPECTED_PLACE = 0.1
"""Costs of a finding kind, of one that is looked at before the drive, or of a shift, gear or range, that the step
is not about."""
BEFORE_THE_DRIVE = ("fluid_level", "fluid_condition", "leak", "linkage")
NOT_ASKED, LAST_RESORT = 2.0, 0.3
"""Costs of words that mean a finding only where the step asks for it, and of such that mean it only where nothing
else fits: the values of `hint` in the grammars."""
BARE_NOS = ("no", "nope", "nah")
BARE_NO = 0.4
"""Cost of taking a "no" for a correction: before what is seen it mostly says that it was not there."""


def not_expected(bare_no: bool, tags: Sequence[Tag], step: Step | None) -> float:
    """Return the cost of an arc with these tags at a step; bare_no: its word is a "no" and nothing else."""
    hints = {tag.value for tag in tags if tag.key == "hint"}
    cost = LAST_RESORT if "last" in hints else 0.0
    for tag in tags:
        if tag.key == "correct":
            cost += BARE_NO if bare_no else 0.0
        elif step is None:
            cost += NOT_ASKED if tag.key == "hint" and tag.value == "asked" else 0.0
        elif tag.key == "kind":
            kinds = UNDECIDED.get(tag.value or "", (tag.value,))
            expected = any(kind in step.kinds or kind == "normal" for kind in kinds)
            standing = any(kind in BEFORE_THE_DRIVE for kind in kinds)
            unexpected = NOT_ASKED if "asked" in hints else STANDING_KIND if standing else UNEXPECTED_KIND
            cost += 0.0 if expected else unexpected
        elif tag.key in ("shift", "gear", "range") or (tag.key == "where" and tag.value in LINKAGES):
            wanted = getattr(step, tag.key)
            cost += UNEXPECTED_PLACE if wanted is not None and wanted != tag.value else 0.0
    return cost

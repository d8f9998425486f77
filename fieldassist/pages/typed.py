"""Typed observations, matched like spoken ones."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

from fieldassist.deduce import steps_for
from fieldassist.errors import UserError
from fieldassist.finding import Finding
from fieldassist.pages.case import Case
from fieldassist.phrases import Matcher, load_phrases

MAX_TEXT = 300
"""Characters of a typed observation."""


def typed_findings(case: Case, text: object, step_id: object = None) -> tuple[Finding, ...]:
    """Return what a typed line may say, likeliest first; `step_id` is the step that it was made at, if any.

    Raises UserError when it says nothing that the tool knows.
    """
    if not isinstance(text, str) or not 0 < len(text.strip()) <= MAX_TEXT:
        raise UserError(f"text: expected 1 to {MAX_TEXT} characters")
    steps = steps_for(case.unit) if case.unit is not None else ()
    match = _matcher().match(text.strip(), step=next((step for step in steps if step.id == step_id), None))
    found = [finding for finding in (match.finding, *match.more, *match.alternatives) if finding is not None]
    if not found:
        raise UserError("No observation was found in that. Say it in other words, or pick from the lists.")
    return tuple(dict.fromkeys(replace(finding, confidence=1.0) for finding in found))


@cache
def _matcher() -> Matcher:
    """The matcher of the spoken drive, made when something is typed for the first time."""
    return Matcher(load_phrases())

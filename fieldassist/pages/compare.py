"""Two drives of the same vehicle, step by step: before and after the repair."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fieldassist.finding import MEASURED_KINDS, Finding
from fieldassist.pages.case import Case
from fieldassist.pages.wording import spaced, words
from fieldassist.record.projection import SessionView

FINE = (("fluid_condition", "clear"),)
"""(kind, where) of findings that are no complaint although they are not `normal`."""


@dataclass(frozen=True)
class StepChange:
    """One step in both drives."""

    step: str
    before: tuple[str, ...]
    """Findings in shop words."""
    after: tuple[str, ...]
    verdict: str
    """`gone`, `still there`, `new`, `changed`, `good both times`, `measured`, `nothing noted`, `not repeated` or
    `only after`."""


def compare(before: Case, after: Case) -> tuple[StepChange, ...]:
    """Return every step that was tried in either drive, in the order of the checklist."""
    tried = [*_tried(before.view), *_tried(after.view)]
    planned = before.planned or after.planned
    order = list(dict.fromkeys([*(step for step in planned if step in tried), *tried]))
    names = {**after.step_names, **before.step_names}
    out = []
    for step in order:
        old, new = _findings(before.view, step), _findings(after.view, step)
        out.append(
            StepChange(
                names.get(step, spaced(step)),
                tuple(words(finding) for finding in old),
                tuple(words(finding) for finding in new),
                _verdict(old, new, step in _tried(before.view), step in _tried(after.view)),
            )
        )
    return tuple(out)


def complaints(findings: Sequence[Finding]) -> frozenset[str]:
    """Return the kinds of the findings that say something is wrong."""
    return frozenset(
        f.kind
        for f in findings
        if f.present and f.kind != "normal" and f.kind not in MEASURED_KINDS and (f.kind, f.where) not in FINE
    )


def _verdict(old: Sequence[Finding], new: Sequence[Finding], was_tried: bool, is_tried: bool) -> str:
    if not is_tried:
        return "not repeated"
    if not was_tried:
        return "only after"
    bad, worse = complaints(old), complaints(new)
    if bad and not worse:
        return "gone"
    if worse and not bad:
        return "new"
    if bad and worse:
        return "still there" if bad & worse else "changed"
    if not old and not new:
        return "nothing noted"
    return "measured" if any(f.kind in MEASURED_KINDS for f in (*old, *new)) else "good both times"


def _tried(view: SessionView) -> list[str]:
    """Steps that were answered or have an entry that counts."""
    done = [step for step in view.steps_done if step not in view.steps_skipped]
    noted = [entry.step for entry in view.entries if entry.step is not None and entry.state != "struck"]
    return list(dict.fromkeys([*done, *noted]))


def _findings(view: SessionView, step: str) -> tuple[Finding, ...]:
    return tuple(entry.finding for entry in view.entries if entry.step == step and entry.state != "struck")

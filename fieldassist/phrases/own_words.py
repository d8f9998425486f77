"""What the words of an utterance speak for, against what the grammars make of it: pure functions on shares."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

from fieldassist.deduce.step import Step
from fieldassist.finding import MEASURED_KINDS, Finding
from fieldassist.phrases.automaton import Arc, Tag
from fieldassist.phrases.compose import Composed, compose, is_unread, measured_at
from fieldassist.phrases.numbers import TEENS, TENS, UNITS
from fieldassist.phrases.read_off import with_number
from fieldassist.phrases.wordings import COMMAND, TALK

Shares = Mapping[str, float]
"""Probability of each meaning, as `SenseModel.shares` gives them."""

_GOOD = ("fluid_condition clear", "pressure normal", "stall_speed normal")
_ALSO: Mapping[str, tuple[str, ...]] = {
    "slip": ("flare",), "flare": ("slip",), "no_shift": ("no_kickdown",), "no_kickdown": ("no_shift",),
    "no_drive": ("no_reverse",), "no_reverse": ("no_drive",), "late": ("delayed_engagement",),
    "delayed_engagement": ("late",), "shift_speed": ("late", "early"),
}  # fmt: skip
"""Other meanings of the words for a kind: which of them it is, the place and the number tell."""
_KEY_OF_PLACE = {"pressure": "level", "stall_speed": "level", "leak": "place"}
"""What the grammars call a place or look of a kind, where it is not `where`."""
_SENSE_KEYS = ("kind", "present", "hint", "bare", "contrast", "command", "correct", "level")
_ANOTHER_DENIED = 0.35
"""How far it is the same to say that one thing was not there and that another was not, or was as it should be."""
_OF_A_SHIFT = ("shift_speed", "engine_speed")
"""What is read off while the gears change."""
_FURTHER_DENIED = 0.15
"""The same of a finding beside another one: "can't complain" is no creep."""
_COUNTING = frozenset((*UNITS, *TEENS, *TENS, "hundred", "thousand", "half", "quarter"))
"""One of these is said where a number is."""
_LEAST_RPM = 500.0
"""A bare number from here on is hardly anything but an engine speed, wherever it is told."""
_NUMBER = 0.5
"""Probability that a number counts as meant where the words do not speak for its kind, unless they are talk or
speak for another measurement."""
_SURE_READING = 0.9
"""Probability from which on a number is read off where the step asks for none: "line pressure at stall, 90"."""
_MOST_SURE = 0.98
_STRAY = 0.2
"""Probability of a further finding below which it is none."""


def agreement(composed: Composed, shares: Shares) -> float:
    """Return the probability, by the words alone, that an utterance means what it was composed to, 0..1."""
    if composed.command is not None:
        return shares.get(f"{COMMAND} {composed.command}", 0.0)
    if not composed.findings:
        return 1.0 - shares.get(TALK, 0.0)
    first, *beside = composed.findings
    return _of_finding(first, shares, beside=beside)


def without_strays(composed: Composed, shares: Shares, words: Sequence[str]) -> Composed:
    """Leave out findings beside others that none of the words speak for, and a number that was not said: the
    grammar took a word for another."""
    if len(composed.findings) < 2 or not shares:
        return composed
    counted = bool(_COUNTING & {*words})
    kept = tuple(
        f for f in composed.findings
        if (counted if f.value is not None else _of_finding(f, shares, _FURTHER_DENIED) >= _STRAY)
    )  # fmt: skip
    if not kept or kept == composed.findings:
        return composed
    return replace(composed, findings=kept, assumed=composed.assumed if kept[0] == composed.findings[0] else ())


def _of_finding(
    finding: Finding, shares: Shares, another_denied: float = _ANOTHER_DENIED, beside: Sequence[Finding] = ()
) -> float:
    """beside: what else was made of the same utterance."""
    agreeing = (share * _agrees(meaning, finding, another_denied) for meaning, share in shares.items())
    share = min(1.0, sum(agreeing))
    numbered = finding.kind in MEASURED_KINDS and finding.value  # zero is said as "nothing" or "dead" as well
    if not numbered:
        return share
    others = measured(shares, {finding.kind, *(each.kind for each in beside)})
    return max(_NUMBER * (1.0 - shares.get(TALK, 0.0) - others), share)


def _agrees(meaning: str, finding: Finding, another_denied: float) -> float:
    """How far what words speak for is what a finding says, 0..1."""
    denied, kind, where = _parts(meaning)
    good = denied or kind == "normal" or meaning in _GOOD
    another = kind != "normal" and kind not in (finding.kind, *_ALSO.get(finding.kind, ()))
    if (denied or meaning in _GOOD) and not finding.present and another:
        return another_denied
    if is_good(finding):
        return good
    if finding.kind in MEASURED_KINDS and kind == "normal":
        return True  # "two one good at ten"
    if good:
        return False
    if kind != finding.kind:
        return kind in _ALSO.get(finding.kind, ())
    return where is None or finding.where is None or where in finding.where.split()


def measured(shares: Shares, but: Collection[str] = ()) -> float:
    """Return the probability of a measurement of any kind `but` some, 0..1."""
    kinds = {kind for kind in MEASURED_KINDS if kind not in but}
    return sum(share for meaning, share in shares.items() if _parts(meaning)[1] in kinds)


def is_good(finding: Finding) -> bool:
    """Tell whether a finding says that all is well, or that something was not there."""
    return finding.kind == "normal" or not finding.present or finding.where in ("normal", "clear")


def _parts(meaning: str) -> tuple[bool, str, str | None]:
    """Whether it is denied, the kind, and the place or look. A kind may itself begin with `no_`."""
    words = meaning.split()
    denied = words[0] == "no"
    kind, *rest = words[1:] if denied else words
    return denied, kind, rest[0] if rest else None


def log_odds(share: float) -> float:
    """Return the log odds of a probability, held within what examples can tell."""
    bounded = min(_MOST_SURE, max(1.0 - _MOST_SURE, share))
    return math.log(bounded / (1.0 - bounded))


def likeliest(shares: Shares) -> str:
    """Return the meaning with the largest share; talk where there are none."""
    return max(shares, key=lambda each: shares[each], default=TALK)


def meant(
    shares: Shares, arcs: Sequence[Arc], step: Step | None, words: Sequence[str] = ()
) -> tuple[Composed, float] | None:
    """Return what the words most likely mean and how probable that is; shift and gear are taken from the arcs that
    the grammar found in them, and a number where the words as they stand do not tell it; none where all is well
    and the step asks for no such. None for talk, for a measurement without number or level, and for one out of
    place that the words do not speak for very clearly."""
    meaning = likeliest(shares)
    if meaning == TALK:
        return None
    if meaning.startswith(f"{COMMAND} "):
        return Composed(command=meaning.removeprefix(f"{COMMAND} ")), shares[meaning]
    denied, kind, where = _parts(meaning)
    tags = [Tag("kind", kind)]
    if denied:
        tags.append(Tag("present", "false"))
    if where is not None:
        tags.append(Tag(_KEY_OF_PLACE.get(kind, "where"), where))
    if kind == "normal" and not _tells_asked(words, step):
        arcs = [arc for arc in arcs if "value" not in arc.slots]  # "all three lovely"
    at_linkage = kind == "linkage" and step is not None and kind in step.kinds
    rest = [_beside(arc, "" if at_linkage else kind) for arc in arcs]  # which linkage, the step knows best
    composed = compose([Arc(0, 0, None, 0.0, tuple(tags)), *rest], step)
    composed = _read_off(composed, [arc for arc in rest if "value" not in arc.slots], tags, step, words)
    if not composed.findings or is_unread(composed.findings[0]):
        return None
    if _is_out_of_place(composed.findings[0], arcs, step):
        if kind in MEASURED_KINDS and shares[meaning] < _SURE_READING:
            return None
        if kind not in MEASURED_KINDS:
            bare = replace(composed.findings[0], value=None, unit=None)
            composed = replace(composed, findings=(bare,), doubt=None)
    return composed, agreement(composed, shares)


def _tells_asked(words: Sequence[str], step: Step | None) -> bool:
    """Tell whether the words tell a number that the step asks for: "at thirty eight, felt good"."""
    kind = measured_at(step)
    if step is None or kind is None:
        return False
    return with_number(Finding(kind, shift=step.shift if kind in _OF_A_SHIFT else None), words, step) is not None


def _read_off(
    composed: Composed, rest: Sequence[Arc], tags: Sequence[Tag], step: Step | None, words: Sequence[str]
) -> Composed:
    """The same with the number that the words tell of a measurement, where they tell one."""
    kind = tags[0].value or ""
    if kind not in MEASURED_KINDS or len(tags) > 1:
        return composed
    bare = compose([Arc(0, 0, None, 0.0, tuple(tags)), *rest], step)
    if not bare.findings or bare.findings[0].kind != kind:
        return composed
    finding = bare.findings[0]
    if kind not in _OF_A_SHIFT:
        finding = replace(finding, shift=None)
    read = with_number(finding, words, step)
    fits = bool(composed.findings) and not is_unread(composed.findings[0])  # no word was taken for an odd unit
    in_unit = fits and any(tag.key == "unit" for arc in rest for tag in arc.tags)
    if read is None or (in_unit and composed.findings[0].unit != read.unit):  # a unit elsewhere than behind it
        return composed
    return replace(bare, findings=(read,), doubt=None)


def _beside(arc: Arc, kind: str) -> Arc:
    """An arc without the sense, and without the place or look of another kind: "tired" is one of fluid."""
    others = any(tag.key == "kind" and tag.value != kind for tag in arc.tags)
    left_out = (*_SENSE_KEYS, "where", "place") if others else _SENSE_KEYS
    return arc._replace(tags=tuple(tag for tag in arc.tags if tag.key not in left_out))


def _is_out_of_place(finding: Finding, arcs: Sequence[Arc], step: Step | None) -> bool:
    """A bare number where nothing is measured: "ninety seven" at the pan."""
    told = any(tag.key in ("unit", "shift", "into") for arc in arcs for tag in arc.tags)
    told = told or (finding.kind == "shift_speed" and step is not None and step.shift is not None)
    told = told or (finding.kind == "engine_speed" and (finding.value or 0.0) >= _LEAST_RPM)
    return finding.value is not None and step is not None and finding.kind not in step.kinds and not told

"""The card "what can I say": examples out of the grammars themselves, so that it cannot fall behind them."""

from __future__ import annotations

from dataclasses import dataclass

from fieldassist.deduce.step import Step
from fieldassist.finding import KINDS, MEASURED_KINDS
from fieldassist.phrases.jsgf import (
    NULL,
    VOID,
    Alternatives,
    Grammar,
    Node,
    Option,
    Ref,
    Repeat,
    Sequence,
    Tagged,
    Token,
)
from fieldassist.phrases.phrase_set import PhraseSet
from fieldassist.phrases.readback import KIND_SAID, say_shift


@dataclass(frozen=True)
class Line:
    """One line of the card."""

    what: str
    """What it is for."""
    examples: tuple[str, ...]


@dataclass(frozen=True)
class Section:
    """A headed part of the card."""

    title: str
    lines: tuple[Line, ...]


_CONDITIONS = (("shift", "shift"), ("light throttle", "light"), ("medium throttle", "medium"),
               ("full throttle", "full"), ("closed throttle", "closed"), ("load", "load"),
               ("temperature", "temperature"), ("how much", "severity"))  # fmt: skip
_COMMANDS = (
    "next", "again", "back", "skip_step", "strike", "hold", "resume", "note", "how_far", "finish", "yes", "no",
)  # fmt: skip
_DENIED = ("slip", "flare", "shudder", "noise", "leak", "creep")
_VALUES: dict[str, tuple[str, ...]] = {
    "shift_speed": ("one two at fourteen", "two three came in at twenty six", "shifted at twenty one"),
    "engine_speed": ("rpm twenty one hundred", "turning eighteen fifty", "two thousand four hundred rpm"),
    "stall_speed": ("stall speed twenty two hundred", "stalls at two thousand one hundred"),
    "pressure": ("line pressure sixty psi", "governor fifteen pounds", "line pressure one oh five"),
    "engagement_time": ("took two seconds to engage", "one point five seconds into reverse"),
}
"""Wordings of measured values: a grammar alone does not know which numbers are likely."""


def card(phrases: PhraseSet, step: Step | None = None, examples: int = 4) -> tuple[Section, ...]:
    """Return the card: findings (those of the step, if one is given), conditions, numbers, commands."""
    grammar = phrases.grammar
    said_here = phrases.of_step(step) if step is not None else grammar
    kinds = [kind for kind in KINDS if step is None or kind in step.kinds or kind == "normal"]
    seen = tuple(
        Line(KIND_SAID[kind], _examples(said_here, f"findings.{kind}", examples))
        for kind in kinds
        if f"findings.{kind}" in said_here.rules and kind not in MEASURED_KINDS
    )
    measured = tuple(
        Line(KIND_SAID[kind], _values(kind, step)) for kind in kinds if kind in MEASURED_KINDS
    )
    places = tuple(Line(what, _examples(grammar, f"conditions.{rule}", examples)) for what, rule in _CONDITIONS)
    commands = tuple(
        Line(_command_name(rule), _examples(grammar, f"commands.{rule}", examples)[1:]) for rule in _COMMANDS
    )
    denied = tuple(f"no {_examples(grammar, f'findings.{kind}', 1)[0]}" for kind in kinds if kind in _DENIED)
    sections = [Section("What you feel, hear or see", seen)]
    if denied:
        sections.append(Section("What you looked for and is not there", (Line("no ...", denied),)))
    if measured:
        sections.append(Section("What you read off", measured))
    if step is None:
        sections.append(Section("Under what condition, before or after it", places))
    sections.append(Section("Commands, alone or with a reason", commands))
    sections.append(
        Section("To put right what was read back", (Line("change", ("no, make that two three", "i mean third")),))
    )
    return tuple(section for section in sections if section.lines)


def _command_name(rule: str) -> str:
    return {"skip_step": "skip", "strike": "strike that", "how_far": "how far"}.get(rule, rule)


def _values(kind: str, step: Step | None) -> tuple[str, ...]:
    """Wordings of a measured value, of the step's own shift if it has one."""
    if kind == "shift_speed" and step is not None and step.shift is not None:
        said = say_shift(step.shift)
        return (f"{said} at twenty two", f"{said} came in at twenty six", "at twenty one")
    return _VALUES[kind]


def _examples(grammar: Grammar, rule: str, count: int) -> tuple[str, ...]:
    """The first wordings of a rule that differ in more than an ending, in the order of the file."""
    out: dict[str, str] = {}
    for text in _wordings(grammar, grammar.rules[rule].body, 40 * count):
        out.setdefault(" ".join(word[:4] for word in text.split()[:2]), text)
    return tuple(out.values())[:count]


def _wordings(grammar: Grammar, node: Node, count: int) -> list[str]:
    """At most `count` wordings of a part; options are left out, repeats said once."""
    if isinstance(node, Token):
        return [node.text]
    if isinstance(node, Ref):
        return [""] if node.name in (NULL, VOID) else _wordings(grammar, grammar.rules[node.name].body, count)
    if isinstance(node, Sequence):
        out = [""]
        for item in node.items:
            tails = _wordings(grammar, item, 1 if len(out) > 1 else count)
            out = [f"{head} {tail}".strip() for head in out for tail in tails][:count]
        return out
    if isinstance(node, Alternatives):
        out = []
        for option in node.options:
            out += [text for text in _wordings(grammar, option, count) if text not in out]
            if len(out) >= count:
                break
        return out[:count]
    if isinstance(node, Option):
        return [""]
    if isinstance(node, Repeat):
        return _wordings(grammar, node.item, count) if node.at_least else [""]
    assert isinstance(node, Tagged)
    return _wordings(grammar, node.item, count)

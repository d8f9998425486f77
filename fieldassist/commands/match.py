"""`fieldassist match TEXT`: what a typed sentence would be taken for on the drive."""

from __future__ import annotations

import argparse
import json

from fieldassist.deduce import load_unit, steps_for
from fieldassist.deduce.step import Step
from fieldassist.errors import UserError
from fieldassist.phrases import Match, Matcher, load_phrases

WIDTH = 80


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `fieldassist match`."""
    parser.add_argument("text", metavar="TEXT", help="what is said, in quotes")
    parser.add_argument("--step", metavar="S", help="step that is being done, such as upshift_2_3_light")
    parser.add_argument("--unit", metavar="U", default="three_speed_simpson", help="unit whose steps S is one of")
    parser.add_argument("--json", action="store_true", help="one JSON object instead of a line")


def run(args: argparse.Namespace) -> int:
    """Print what the text is taken for. Raises UserError for an unknown step or unit, or a bad grammar."""
    step = find_step(args.unit, args.step) if args.step else None
    match = Matcher(load_phrases()).match(args.text, step)
    print(json.dumps(as_json(match)) if args.json else as_line(match))
    return 0


def find_step(unit: str, wanted: str) -> Step:
    """Return a step of a unit by its id. Raises UserError naming the nearest ids when there is none."""
    steps = steps_for(load_unit(unit))
    for step in steps:
        if step.id == wanted:
            return step
    near = [s.id for s in steps if s.procedure == wanted or s.id.startswith(wanted)] or [s.id for s in steps]
    named = ", ".join(near[:6]) + (" ..." if len(near) > 6 else "")
    raise UserError(f"{unit}: no step {wanted!r}; there are {named}")


def as_json(match: Match) -> dict[str, object]:
    """The match as a JSON object; `more` holds further findings of the same sentence."""
    return {
        "decision": match.decision,
        "finding": match.finding.to_json() if match.finding is not None else None,
        "command": match.command,
        "score": round(match.score, 3),
        "margin": round(match.margin, 3),
        "more": [finding.to_json() for finding in match.more],
        "changes": dict(match.changes),
        "alternatives": [finding.to_json() for finding in match.alternatives],
        "say": match.say,
    }


def as_line(match: Match) -> str:
    """The match in one line of at most 80 columns."""
    if match.decision == "ignore":
        text = "ignored: not an observation"
    elif match.finding is None:
        changes = ", ".join(f"{key} {value}" for key, value in match.changes.items())
        text = f"correction: {changes}" if changes else f"command: {match.command}"
    else:
        text = f"{match.decision}: {match.say}"
        if match.assumed:
            text += f" ({', '.join(match.assumed)} from the step)"
    score = f"  [{match.score:.2f}]"
    room = WIDTH - len(score)
    return (text if len(text) <= room else text[: room - 3] + "...") + score

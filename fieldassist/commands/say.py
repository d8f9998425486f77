"""`fieldassist say`: the printed card of what can be said on the drive."""

from __future__ import annotations

import argparse
import textwrap

from fieldassist.commands.match import find_step
from fieldassist.phrases import load_phrases
from fieldassist.phrases.card import Section, card

WIDTH = 80
_COLUMN = 27
_KEPT = "\N{NO-BREAK SPACE}"


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `fieldassist say`."""
    parser.add_argument("--step", metavar="S", help="only what belongs to this step, such as upshift_2_3_light")
    parser.add_argument("--unit", metavar="U", default="three_speed_simpson", help="unit whose steps S is one of")


def run(args: argparse.Namespace) -> int:
    """Print the card. Raises UserError for an unknown step or unit, or a bad grammar."""
    step = find_step(args.unit, args.step) if args.step else None
    print(as_text(card(load_phrases(), step), f"What can I say at {args.step}" if step else "What can I say"))
    return 0


def as_text(sections: tuple[Section, ...], title: str) -> str:
    """The card as text of at most 80 columns."""
    lines = [title, "=" * len(title)]
    for section in sections:
        lines += ["", section.title]
        for line in section.lines:
            # A phrase is kept on one line: its spaces are told from those between phrases while wrapping.
            examples = ", ".join(f'"{text.replace(" ", _KEPT)}"' for text in line.examples)
            wrapped = textwrap.wrap(
                examples, WIDTH, initial_indent=f"  {line.what:{_COLUMN - 3}} ", subsequent_indent=" " * _COLUMN,
                break_on_hyphens=False,
            )  # fmt: skip
            lines += [text.replace(_KEPT, " ") for text in wrapped]
    closing = "Any order, your own words; hesitating and starting over is fine. Other talk is left alone."
    lines += ["", *textwrap.wrap(closing, WIDTH)]
    return "\n".join(lines)

"""Words of the public spoken orders, whose table gives only what each order contains.

Which of the sentences that an order can be was said is heard by pocketsphinx and its own model, held to exactly
these sentences.
"""

from __future__ import annotations

import itertools
import json
from collections.abc import Mapping
from pathlib import Path

from fieldassist.acoustic.corpus import read_audio
from fieldassist.errors import UserError
from fieldassist.words.sphinx_engine import SphinxEngine

OPENINGS = (
    "brew", "can i get", "can i have", "i want", "get me", "give me", "i'd like", "make me", "may i have",
)  # fmt: skip
_ATTRIBUTES = ("size", "roast", "numberOfShots")
_ADDITIONS = ("milkAmount", "sugarAmount")


def sentences(slots: Mapping[str, str]) -> list[str]:
    """All the sentences with these slots; their shape is that of `bench/spoken_orders.gram`."""
    before = [slots[name] for name in _ATTRIBUTES if name in slots]
    behind = [slots[name] for name in _ADDITIONS if name in slots]
    tails = [" with " + " and ".join(order) for order in itertools.permutations(behind)] if behind else [""]
    out = []
    for opening, article in itertools.product(OPENINGS, ("", " a", " an")):
        for order in itertools.permutations(before):
            for tail in tails:
                out.append(" ".join([opening + article, *order, slots["coffeeDrink"] + tail]))
    return out


def transcribe(folder: Path, out: Path) -> int:
    """Write the list of a speech folder for the clips beside `labels.json`; how many clips were understood.

    Raises UserError where the labels can't be read.
    """
    try:
        labels = json.loads((folder / "labels.json").read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise UserError(f"{folder}: expected labels.json of the spoken orders ({error})") from None
    engine, lines = SphinxEngine(), ["file\tspeaker\ttext"]
    for name in sorted(labels):
        engine.use_phrases(sentences(labels[name]))
        engine.start()
        engine.feed(read_audio(folder / name))
        text = engine.finish().text
        if text:
            lines.append(f"{name}\t{Path(name).stem}\t{text}")
    out.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return len(lines) - 1

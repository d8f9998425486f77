"""The slots of any JSGF grammar with tags: what a sentence means, with no knowledge of any domain."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from fieldassist.phrases.automaton import Arc, Tag, compile_grammar
from fieldassist.phrases.jsgf import Grammar
from fieldassist.phrases.search import Alignment, Costs, Searcher, heard_words

LONGEST = 60
"""Words of an utterance that are searched; an order is short, and the cost grows with the length."""
ACCEPTED_COST, ACCEPTED_MORE = 0.45, 0.3
"""Cost per heard word, and on top of that, above which the nearest sentence is no reading of what was heard."""


STRICT = Costs(prior=0.01, miss_small=1.2, skip_small=0.25, skip_plain=1.25, homophone=0.05, coarse=40, fine=0.5)
"""Prices of the search in a foreign grammar: its small words may carry the sense ("on", "off"), and it is
small enough that every word which sounds faintly like what was heard can be looked at."""


@dataclass(frozen=True)
class Reading:
    """The best reading of an utterance in a grammar."""

    slots: dict[str, str]
    sentence: str
    """The grammar's sentence."""
    cost: float
    """0 when it is exactly what was heard; about 1 for each badly mistaken sound or passed-over word."""


def parse_slots(grammar: Grammar, text: str) -> dict[str, str] | None:
    """Return the slots of the sentence nearest to the text, or None when nothing in the grammar is near.

    `text` is what an engine heard; it need not be a sentence of the grammar.
    """
    reading = best_reading(grammar, ((text, 1.0),))
    words = max(1, len(text.split()))
    return reading.slots if reading is not None and reading.cost <= ACCEPTED_COST * words + ACCEPTED_MORE else None


def best_reading(grammar: Grammar, hypotheses: Sequence[tuple[str, float]]) -> Reading | None:
    """Return the nearest sentence over several hypotheses (text, confidence 0..1), best first.

    A lower confidence than the first one's counts as a cost, so that a further hypothesis wins only when
    it fits the grammar clearly better. None when nothing was heard or nothing can be reached.
    """
    searcher = _searcher(grammar)
    best: Reading | None = None
    first = hypotheses[0][1] if hypotheses else 1.0
    for text, confidence in hypotheses:
        if not text.strip():
            continue
        handicap = 2.0 * max(0.0, first - confidence)
        limit = 1e5 if best is None else best.cost - handicap
        found = searcher.search(heard_words(" ".join(text.split()[:LONGEST])), limit=limit)
        if found is not None:
            best = Reading(slots_of(found), " ".join(found.words), found.cost + handicap)
    return best


def slots_of(match: Alignment) -> dict[str, str]:
    """Return the slots that a path gives out; a later value of the same slot replaces an earlier one."""
    return collect(match.arcs, match.end_tags)


def collect(arcs: Sequence[Arc], end_tags: Sequence[Tag] = ()) -> dict[str, str]:
    """Return key -> value over arcs: fixed values as they come, worded slots from the words in them."""
    out: dict[str, str] = {}
    for arc in arcs:
        for tag in arc.tags:
            out[tag.key] = tag.value if tag.value is not None else ""
        for key in arc.slots:
            if arc.word is not None:
                out[key] = f"{out.get(key, '')} {arc.word}".strip()
    for tag in end_tags:
        if tag.value is not None:
            out[tag.key] = tag.value
    return out


@lru_cache(maxsize=8)
def _searcher(grammar: Grammar) -> Searcher:
    return Searcher(compile_grammar(grammar), STRICT)

"""Few sentences that show an engine a whole grammar."""

from __future__ import annotations

import heapq
import math
from itertools import pairwise

from fieldassist.phrases.automaton import Arc, Automaton


def covering_sentences(automaton: Automaton, most: int) -> list[str]:
    """Return at most `most` sentences of a tagless automaton: first so many that every word occurs, then that
    every pair of neighbouring words does. Each is the likeliest sentence through what it covers."""
    ahead = _likeliest(automaton, forward=True)
    behind = _likeliest(automaton, forward=False)
    seen_words: set[str] = set()
    seen_pairs: set[tuple[str, str]] = set()
    out: dict[str, None] = {}

    def add(arcs: list[Arc]) -> None:
        words = [arc.word for arc in arcs if arc.word is not None]
        seen_words.update(words)
        seen_pairs.update(pairwise(words))
        out[" ".join(words)] = None

    arcs = sorted(automaton.arcs, key=lambda a: ahead[a.source][0] + a.weight + behind[a.target][0])
    for arc in arcs:
        if arc.word is not None and arc.word not in seen_words and len(out) < most:
            add([*_back(ahead, arc.source), arc, *_on(behind, arc.target)])
    # Pairs inside phrases, where little can follow, come before those at the seams, where anything can.
    for arc in sorted(arcs, key=lambda a: len(automaton.leaving[a.target])):
        for following in automaton.leaving[arc.target]:
            if len(out) >= most:
                return list(out)
            if (arc.word, following.word) not in seen_pairs:
                add([*_back(ahead, arc.source), arc, following, *_on(behind, following.target)])
    return list(out)


Table = list[tuple[float, Arc | None]]


def _likeliest(automaton: Automaton, forward: bool) -> Table:
    """Dijkstra from the start, or back from the ends: (weight, the arc that leads there) of each state."""
    table: Table = [(math.inf, None)] * automaton.states
    steps: list[list[Arc]] = [[] for _ in range(automaton.states)]
    for arc in automaton.arcs:
        steps[arc.source if forward else arc.target].append(arc)
    queue: list[tuple[float, int]] = []
    begin = {automaton.start: 0.0} if forward else {s: f.weight for s, f in automaton.finals.items()}
    for state, weight in begin.items():
        table[state] = (weight, None)
        heapq.heappush(queue, (weight, state))
    while queue:
        weight, state = heapq.heappop(queue)
        if weight > table[state][0]:
            continue
        for arc in steps[state]:
            other, total = (arc.target if forward else arc.source), weight + arc.weight
            if total < table[other][0] - 1e-12:
                table[other] = (total, arc)
                heapq.heappush(queue, (total, other))
    return table


def _back(ahead: Table, state: int) -> list[Arc]:
    out: list[Arc] = []
    arc = ahead[state][1]
    while arc is not None:
        out.append(arc)
        arc = ahead[arc.source][1]
    return out[::-1]


def _on(behind: Table, state: int) -> list[Arc]:
    out: list[Arc] = []
    arc = behind[state][1]
    while arc is not None:
        out.append(arc)
        arc = behind[arc.target][1]
    return out

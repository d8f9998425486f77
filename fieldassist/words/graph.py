"""The decoding graph: a grammar's automaton spelt out in phones, in the file format that libvosk reads.

The graph accepts exactly the sentences of the automaton, with silence allowed between words, and beside them
a filler that stands for any other speech. Its transitions follow the topology of our acoustic model: a
phone is entered over the arc that scores its first frame and stays in place over a loop that scores every
further frame (Povey et al., "Purely sequence-trained neural networks for ASR based on lattice-free MMI",
Interspeech 2016, describe the one-state phones; the transition probabilities are all alike and left out).
Written as OpenFst's constant automaton in its binary form, version 2 of that type.
"""

from __future__ import annotations

import hashlib
import math
import shutil
import struct
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fieldassist.errors import UserError
from fieldassist.phrases.automaton import Automaton
from fieldassist.phrases.phonemes import known_pronunciations, pronunciations
from fieldassist.words.phones import (
    PHONES,
    PLACED_PHONES,
    PLACES,
    SILENCE,
    first_transition,
    further_transition,
    placed_phone,
    placed_word,
)

UNKNOWN = "[unk]"
SILENCE_COST = math.log(2)
"""Nats for a silence at a word's edge, and as much for none."""
GRAPH_VERSION = 1
"""Counted up when the same input gives another graph, so that old caches are not used."""

_MAGIC = 0x7EB2FDD6
_EXPANDED = 1  # the only property that a constant automaton must state


@dataclass(frozen=True)
class Filler:
    """How talk outside of the grammar is taken: as a chain of any phones, heard as `[unk]`."""

    cost: float = 6.0
    """Nats to begin a stretch of it."""
    phone_cost: float = 3.0
    """Nats for each phone; the more, the less is taken for talk outside of the grammar."""
    around: bool = True
    """Also before and after a sentence of the grammar, not only instead of one."""


class _Graph:
    """Arcs under construction."""

    def __init__(self) -> None:
        self.states = 0
        self.arcs: list[tuple[int, int, int, int, float]] = []
        self.finals: dict[int, float] = {}

    def state(self) -> int:
        self.states += 1
        return self.states - 1

    def arc(self, source: int, target: int, label: int = 0, word: int = 0, cost: float = 0.0) -> None:
        self.arcs.append((source, target, label, word, cost))

    def phone(self, source: int, placed: int, word: int = 0, cost: float = 0.0) -> int:
        """Enter a phone from a state; return the state one is in while it lasts."""
        inside = self.state()
        self.arc(source, inside, first_transition(placed), word, cost)
        self.arc(inside, inside, further_transition(placed))
        return inside


def build_graph(
    automaton: Automaton,
    out: Path,
    filler: Filler | None = None,
) -> tuple[str, ...]:
    """Write `HCLG.fst`, `words.txt` and `phones/word_boundary.int` of a grammar into the folder `out`.

    automaton: a grammar free of empty arcs; its weights are taken as they are (nats). filler: None leaves no
    way out of the grammar. Returns the words whose pronunciation had to be guessed from their spelling.
    """
    numbers = {word: number for number, word in enumerate((UNKNOWN, *automaton.words), start=1)}
    graph = _Graph()
    start = graph.state()
    _spell(graph, start, automaton, numbers, filler)
    (out / "phones").mkdir(parents=True, exist_ok=True)
    (out / "HCLG.fst").write_bytes(_constant_fst(graph, start))
    lines = ["<eps> 0", *(f"{word} {number}" for word, number in numbers.items())]
    (out / "words.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (out / "phones" / "word_boundary.int").write_text(word_boundaries())
    return tuple(word for word in automaton.words if not known_pronunciations(word))


def model_for_grammar(
    model: Path, automaton: Automaton, cache: Path, filler: Filler | None = None
) -> Path:
    """Return a model folder whose graph is this grammar, made in the folder `cache` unless it is there.

    model: a folder of our own acoustic model (am/, conf/). The folder's name is a digest of all that the
    graph is made of. Raises UserError when the cache cannot be written.
    """
    digest = hashlib.sha256()
    digest.update(repr((GRAPH_VERSION, filler, sorted(automaton.finals.items()))).encode())
    for array in automaton.arrays():
        digest.update(array.tobytes())
    for word in automaton.words:
        digest.update(repr((word, pronunciations(word))).encode())
    network = model / "am" / "final.mdl"
    status = network.stat()
    digest.update(repr((str(network.resolve()), status.st_size, status.st_mtime_ns)).encode())
    folder = cache / digest.hexdigest()[:24]
    if (folder / "graph" / "HCLG.fst").is_file():
        return folder
    try:
        cache.mkdir(parents=True, exist_ok=True)
        scratch = Path(tempfile.mkdtemp(dir=cache))
        for part in ("am", "conf"):
            _link(model / part, scratch / part)
        build_graph(automaton, scratch / "graph", filler)
        try:
            scratch.rename(folder)
        except OSError:  # another process was faster
            shutil.rmtree(scratch, ignore_errors=True)
    except OSError as error:
        raise UserError(f"{cache}: the grammar's graph cannot be written ({error.strerror})") from None
    return folder


def word_boundaries() -> str:
    """The text of `word_boundary.int`: the place in the word of every numbered phone."""
    lines = ["1 nonword"]
    lines += [f"{placed_phone(phone, place)} {place}" for phone in PHONES for place in PLACES]
    assert len(lines) == PLACED_PHONES
    return "\n".join(lines) + "\n"


def _spell(
    graph: _Graph,
    start: int,
    automaton: Automaton,
    numbers: Mapping[str, int],
    filler: Filler | None,
) -> None:
    """Lay the automaton's words out as phones from the state `start`."""
    end = graph.state()
    graph.finals[end] = 0.0
    edges = {}
    for state in range(automaton.states):
        edges[state] = _word_edge(graph)
    graph.arc(start, edges[automaton.start][0])
    for arc in automaton.arcs:
        if arc.word is None:
            graph.arc(edges[arc.source][1], edges[arc.target][1], cost=arc.weight)
            continue
        for phones in pronunciations(arc.word):
            here = edges[arc.source][1]
            word, cost = numbers[arc.word], arc.weight
            for placed in placed_word(phones):
                here = graph.phone(here, placed, word, cost)
                word, cost = 0, 0.0
            graph.arc(here, edges[arc.target][0])
    for state, final in automaton.finals.items():
        graph.arc(edges[state][1], end, cost=final.weight)
    if filler is not None:
        last = graph.state()
        graph.finals[last] = 0.0
        before = _filler_chain(graph, start, filler)
        graph.arc(before, last)
        if filler.around:
            graph.arc(before, edges[automaton.start][0])
            graph.arc(_filler_chain(graph, end, filler), last)


def _word_edge(graph: _Graph) -> tuple[int, int]:
    """A place between words, with silence or without: the state that one comes to, and the one that one leaves."""
    before, after = graph.state(), graph.state()
    graph.arc(before, after, cost=SILENCE_COST)
    silence = graph.phone(before, placed_phone(SILENCE, "singleton"), cost=SILENCE_COST)
    graph.arc(silence, after)
    return before, after


def _filler_chain(graph: _Graph, source: int, filler: Filler) -> int:
    """A chain of any phones, in words of any length, entered from `source`; return where it can be left."""
    before, after = _word_edge(graph)
    graph.arc(source, before, cost=filler.cost)
    hub = graph.state()
    for phone in PHONES:
        begin = graph.phone(after, placed_phone(phone, "begin"), 1, filler.phone_cost)
        graph.arc(begin, hub)
        alone = graph.phone(after, placed_phone(phone, "singleton"), 1, filler.phone_cost)
        middle = graph.phone(hub, placed_phone(phone, "internal"), 0, filler.phone_cost)
        graph.arc(middle, hub)
        last = graph.phone(hub, placed_phone(phone, "end"), 0, filler.phone_cost)
        for here in (alone, last):
            graph.arc(here, before)
    return after


def _constant_fst(graph: _Graph, start: int) -> bytes:
    """OpenFst's constant automaton over the tropical semiring, states in the order of their numbers."""
    table = np.array(
        graph.arcs,
        dtype=[("source", "<i4"), ("target", "<i4"), ("in", "<i4"), ("out", "<i4"), ("cost", "<f4")],
    )
    table = table[np.argsort(table["source"], kind="stable")]
    counts = np.bincount(table["source"], minlength=graph.states)
    states = np.zeros(
        graph.states, dtype=[("final", "<f4"), ("first", "<u4"), ("arcs", "<u4"), ("in0", "<u4"), ("out0", "<u4")]
    )
    states["final"] = np.inf
    for state, cost in graph.finals.items():
        states["final"][state] = cost
    states["arcs"] = counts
    states["first"] = np.cumsum(counts) - counts
    states["in0"] = np.bincount(table["source"][table["in"] == 0], minlength=graph.states)
    states["out0"] = np.bincount(table["source"][table["out"] == 0], minlength=graph.states)
    arcs = np.empty(len(table), dtype=[("in", "<i4"), ("out", "<i4"), ("cost", "<f4"), ("target", "<i4")])
    for name in ("in", "out", "cost", "target"):
        arcs[name] = table[name]
    head = struct.pack("<i", _MAGIC) + _text("const") + _text("standard")
    head += struct.pack("<iiQqqq", 2, 0, _EXPANDED, start, graph.states, len(arcs))
    return head + states.tobytes() + arcs.tobytes()


def _text(word: str) -> bytes:
    return struct.pack("<i", len(word)) + word.encode()


def _link(source: Path, target: Path) -> None:
    """Link to a folder where links are allowed, else copy it."""
    try:
        target.symlink_to(source.resolve(), target_is_directory=True)
    except (OSError, NotImplementedError):
        shutil.copytree(source, target)

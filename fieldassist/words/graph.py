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
import os
import shutil
import struct
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from fieldassist.errors import UserError
from fieldassist.phrases.automaton import Automaton, Promised
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
GRAPH_VERSION = 4
"""Counted up when the same input gives another graph, so that old caches are not used."""

_SEARCH = {
    "phone-determinize": "false", "beam": "15.0", "max-active": "2500", "lattice-beam": "7.0",
    "max-mem": "2000000", "frames-per-chunk": "60", "prune-interval": "5",
}  # fmt: skip
"""Settings of the decoder. Through the filler lead as many ways as there are chains of phones; told apart by them
the lattice would take seconds to reduce, so only words count, and it has a bound. With other talk at
8.5 nats the way through the filler was lost in 22 % of read speech within the usual beam of 13, in 7 % within 16.
The network takes a quarter less time over 60 frames at once than over 20, and nobody waits for words before an
utterance is over. What was searched is pruned every 5 frames instead of 25: 7 MB less, a twentieth more time."""

_COMMON_WORDS = Path(__file__).resolve().parent / "other_talk.txt"

_MOST_KEPT = 12
"""Graphs in the cache; each takes some 3 to 20 MB, and a car's grammar has one."""
_UNDER_WAY = ".part"
"""Ending of a folder that some process still makes."""
_LONGEST_MADE = 3600.0
"""Seconds after which nobody makes it any more."""

NUMBER_WORDS = (
    "oh", "zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven",
    "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen", "twenty",
    "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety", "hundred", "thousand", "point",
)  # fmt: skip
COUNTED_THINGS = (
    "act", "aged", "article", "avenue", "book", "bus", "channel", "chapter", "day", "exit", "flight", "gate",
    "grade", "highway", "interstate", "lane", "lesson", "line", "mile", "number", "page", "part", "platform",
    "psalm", "room", "route", "scene", "section", "street", "verse", "volume",
)  # fmt: skip
"""What a number mostly follows in other talk: read books, the news, a navigation voice."""
_COUNTED, _COUNTING = 0.5, 0.3
"""How likely a word of a number comes after such a word, and after a word of a number."""

_MAGIC = 0x7EB2FDD6
_EXPANDED = 1  # the only property that a constant automaton must state


@dataclass(frozen=True)
class Filler:
    """How talk outside of the grammar is taken: as common words in any order, and as chains of phones where it is
    none of these; all of it is heard as `[unk]`.

    The words compete with the grammar by what they weigh in English, so that a sentence has to sound more like the
    grammar than like other words, and not only good enough.
    """

    cost: float = 6.5
    """Nats for other talk instead of a sentence of the grammar; the less, the more is taken for it. Of 1,378
    hearings of observations two more were right than at 5.5, with as many false entries in 105 min of read
    speech."""
    word_cost: float = -0.5
    """Nats for each word beyond what its frequency alone says: the words of a sentence foretell each other. Over
    an hour of read speech 0 let twice as many of the sentences through that are half like observations; at -1 and
    -2 some 2 and 7 % of 244 observations were lost."""
    number_cost: float = 3.4
    """Nats for a word of a number after a word that a number is likely to follow."""
    strange_cost: float = 8.0
    """Nats for a word that is none of the common ones."""
    phone_cost: float = 2.0
    """Nats for each phone of such a word."""


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


def promised(automaton: Automaton) -> Promised:
    """Return an automaton that is there already as a promise, named by a digest of it and of its words' sounds."""
    digest = hashlib.sha256()
    digest.update(repr(sorted(automaton.finals.items())).encode())
    for array in automaton.arrays():
        digest.update(array.tobytes())
    for word in automaton.words:
        digest.update(repr((word, pronunciations(word))).encode())
    return Promised(digest.hexdigest(), lambda: automaton)


def model_for_grammar(model: Path, grammar: Promised, cache: Path, filler: Filler | None = None) -> Path:
    """Return a model folder whose graph is this grammar, made in the folder `cache` unless it is there.

    model: a folder of our own acoustic model (am/, conf/). The folder's name is a digest of all that the
    graph is made of. Raises UserError when the cache cannot be written, and as the grammar's making does.
    """
    network = model / "am" / "final.mdl"
    status = network.stat()
    network_is = (str(network.resolve()), status.st_size, status.st_mtime_ns)
    name = hashlib.sha256(repr((GRAPH_VERSION, _SEARCH, filler, grammar.name, network_is)).encode()).hexdigest()

    def make(scratch: Path) -> None:
        _link(model / "am", scratch / "am")
        shutil.copytree(model / "conf", scratch / "conf")
        settings = scratch / "conf" / "model.conf"
        settings.write_text(search_settings(settings.read_text(encoding="utf-8")), encoding="utf-8")
        build_graph(grammar.make(), scratch / "graph", filler)

    try:
        return kept_folder(cache, name[:24], make)
    except OSError as error:
        raise UserError(f"{cache}: the grammar's graph cannot be written ({error.strerror})") from None


def kept_folder(cache: Path, name: str, make: Callable[[Path], None]) -> Path:
    """Return the model folder kept in `cache` under a name, made there by `make` unless it is there.

    Half a folder is never left behind. Raises OSError when the cache cannot be written.
    """
    folder = cache / name
    if (folder / "graph" / "HCLG.fst").is_file():
        with suppress(OSError):  # a cache that cannot be written is read all the same
            os.utime(folder)
        return folder
    cache.mkdir(parents=True, exist_ok=True)
    scratch = Path(tempfile.mkdtemp(_UNDER_WAY, dir=cache))
    try:
        make(scratch)
        scratch.rename(folder)
    except OSError:
        if not folder.is_dir():  # else another process was faster
            raise
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
    _forget_oldest(cache)
    return folder


def _forget_oldest(cache: Path) -> None:
    """Remove the graphs that have not been used for longest, beyond _MOST_KEPT."""
    folders = [path for path in cache.iterdir() if path.is_dir()]
    left = time.time() - _LONGEST_MADE
    for path in folders:
        with suppress(FileNotFoundError):  # made meanwhile
            if path.suffix == _UNDER_WAY and path.stat().st_mtime < left:
                shutil.rmtree(path, ignore_errors=True)
    made = (path for path in folders if path.suffix != _UNDER_WAY)
    kept = sorted(made, key=lambda path: -path.stat().st_mtime)
    for old in kept[_MOST_KEPT:]:
        shutil.rmtree(old, ignore_errors=True)


def search_settings(text: str, search: Mapping[str, str] = _SEARCH) -> str:
    """Return the text of a `model.conf` with the decoder's settings for a graph, other lines as they are."""
    kept = [line for line in text.splitlines() if line.partition("=")[0].lstrip("- ").strip() not in search]
    return "\n".join([*kept, *(f"--{name}={value}" for name, value in search.items())]) + "\n"


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
    edges = [_word_edge(graph) for _ in range(automaton.states)]
    graph.arc(start, edges[automaton.start][0])
    tails: dict[tuple[int, tuple[int, ...]], int] = {}
    for state, leaving in enumerate(automaton.leaving):
        ways = []
        for arc in leaving:
            if arc.word is None:
                graph.arc(edges[state][1], edges[arc.target][1], cost=arc.weight)
                continue
            for phones in pronunciations(arc.word):
                ways.append(_Way(placed_word(phones), numbers[arc.word], arc.weight, edges[arc.target][0]))
        _branch(graph, edges[state][1], ways, 0, 0.0, tails)
    for state, final in automaton.finals.items():
        graph.arc(edges[state][1], end, cost=final.weight)
    if filler is not None:
        graph.arc(_other_talk(graph, start, filler), end)


@dataclass(frozen=True)
class _Way:
    """One way to say one word that can be next."""

    phones: tuple[int, ...]
    word: int
    cost: float
    target: int


def _branch(
    graph: _Graph, here: int, ways: Sequence[_Way], depth: int, paid: float,
    tails: dict[tuple[int, tuple[int, ...]], int],
) -> None:  # fmt: skip
    """Lay out words that begin alike as one tree, so that the decoder follows their common sounds once.

    The cost of a word is paid as early as it is sure: where words part, each branch pays what its cheapest word
    costs more. Once only one word is left its label is given out, and words that go on alike to the same place
    share their ends (`tails`).
    """
    groups: dict[int, list[_Way]] = {}
    for way in ways:
        groups.setdefault(way.phones[depth], []).append(way)
    for placed, group in groups.items():
        cheapest = min(way.cost for way in group)
        if len({(way.word, way.phones, way.target) for way in group}) == 1:
            way = group[0]
            _enter_tail(graph, here, way.phones[depth:], way.target, way.word, cheapest - paid, tails)
            continue
        inside = graph.phone(here, placed, 0, cheapest - paid)
        for way in group:
            if len(way.phones) == depth + 1:  # words that sound alike
                graph.arc(inside, way.target, 0, way.word, way.cost - cheapest)
        _branch(graph, inside, [w for w in group if len(w.phones) > depth + 1], depth + 1, cheapest, tails)


def _enter_tail(
    graph: _Graph, here: int, phones: tuple[int, ...], target: int, word: int, cost: float,
    tails: dict[tuple[int, tuple[int, ...]], int],
) -> None:  # fmt: skip
    """Go from `here` over the phones to `target`, through states that other words have made already."""
    if not phones:
        graph.arc(here, target, 0, word, cost)
        return
    known = tails.get((target, phones))
    if known is not None:
        graph.arc(here, known, first_transition(phones[0]), word, cost)
        return
    inside = graph.phone(here, phones[0], word, cost)
    tails[target, phones] = inside
    _enter_tail(graph, inside, phones[1:], target, 0, 0.0, tails)


def _word_edge(graph: _Graph) -> tuple[int, int]:
    """A place between words, with silence or without: the state that one comes to, and the one that one leaves."""
    before, after = graph.state(), graph.state()
    graph.arc(before, after, cost=SILENCE_COST)
    silence = graph.phone(before, placed_phone(SILENCE, "singleton"), cost=SILENCE_COST)
    graph.arc(silence, after)
    return before, after


def _other_talk(graph: _Graph, source: int, filler: Filler) -> int:
    """Lay out the filler from `source`; return where it ends."""
    before, after = _word_edge(graph)
    graph.arc(source, before, cost=filler.cost)
    tails: dict[tuple[int, tuple[int, ...]], int] = {}
    counted, counting = _word_edge(graph), _word_edge(graph)
    for (_, here), more in ((counted, _COUNTED), (counting, _COUNTING)):
        graph.arc(here, after, cost=-math.log(1.0 - more))
        _branch(graph, here, [
            _Way(placed_word(phones), 1, filler.number_cost - math.log(more), counting[0])
            for word in NUMBER_WORDS for phones in pronunciations(word)
        ], 0, 0.0, tails)  # fmt: skip
    goes_to = dict.fromkeys(NUMBER_WORDS, counting[0]) | dict.fromkeys(COUNTED_THINGS, counted[0])
    ways = [
        _Way(placed_word(phones), 1, cost + filler.word_cost, goes_to.get(word, before))
        for word, cost in common_words()
        for phones in pronunciations(word)
    ]
    _branch(graph, after, ways, 0, 0.0, tails)
    hub = graph.state()
    for phone in PHONES:
        begin = graph.phone(after, placed_phone(phone, "begin"), 1, filler.strange_cost + filler.phone_cost)
        graph.arc(begin, hub)
        middle = graph.phone(hub, placed_phone(phone, "internal"), 0, filler.phone_cost)
        graph.arc(middle, hub)
        last = graph.phone(hub, placed_phone(phone, "end"), 0, filler.phone_cost)
        graph.arc(last, before)
    return after


@lru_cache(maxsize=1)
def common_words() -> tuple[tuple[str, float], ...]:
    """Return the common words of English with their cost: the negative natural log of their share of all words.

    Shares fall with the rank r as 1 / (r + 2.7) (Zipf's law with Mandelbrot's constant for English).
    """
    lines = _COMMON_WORDS.read_text(encoding="utf-8").splitlines()
    words = [line for line in lines if line and not line.startswith("#")]
    shares = [1.0 / (rank + 2.7) for rank in range(1, len(words) + 1)]
    whole = sum(shares)
    return tuple((word, math.log(whole / share)) for word, share in zip(words, shares, strict=True))


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

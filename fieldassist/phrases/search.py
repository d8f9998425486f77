"""Find the sentence of a grammar that sounds most like what was heard.

One dynamic programme over the grammar's automaton and the heard phones: the state of the search is (heard
phones used up, automaton state), so its cost grows with the size of the automaton and never with the number
of sentences. Sounds may be taken for others, left out or put in (`soundalike`), whole heard words may be
passed over, and small words of the grammar may be missing, each at its cost.
"""

from __future__ import annotations

import tomllib
from bisect import bisect_right
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from rapidfuzz import fuzz, process

from fieldassist.phrases.automaton import Arc, Automaton, Tag
from fieldassist.phrases.phonemes import PHONE_INDEX, pronunciations
from fieldassist.phrases.soundalike import cost_tables

Floats = npt.NDArray[np.float32]
Ints = npt.NDArray[np.integer]
Bools = npt.NDArray[np.bool_]

INFINITE = np.float32(1e6)
UNKNOWN = "[unk]"
"""What engines write for a stretch that fits no phrase."""

_FILLERS = Path(__file__).resolve().parent / "fillers.toml"
_FILLER_WORDS = tomllib.loads(_FILLERS.read_text(encoding="utf-8"))
HESITATIONS: frozenset[str] = frozenset(_FILLER_WORDS["hesitations"])
SMALL_WORDS: frozenset[str] = frozenset(_FILLER_WORDS["small_words"])
PLAIN_WORDS: frozenset[str] = frozenset((*_FILLER_WORDS["plain_words"], *_FILLER_WORDS["trade_words"]))
PLAIN_STRENGTH = 2.0
"""How much more it costs to take a plain word that the grammar lacks for another one that sounds like it."""
DROPPABLE_WORDS: frozenset[str] = frozenset(_FILLER_WORDS["droppable_words"])
"""Words that carry no observation by themselves: cheap to pass over, cheap to miss (`fillers.toml`)."""


@dataclass(frozen=True)
class HeardWord:
    """A word as the engine heard it."""

    text: str
    confidence: float = 1.0


@dataclass(frozen=True)
class Costs:
    """Prices of the search, in units of one badly mistaken sound."""

    mismatch: float = 0.4
    """A grammar word that is not the word that was heard, however alike they sound."""
    homophone: float = 0.12
    """A grammar word that sounds exactly like the word that was heard, and is spelt otherwise: to, two."""
    skip_hesitation: float = 0.02
    skip_small: float = 0.06
    skip_plain: float = 0.5
    """A word of any talk or of the trade: not taken for another that sounds a little like it."""
    skip_word: float = 1.25
    skip_unknown: float = 0.8
    miss_small: float = 0.35
    """A small word of the grammar that was not heard."""
    prior: float = 0.03
    """Share of the grammar's own weights (natural log) in the cost."""
    coarse: int = 60
    """Likeness in percent, over broad classes of sounds, below which a word of the grammar is not looked at."""
    fine: float = 0.24
    """Cost per phone of a word's best alignment above which it is not looked at."""


class Kind(NamedTuple):
    """An arc without its place and weight."""

    word: str | None
    tags: tuple[Tag, ...]
    slots: tuple[str, ...]


Mark = Tag | str
"""What arcs are told apart by: a tag that they give, a word of a number that they hold."""


@dataclass(frozen=True)
class Alignment:
    """One alignment of heard words with a sentence of the grammar."""

    cost: float
    arcs: tuple[Arc, ...]
    spans: tuple[tuple[int, int], ...]
    """Heard words (from, to) that each arc was aligned with; equal for a word that was missing."""
    skipped: tuple[int, ...]
    """Heard words that were passed over."""
    end_tags: tuple[Tag, ...] = ()
    prior: float = 0.0
    """Share of the cost that comes from the grammar's own weights."""

    @property
    def misfit(self) -> float:
        """Cost of what was heard against the sentence, without the grammar's own weights."""
        return max(0.0, self.cost - self.prior)

    @property
    def words(self) -> tuple[str, ...]:
        """The sentence of the grammar."""
        return tuple(arc.word for arc in self.arcs if arc.word is not None)

    @property
    def tags(self) -> tuple[Tag, ...]:
        """Tags in the order in which they were given out."""
        return tuple(tag for arc in self.arcs for tag in arc.tags) + self.end_tags


def heard_words(text: str, confidences: Sequence[float] = ()) -> tuple[HeardWord, ...]:
    """Cut a text into heard words; confidences go with the words in order, 1 where there are none."""
    words = text.lower().split()
    full = [*confidences, *([1.0] * len(words))]
    return tuple(HeardWord(word, conf) for word, conf in zip(words, full, strict=False))


class Searcher:
    """A grammar's automaton prepared for searching. Reusable, and safe to share between threads.

    Arcs that leave the same state over the same word share one `track`, the row of the programme in which the
    word's phones are aligned.
    """

    def __init__(self, automaton: Automaton, costs: Costs = Costs()) -> None:
        self.automaton = automaton
        self.costs = costs
        self.words = automaton.words
        index = {word: i for i, word in enumerate(self.words)}
        said = [pronunciations(word) for word in self.words]
        self._way_phones = [tuple(PHONE_INDEX[p] for p in phones) for ways in said for phones in ways]
        self._way_word = np.array([w for w, ways in enumerate(said) for _ in ways], np.int64)
        first_way = np.concatenate([[0], np.cumsum([len(ways) for ways in said])])
        self._spelled = ["".join(_BROAD[p] for p in phones) for phones in self._way_phones]
        widest = max((len(phones) for phones in self._way_phones), default=1)
        self._way_table = np.zeros((len(self._way_phones), widest), np.int64)
        self._way_length = np.array([len(phones) for phones in self._way_phones], np.int64)
        for way, phones in enumerate(self._way_phones):
            self._way_table[way, : len(phones)] = phones
        self._small = np.array([word.lower() in DROPPABLE_WORDS for word in self.words], np.bool_)
        self._ways_by_phones: dict[tuple[int, ...], list[int]] = {}
        for way, phones in enumerate(self._way_phones):
            self._ways_by_phones.setdefault(phones, []).append(way)
        ways_of = {word: range(first_way[w], first_way[w + 1]) for word, w in index.items()}
        self._ways_heard: dict[str, list[int]] = {}  # what is heard is in lower case, a grammar need not be
        for word, ways in ways_of.items():
            self._ways_heard.setdefault(word.lower(), []).extend(ways)

        source, target, said_word, weight = automaton.arrays()
        spoken = np.nonzero(said_word >= 0)[0]
        count = np.diff(first_way)[said_word[spoken]]
        self.step_arc = np.repeat(spoken.astype(np.int32), count)
        within = np.arange(len(self.step_arc)) - np.repeat(np.cumsum(count) - count, count)
        way_of_step = first_way[said_word[self.step_arc]] + within
        several = max(1, len(self._way_phones))
        track_of_step = source[self.step_arc] * np.int64(several) + way_of_step
        tracks, step_track = np.unique(track_of_step, return_inverse=True)
        self.step_track = step_track.astype(np.int32)
        self.track_source, self.track_way = (part.astype(np.int32) for part in np.divmod(tracks, several))
        self.arc_target = target
        self.arc_weight = weight * np.float32(costs.prior)

    @cached_property
    def kinds(self) -> tuple[tuple[Kind, ...], Ints]:
        """The kinds of arcs, far fewer than there are arcs, and of each arc the number of its kind."""
        arcs = self.automaton.arcs
        alike: dict[Kind, int] = {}
        numbers = (alike.setdefault(Kind(a.word, a.tags, a.slots), len(alike)) for a in arcs)
        of_arc = np.fromiter(numbers, np.int32, len(arcs))
        return tuple(alike), of_arc

    @cached_property
    def marked(self) -> dict[Mark, list[int]]:
        """The numbers of the kinds of arcs that give a tag, or that hold a word of a number."""
        out: dict[Mark, list[int]] = {}
        for number, kind in enumerate(self.kinds[0]):
            marks: list[Mark] = [*kind.tags]
            if kind.word is not None and "value" in kind.slots:
                marks.append(kind.word)
            for mark in marks:
                out.setdefault(mark, []).append(number)
        return out

    @cached_property
    def vocabulary(self) -> frozenset[str]:
        """Words of the grammar."""
        return frozenset(self.words)

    def skip_cost(self, word: HeardWord) -> float:
        """Return the cost of passing over a heard word."""
        if word.text == UNKNOWN:
            return self.costs.skip_unknown
        if word.text in HESITATIONS:
            return self.costs.skip_hesitation
        if word.text in SMALL_WORDS:
            base = self.costs.skip_small
        else:
            base = self.costs.skip_plain if word.text in PLAIN_WORDS else self.costs.skip_word
        return base * (0.2 + 0.8 * word.confidence)

    def search(self, heard: Sequence[HeardWord], limit: float = 1e5) -> Alignment | None:
        """Return the sentence nearest to what was heard, or None when none costs less than `limit`."""
        return Lattice(self, heard).best(limit=limit)


class Lattice:
    """The part of a grammar that can play a role for one utterance; asked several times with other bans."""

    def __init__(self, searcher: Searcher, heard: Sequence[HeardWord], extra: Floats | None = None) -> None:
        """extra: a cost per arc of the automaton on top of the grammar's own, for what is not expected now."""
        self.searcher = searcher
        self.heard = tuple(heard)
        self._spell()
        likely = self._likely_ways()
        small = searcher._small[searcher._way_word]
        steps = np.nonzero((likely | small)[searcher.track_way[searcher.step_track]])[0]
        arcs = searcher.step_arc[steps]
        tracks = searcher.step_track[steps]
        useful = self._useful(searcher.track_source[tracks], searcher.arc_target[arcs])
        steps, arcs, tracks = steps[useful], arcs[useful], tracks[useful]
        order = np.argsort(searcher.arc_target[arcs], kind="stable")
        self.arcs = arcs[order]
        used_tracks, self.track = np.unique(tracks[order], return_inverse=True)
        every = np.concatenate(
            [[searcher.automaton.start], searcher.track_source[used_tracks], searcher.arc_target[self.arcs]]
        )
        used, numbers = np.unique(every, return_inverse=True)
        self.start = int(numbers[0])
        self.states = len(used)
        self.source = numbers[1 : 1 + len(used_tracks)]
        """State from which each track leaves."""
        self.target = numbers[1 + len(used_tracks) :]
        """State to which each step leads; steps are in the order of their targets."""
        at = {int(state): i for i, state in enumerate(used)}
        self.finals = {at[s]: f for s, f in searcher.automaton.finals.items() if s in at}
        self.weight = searcher.arc_weight[self.arcs]
        if extra is not None:
            self.weight = self.weight + extra[self.arcs]
        self.way = searcher.track_way[used_tracks]
        self.can_sound = likely[self.way]
        self.can_miss = small[self.way]
        self.length = searcher._way_length[self.way]
        widest = int(self.length.max(initial=1))
        table, omit = cost_tables()
        # Phones go down and tracks across: a step from phone to phone then is one over all tracks.
        phones = np.ascontiguousarray(searcher._way_table[self.way][:, :widest].T)
        inside = np.arange(widest)[:, None] < self.length[None, :]
        self.omit = np.where(inside, omit[phones], np.float32(0))
        self.omitted = np.concatenate(
            [np.zeros((1, len(self.way)), np.float32), np.cumsum(self.omit, axis=0, dtype=np.float32)]
        )
        self.beyond = np.arange(widest + 1)[:, None] > self.length[None, :]
        # By way and not by track: a word leaves many states, and a table for each phone is large.
        first, self.alike = np.unique(self.way, return_index=True, return_inverse=True)[1:]
        self.take: dict[int, Floats] = {}
        for phone in set(self.sounds):
            own = phones[:, first]
            cost = np.full(own.shape, np.float32(0.7)) if phone < 0 else table[phone][own]
            self.take[phone] = np.where(inside[:, first], cost, INFINITE)

    def _spell(self) -> None:
        """Lay the heard words out as phones, with the word boundaries."""
        sounds: list[int] = []
        strength: list[float] = []
        self.begin: list[int] = []
        for word in self.heard:
            self.begin.append(len(sounds))
            phones = [-1] if word.text == UNKNOWN else [PHONE_INDEX[p] for p in pronunciations(word.text)[0]]
            sounds += phones
            sure = 0.5 + 0.5 * word.confidence
            if word.text in PLAIN_WORDS and word.text not in self.searcher.vocabulary:
                sure *= PLAIN_STRENGTH
            strength += [sure] * len(phones)
        self.begin.append(len(sounds))
        self.sounds = sounds
        self.strength = strength
        _, omit = cost_tables()
        self.insert = [float(omit[p]) * s if p >= 0 else 0.5 for p, s in zip(sounds, strength, strict=True)]

    def _likely_ways(self) -> Bools:
        """Words of the grammar (by way of saying) that sound like some stretch of what was heard.

        A coarse sieve over broad classes of sounds first, then the cheapest alignment with any stretch.
        """
        searcher = self.searcher
        keep = np.zeros(len(searcher._spelled), np.bool_)
        if not self.sounds or not len(keep):
            return keep
        heard = "".join(_BROAD[p] if p >= 0 else "?" for p in self.sounds)
        coarse = process.cdist([heard], searcher._spelled, scorer=fuzz.partial_ratio, dtype=np.uint8)[0]
        rows = np.nonzero(coarse >= searcher.costs.coarse)[0]
        length = searcher._way_length[rows]
        table, omit = cost_tables()
        phones = searcher._way_table[rows]
        heard_phones = np.array(self.sounds, np.int64)
        insert = np.concatenate([[0.0], np.cumsum(self.insert)]).astype(np.float32)[:, None]
        row = np.zeros((len(self.sounds) + 1, len(rows)), np.float32)
        cost = np.zeros(len(rows), np.float32)
        by_heard = np.ascontiguousarray(table.T[heard_phones])
        for place in range(int(length.max(initial=0))):
            phone = phones[:, place]
            take = np.where(heard_phones[:, None] < 0, np.float32(0.7), by_heard[:, phone])
            fresh = row + omit[phone]
            np.minimum(fresh[1:], row[:-1] + take, out=fresh[1:])
            _pass_over(fresh, insert)
            row = fresh
            ending = length == place + 1
            cost[ending] = row[:, ending].min(axis=0)
        keep[rows] = cost <= searcher.costs.fine * length
        return keep

    def _useful(self, source: Ints, target: Ints) -> Bools:
        """Steps on a way from the start to an end."""
        automaton = self.searcher.automaton
        forward = np.zeros(automaton.states, np.bool_)
        forward[automaton.start] = True
        _spread(forward, source, target)
        backward = np.zeros(automaton.states, np.bool_)
        backward[list(automaton.finals)] = True
        _spread(backward, target, source)
        return np.asarray(forward[source] & backward[target])

    def best(
        self, banned: Collection[Mark] = (), limit: float = 1e5, without: Sequence[Arc] = ()
    ) -> Alignment | None:
        """Return the cheapest alignment `without` some arcs and all that have one of the `banned` marks.

        None when it costs `limit` or more.
        """
        searcher, costs = self.searcher, self.searcher.costs
        weight = self.weight
        if banned or without:
            weight = np.where(self._shut(banned, without), INFINITE, weight)
        count, (width, tracks) = len(self.sounds), self.omitted.shape
        miss = np.nonzero(self.can_miss[self.track])[0]
        miss_source, miss_target = self.source[self.track[miss]], self.target[miss]
        miss_cost = weight[miss] + np.float32(costs.miss_small)
        last = (self.length, np.arange(tracks))
        opening_cost = np.where(self.beyond, INFINITE, self.omitted + np.float32(costs.mismatch))
        opening_cost[last] = INFINITE  # a word of which nothing was heard is no match
        opening_cost[:, ~self.can_sound] = INFINITE
        jumps = self._jumps
        skip = [searcher.skip_cost(word) for word in self.heard]
        word_ending_at = {end: i for i, end in enumerate(self.begin[1:])}
        firsts = np.nonzero(np.diff(self.target, prepend=-1))[0]
        goals = self.target[firsts]

        reached = np.full((count + 1, self.states), INFINITE, np.float32)
        ended = np.full((count + 1, tracks), INFINITE, np.float32)
        inside = np.full((width, tracks), INFINITE, np.float32)
        for j in range(count + 1):
            now = reached[j]
            if j == 0:
                now[self.start] = 0
            else:
                fresh = inside + np.float32(self.insert[j - 1])
                fresh[0] = INFINITE
                taken = (self.take[self.sounds[j - 1]] * np.float32(self.strength[j - 1]))[:, self.alike]
                taken += inside[:-1]
                np.minimum(fresh[1:], taken, out=fresh[1:])
                _pass_over(fresh, self.omitted)
                inside = fresh
                ended[j] = inside[last]
                for begin, same, cost in jumps.get(j, ()):
                    jumped = reached[begin][self.source[same]] + np.float32(cost)
                    ended[j][same] = np.minimum(ended[j][same], jumped)
                if len(goals):
                    now[goals] = np.minimum.reduceat(ended[j][self.track] + weight, firsts)
                word = word_ending_at.get(j)
                if word is not None:
                    np.minimum(now, reached[self.begin[word]] + np.float32(skip[word]), out=now)
            for _ in range(2):
                np.minimum.at(now, miss_target, now[miss_source] + miss_cost)
            np.minimum(inside, now[self.source] + opening_cost, out=inside)
        ends = [(float(reached[count][s]) + f.weight * costs.prior, s) for s, f in self.finals.items()]
        if not ends or min(ends)[0] >= min(limit, float(INFINITE) / 2):
            return None
        cost, state = min(ends)
        trace = _Trace(self, reached, ended, weight, miss, miss_cost, jumps, skip, word_ending_at)
        return trace.match(cost, state)

    def _shut(self, banned: Collection[Mark], without: Sequence[Arc]) -> Bools:
        """Which steps are of banned arcs."""
        searcher = self.searcher
        kinds, of_arc = searcher.kinds
        closed = np.zeros(len(kinds), np.bool_)
        for mark in banned:
            closed[searcher.marked.get(mark, [])] = True
        shut = closed[of_arc[self.arcs]]
        for arc in without:
            for step in np.nonzero(searcher.arc_target[self.arcs] == arc.target)[0]:
                shut[step] |= searcher.automaton.arcs[self.arcs[step]] == arc
        return shut

    @cached_property
    def _jumps(self) -> dict[int, list[tuple[int, Ints, float]]]:
        """Tracks whose word is the heard word: end of the word -> its beginning, the tracks and the cost."""
        searcher = self.searcher
        out: dict[int, list[tuple[int, Ints, float]]] = {}
        for i, word in enumerate(self.heard):
            begin, end = self.begin[i], self.begin[i + 1]
            same = searcher._ways_heard.get(word.text, [])
            alike = searcher._ways_by_phones.get(tuple(self.sounds[begin:end]), [])
            for ways, cost in ((same, 0.0), (alike, searcher.costs.homophone)):
                tracks = np.nonzero(np.isin(self.way, list(ways)))[0]
                if len(tracks):
                    out.setdefault(end, []).append((begin, tracks, cost))
        return out


@dataclass
class _Trace:
    """Walks back through the filled tables."""

    lattice: Lattice
    reached: Floats
    ended: Floats
    weight: Floats
    miss: Ints
    miss_cost: Floats
    jumps: dict[int, list[tuple[int, Ints, float]]]
    skip: list[float]
    word_ending_at: dict[int, int]

    def match(self, cost: float, state: int) -> Alignment:
        """Return the alignment that ends in a state after all that was heard."""
        lattice = self.lattice
        arcs: list[Arc] = []
        spans: list[tuple[int, int]] = []
        skipped: list[int] = []
        final = lattice.finals[state]
        j = len(lattice.sounds)
        while j > 0 or state != lattice.start:
            before, step, j_before = self._step(j, state)
            if (j_before, before) == (j, state):
                break
            if step is None:
                skipped.append(self.word_ending_at[j])
            else:
                arcs.append(lattice.searcher.automaton.arcs[lattice.arcs[step]])
                spans.append((self._word_at(j_before), self._word_at(j)))
            j, state = j_before, before
        prior = lattice.searcher.costs.prior * (final.weight + sum(arc.weight for arc in arcs))
        arcs.reverse()
        return Alignment(cost, tuple(arcs), tuple(spans[::-1]), tuple(skipped[::-1]), final.tags, prior)

    def _step(self, j: int, state: int) -> tuple[int, int | None, int]:
        """Return the best predecessor: (state, step or None for a passed-over word, heard phones before)."""
        lattice = self.lattice
        candidates: list[tuple[float, int, int | None, int]] = [(float(INFINITE), state, None, j)]
        word = self.word_ending_at.get(j)
        if word is not None:
            begin = lattice.begin[word]
            candidates.append((float(self.reached[begin][state]) + self.skip[word], state, None, begin))
        into = np.arange(*np.searchsorted(lattice.target, [state, state + 1]))
        if len(into):
            value = self.ended[j][lattice.track[into]] + self.weight[into]
            k = int(np.argmin(value))
            step = int(into[k])
            source = int(lattice.source[lattice.track[step]])
            if value[k] < INFINITE / 2:
                candidates.append((float(value[k]) - 1e-6, source, step, -1))
        for missed in np.nonzero(lattice.target[self.miss] == state)[0]:
            step = int(self.miss[missed])
            source = int(lattice.source[lattice.track[step]])
            if source != state:
                cost = float(self.reached[j][source] + self.miss_cost[missed])
                candidates.append((cost + 1e-5, source, step, j))
        _, before, chosen, j_before = min(candidates, key=lambda c: c[0])
        if j_before < 0 and chosen is not None:
            j_before = self._word_begin(int(lattice.track[chosen]), before, j)
        return before, chosen, j_before

    def _word_begin(self, track: int, source: int, j: int) -> int:
        """Where the alignment of a track that ends at j began: the programme of the search, run backwards."""
        lattice = self.lattice
        for begin, same, cost in self.jumps.get(j, ()):
            if track in same and self.reached[begin][source] + cost <= self.ended[j][track] + 1e-4:
                return begin
        length, omit = int(lattice.length[track]), lattice.omit[:, track].tolist()
        column = [0.0]  # cost of the last phones of the track against the heard phones from k to j
        for phone in range(length - 1, -1, -1):
            column.append(column[-1] + omit[phone])
        best, where = float("inf"), j - 1
        for k in range(j - 1, max(-1, j - 2 * length - 4), -1):
            take = lattice.take[lattice.sounds[k]][:, lattice.alike[track]].tolist()
            insert, strength = lattice.insert[k], lattice.strength[k]
            fresh = [column[0] + insert]
            for used in range(1, length + 1):
                phone = length - used
                fresh.append(min(column[used] + insert, column[used - 1] + take[phone] * strength,
                                 fresh[used - 1] + omit[phone]))  # fmt: skip
            column = fresh
            value = float(self.reached[k][source]) + column[length]
            if value < best - 1e-6:
                best, where = value, k
        return where

    def _word_at(self, j: int) -> int:
        """The heard word in which a phone position lies."""
        return bisect_right(self.lattice.begin, j) - 1


def _pass_over(fresh: Floats, cost: Floats) -> None:
    """Let each row be reached from those above it too, for the difference of their costs, in place."""
    fresh -= cost
    for before, after in pairwise(fresh):  # few and long ones: `np.minimum.accumulate` is much slower
        np.minimum(before, after, out=after)
    fresh += cost


def _spread(seen: Bools, source: Ints, target: Ints) -> None:
    """Mark everything that can be reached."""
    count = int(seen.sum())
    while True:
        seen[target[seen[source]]] = True
        now = int(seen.sum())
        if now == count:
            return
        count = now


# Broad classes for the first sieve: sounds that are taken for each other share a letter.
_CLASSES = {
    "a": "AA AE AH AO AW AY EH EY OW OY", "i": "IH IY", "u": "UH UW", "r": "ER R", "t": "T D TH DH", "p": "P B",
    "k": "K G", "s": "S Z", "c": "SH ZH CH JH", "f": "F V HH", "n": "M N NG", "l": "L", "w": "W", "y": "Y",
}  # fmt: skip
_BROAD = {PHONE_INDEX[phone]: letter for letter, phones in _CLASSES.items() for phone in phones.split()}


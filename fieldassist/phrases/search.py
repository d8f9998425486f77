"""Find the sentence of a grammar that sounds most like what was heard.

One dynamic programme over the grammar's automaton and the heard phones: the state of the search is (heard
phones used up, automaton state), so its cost grows with the size of the automaton and never with the number
of sentences. Sounds may be taken for others, left out or put in (`soundalike`), whole heard words may be
passed over, and small words of the grammar may be missing, each at its cost.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import numpy.typing as npt
from rapidfuzz import fuzz, process

from fieldassist.phrases.automaton import Arc, Automaton, Tag
from fieldassist.phrases.phonemes import PHONE_INDEX, pronunciations
from fieldassist.phrases.soundalike import cost_tables

Floats = npt.NDArray[np.float32]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

INFINITE = np.float32(1e6)
UNKNOWN = "[unk]"
"""What engines write for a stretch that fits no phrase."""

_FILLERS = Path(__file__).resolve().parent / "fillers.toml"
_FILLER_WORDS = tomllib.loads(_FILLERS.read_text(encoding="utf-8"))
HESITATIONS: frozenset[str] = frozenset(_FILLER_WORDS["hesitations"])
SMALL_WORDS: frozenset[str] = frozenset(_FILLER_WORDS["small_words"])
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
    skip_hesitation: float = 0.02
    skip_small: float = 0.1
    skip_word: float = 1.0
    skip_unknown: float = 0.8
    miss_small: float = 0.35
    """A small word of the grammar that was not heard."""
    prior: float = 0.02
    """Share of the grammar's own weights (natural log) in the cost."""


@dataclass(frozen=True)
class Match:
    """One alignment of heard words with a sentence of the grammar."""

    cost: float
    arcs: tuple[Arc, ...]
    spans: tuple[tuple[int, int], ...]
    """Heard words (from, to) that each arc was aligned with; equal for a word that was missing."""
    skipped: tuple[int, ...]
    """Heard words that were passed over."""
    end_tags: tuple[Tag, ...] = ()

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
    """A grammar's automaton prepared for searching. Reusable, and safe to share between threads."""

    def __init__(self, automaton: Automaton, costs: Costs = Costs()) -> None:
        self.automaton = automaton
        self.costs = costs
        self.words = automaton.words
        index = {word: i for i, word in enumerate(self.words)}
        said = [pronunciations(word) for word in self.words]
        rows = [(a, w, phones) for a, arc in enumerate(automaton.arcs) if arc.word is not None
                for w in (index[arc.word],) for phones in said[w]]  # fmt: skip
        self.arc_of = np.array([row[0] for row in rows], np.int64)
        self.word_of = np.array([row[1] for row in rows], np.int64)
        self.length = np.array([len(row[2]) for row in rows], np.int64)
        self.phones = np.zeros((len(rows), int(self.length.max(initial=1))), np.int64)
        for i, (_, _, phones) in enumerate(rows):
            self.phones[i, : len(phones)] = [PHONE_INDEX[p] for p in phones]
        self.source = np.array([automaton.arcs[a].source for a in self.arc_of], np.int64)
        self.target = np.array([automaton.arcs[a].target for a in self.arc_of], np.int64)
        weights = np.array([arc.weight for arc in automaton.arcs], np.float32) * np.float32(costs.prior)
        self.weight = weights[self.arc_of]
        self._spelled = [_broad(phones) for ways in said for phones in ways]
        self._spelled_word = np.array([i for i, ways in enumerate(said) for _ in ways], np.int64)
        self._small = np.array([word in SMALL_WORDS or word in HESITATIONS for word in self.words], np.bool_)
        self._by_phones: dict[tuple[int, ...], list[int]] = {}
        for i, (_, _, phones) in enumerate(rows):
            self._by_phones.setdefault(tuple(PHONE_INDEX[p] for p in phones), []).append(i)
        self._by_word: dict[str, list[int]] = {}
        for i, w in enumerate(self.word_of):
            self._by_word.setdefault(self.words[w], []).append(i)

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
        base = self.costs.skip_small if word.text in SMALL_WORDS else self.costs.skip_word
        return base * (0.4 + 0.6 * word.confidence)

    def search(
        self,
        heard: Sequence[HeardWord],
        banned: Callable[[Arc], bool] | None = None,
        extra: Floats | None = None,
        limit: float = 1e5,
    ) -> Match | None:
        """Return the sentence nearest to what was heard, or None when none costs less than `limit`.

        `banned` shuts arcs out (to find the next best reading); `extra` is a cost per arc of the automaton
        on top of the grammar's own (what is expected now).
        """
        return Lattice(self, heard, extra).best(banned, limit)


class Lattice:
    """The part of a grammar that can play a role for one utterance; asked several times with other bans."""

    def __init__(self, searcher: Searcher, heard: Sequence[HeardWord], extra: Floats | None = None) -> None:
        self.searcher = searcher
        self.heard = tuple(heard)
        self._spell()
        keep = self._plausible()[searcher.word_of]
        small = searcher._small[searcher.word_of]
        rows = np.nonzero(keep | small)[0]
        rows = rows[self._useful(searcher.source[rows], searcher.target[rows])]
        self.rows = rows
        self.source, self.target = searcher.source[rows], searcher.target[rows]
        self.length = searcher.length[rows]
        self.weight = searcher.weight[rows]
        if extra is not None:
            self.weight = self.weight + extra[searcher.arc_of[rows]]
        self.can_sound = keep[rows]
        self.can_miss = small[rows]
        self._number_states()
        table, omit = cost_tables()
        widest = int(self.length.max(initial=1))
        phones = searcher.phones[rows][:, :widest]
        self.phones = phones
        self.omit = omit[phones]
        inside = np.arange(widest)[None, :] < self.length[:, None]
        self.omit[~inside] = 0
        self.omitted = np.concatenate([np.zeros((len(rows), 1), np.float32), np.cumsum(self.omit, axis=1)], axis=1)
        self._take: dict[int, Floats] = {}
        for phone in set(self.sounds):
            cost = np.full(phones.shape, np.float32(0.7)) if phone < 0 else table[phone][phones]
            cost[~inside] = INFINITE
            self._take[phone] = cost

    def _spell(self) -> None:
        """Lay the heard words out as phones, with the word boundaries."""
        sounds: list[int] = []
        strength: list[float] = []
        self.begin: list[int] = []
        for word in self.heard:
            self.begin.append(len(sounds))
            phones = [-1] if word.text == UNKNOWN else [PHONE_INDEX[p] for p in pronunciations(word.text)[0]]
            sounds += phones
            strength += [0.5 + 0.5 * word.confidence] * len(phones)
        self.begin.append(len(sounds))
        self.sounds = sounds
        self.strength = strength
        _, omit = cost_tables()
        self.insert = [float(omit[p]) * s if p >= 0 else 0.5 for p, s in zip(sounds, strength, strict=True)]

    def _plausible(self) -> Bools:
        """Words of the grammar that sound like some stretch of what was heard."""
        searcher = self.searcher
        keep = np.zeros(len(searcher.words), np.bool_)
        if UNKNOWN in (word.text for word in self.heard):
            keep[:] = True  # an unknown stretch may have been anything short
        if not self.sounds or not searcher._spelled:
            return keep
        heard = "".join(_BROAD[p] if p >= 0 else "?" for p in self.sounds)
        scores = process.cdist([heard], searcher._spelled, scorer=fuzz.partial_ratio, dtype=np.uint8)[0]
        np.logical_or.at(keep, searcher._spelled_word, scores >= 67)
        return keep

    def _useful(self, source: Ints, target: Ints) -> Bools:
        """Rows on a way from the start to an end."""
        states = self.searcher.automaton.states
        forward = np.zeros(states, np.bool_)
        forward[self.searcher.automaton.start] = True
        _spread(forward, source, target)
        backward = np.zeros(states, np.bool_)
        backward[list(self.searcher.automaton.finals)] = True
        _spread(backward, target, source)
        return np.asarray(forward[source] & backward[target])

    def _number_states(self) -> None:
        automaton = self.searcher.automaton
        every = np.concatenate([[automaton.start], self.source, self.target])
        used, numbers = np.unique(every, return_inverse=True)
        n = len(self.source)
        self.start = int(numbers[0])
        self.source, self.target = numbers[1 : n + 1], numbers[n + 1 :]
        self.states = len(used)
        self.finals = {
            int(np.searchsorted(used, s)): f for s, f in automaton.finals.items() if s in set(used.tolist())
        }

    def best(self, banned: Callable[[Arc], bool] | None = None, limit: float = 1e5) -> Match | None:
        """Return the cheapest alignment without the banned arcs, None when it costs `limit` or more."""
        searcher, costs = self.searcher, self.searcher.costs
        allowed = np.ones(len(self.rows), np.bool_)
        if banned is not None:
            verdict: dict[int, bool] = {}
            arcs = searcher.automaton.arcs
            allowed = np.array(
                [not verdict.setdefault(a, banned(arcs[a])) for a in searcher.arc_of[self.rows]], np.bool_
            )
        sound = np.nonzero(self.can_sound & allowed)[0]
        miss = np.nonzero(self.can_miss & allowed)[0]
        count = len(self.sounds)
        width = self.phones.shape[1] if len(self.rows) else 1
        source, target, weight = self.source[sound], self.target[sound], self.weight[sound]
        last = (np.arange(len(sound)), self.length[sound])
        miss_cost = self.weight[miss] + np.float32(costs.miss_small)
        omitted = self.omitted[sound]
        enter = weight + np.float32(costs.mismatch)
        jumps = self._jumps(allowed)
        skip = [searcher.skip_cost(word) for word in self.heard]
        word_ending_at = {end: i for i, end in enumerate(self.begin[1:])}

        reached = np.full((count + 1, self.states), INFINITE, np.float32)
        ended = np.full((count + 1, len(sound)), INFINITE, np.float32)
        inside = np.full((len(sound), width + 1), INFINITE, np.float32)
        take = {phone: cost[sound] for phone, cost in self._take.items()}
        for j in range(count + 1):
            now = reached[j]
            if j == 0:
                now[self.start] = 0
            else:
                phone, strength = self.sounds[j - 1], np.float32(self.strength[j - 1])
                fresh = inside + np.float32(self.insert[j - 1])
                fresh[:, 0] = INFINITE
                np.minimum(fresh[:, 1:], inside[:, :-1] + take[phone] * strength, out=fresh[:, 1:])
                fresh -= omitted
                np.minimum.accumulate(fresh, axis=1, out=fresh)
                fresh += omitted
                inside = fresh
                ended[j] = inside[last]
                np.minimum.at(now, target, ended[j])
                for begin, rows in jumps.get(j, ()):
                    np.minimum.at(now, self.target[rows], reached[begin][self.source[rows]] + self.weight[rows])
                word = word_ending_at.get(j)
                if word is not None:
                    np.minimum(now, reached[self.begin[word]] + np.float32(skip[word]), out=now)
            for _ in range(2):
                np.minimum.at(now, self.target[miss], now[self.source[miss]] + miss_cost)
            opening = (now[source] + enter)[:, None] + omitted
            opening[last] = INFINITE  # a word of which nothing was heard is no match
            beyond = np.arange(width + 1)[None, :] > self.length[sound][:, None]
            opening[beyond] = INFINITE
            np.minimum(inside, opening, out=inside)
        ends = [(float(reached[count][s]) + f.weight * costs.prior, s) for s, f in self.finals.items()]
        if not ends or min(ends)[0] >= min(limit, float(INFINITE) / 2):
            return None
        cost, state = min(ends)
        tracer = _Trace(self, reached, ended, sound, miss, miss_cost, enter, jumps, skip, word_ending_at)
        return tracer.match(cost, state)

    def _jumps(self, allowed: Bools) -> dict[int, list[tuple[int, Ints]]]:
        """Rows whose word is exactly the heard word: end of the word -> its beginning and the rows."""
        searcher = self.searcher
        place = {int(row): i for i, row in enumerate(self.rows)}
        out: dict[int, list[tuple[int, Ints]]] = {}
        for i, word in enumerate(self.heard):
            begin, end = self.begin[i], self.begin[i + 1]
            same = searcher._by_phones.get(tuple(self.sounds[begin:end]), [])
            exact = searcher._by_word.get(word.text, [])
            rows = np.array(sorted({place[r] for r in (*same, *exact) if r in place}), np.int64)
            rows = rows[allowed[rows]] if len(rows) else rows
            if len(rows):
                out.setdefault(end, []).append((begin, rows))
        return out


@dataclass
class _Trace:
    """Walks back through the filled tables."""

    lattice: Lattice
    reached: Floats
    ended: Floats
    sound: Ints
    miss: Ints
    miss_cost: Floats
    enter: Floats
    jumps: dict[int, list[tuple[int, Ints]]]
    skip: list[float]
    word_ending_at: dict[int, int]

    def match(self, cost: float, state: int) -> Match:
        lattice = self.lattice
        arcs: list[Arc] = []
        spans: list[tuple[int, int]] = []
        skipped: list[int] = []
        j = len(lattice.sounds)
        final = lattice.finals[state]
        all_arcs = lattice.searcher.automaton.arcs
        arc_of = lattice.searcher.arc_of[lattice.rows]
        while j > 0 or state != lattice.start or self.reached[j][state] > 1e-6:
            before, row, j_before = self._step(j, state)
            if row is None:
                skipped.append(self.word_ending_at[j])
            else:
                arcs.append(all_arcs[arc_of[row]])
                spans.append((self._word_at(j_before), self._word_at(j)))
            if (j_before, before) == (j, state):
                break
            j, state = j_before, before
        return Match(cost, tuple(reversed(arcs)), tuple(reversed(spans)), tuple(reversed(skipped)), final.tags)

    def _step(self, j: int, state: int) -> tuple[int, int | None, int]:
        """Return the best predecessor: (state, row or None for a passed-over word, heard phones before)."""
        lattice = self.lattice
        candidates: list[tuple[float, int, int | None, int]] = [(float(INFINITE), state, None, j)]
        if self.word_ending_at.get(j) is not None:
            word = self.word_ending_at[j]
            begin = lattice.begin[word]
            candidates.append((float(self.reached[begin][state]) + self.skip[word], state, None, begin))
        for begin, rows in self.jumps.get(j, ()):
            for row in rows[lattice.target[rows] == state]:
                source = int(lattice.source[row])
                value = float(self.reached[begin][source] + lattice.weight[row])
                candidates.append((value, source, int(row), begin))
        into = np.nonzero(lattice.target[self.sound] == state)[0]
        if len(into):
            k = int(into[np.argmin(self.ended[j][into])])
            row = int(self.sound[k])
            if self.ended[j][k] < INFINITE / 2 and float(self.ended[j][k]) <= float(self.reached[j][state]) + 1e-3:
                begin = self._word_begin(row, float(self.enter[k]), j)
                candidates.append((float(self.ended[j][k]), int(lattice.source[row]), row, begin))
        missing = np.nonzero(lattice.target[self.miss] == state)[0]
        for absent in missing:
            row = int(self.miss[absent])
            source = int(lattice.source[row])
            if source != state:
                value = float(self.reached[j][source] + self.miss_cost[absent])
                candidates.append((value + 1e-5, source, row, j))
        _, before, row_or_none, j_before = min(candidates, key=lambda c: c[0])
        return before, row_or_none, j_before

    def _word_begin(self, row: int, enter: float, j: int) -> int:
        """Where the alignment of a row that ends at j began: the programme of the search, run backwards."""
        lattice = self.lattice
        length = int(lattice.length[row])
        source = int(lattice.source[row])
        column = [0.0] * (length + 1)  # cost of the last l phones against the heard phones from k to j
        for length_used in range(1, length + 1):
            column[length_used] = column[length_used - 1] + float(lattice.omit[row, length - length_used])
        best, where = float("inf"), j
        for k in range(j - 1, max(-1, j - 2 * length - 4), -1):
            take = lattice._take[lattice.sounds[k]][row]
            fresh = [column[0] + lattice.insert[k]]
            for used in range(1, length + 1):
                phone = length - used
                fresh.append(
                    min(
                        column[used] + lattice.insert[k],
                        column[used - 1] + float(take[phone]) * lattice.strength[k],
                        fresh[used - 1] + float(lattice.omit[row, phone]),
                    )
                )
            column = fresh
            value = float(self.reached[k][source]) + enter + column[length]
            if value < best - 1e-6:
                best, where = value, k
        return where

    def _word_at(self, j: int) -> int:
        """The heard word in which a phone position lies."""
        return int(np.searchsorted(np.array(self.lattice.begin), j, side="right")) - 1


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


def _broad(phones: Sequence[str]) -> str:
    return "".join(_BROAD[PHONE_INDEX[p]] for p in phones)

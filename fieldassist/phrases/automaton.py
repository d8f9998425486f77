"""Compile a grammar to a finite automaton over words.

The automaton is what the engines' graphs, the matcher and the slot reader share. Every path from the start
to a final state is one sentence of the grammar; the path's weights add up to the negative natural log of
the sentence's probability when each choice is made as the grammar's weights say (alternatives without
weights are equally likely, an option and one more repetition each have one half).
"""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from fieldassist.errors import DataFileError
from fieldassist.phrases import jsgf

_SAME_CHANCE = 1e-7
"""Probabilities that differ by less are the same."""
_NEVER = 1e-15
_MANY_WAYS = 12
"""So many words that can be next at a place, and an engine comes to it over an empty arc instead of having these
words wherever it comes from; with fewer, an arc more to walk costs as much as is saved."""
_LONGEST_SENTENCE = 2000
"""Words after which a sentence has ended, or its grammar is left as it is."""
MAX_ARCS = 200_000
"""A grammar that unfolds to more arcs is refused: it would not load in time on the road."""


class Tag(NamedTuple):
    """What a path says when it passes here."""

    key: str
    value: str | None
    """None: a slot begins here whose value is the words that belong to it (`Arc.slots`)."""


class Arc(NamedTuple):
    """A step from one state to another, over one word or none."""

    source: int
    target: int
    word: str | None
    """None: no word is said."""
    weight: float = 0.0
    """Negative natural log of the probability of this choice."""
    tags: tuple[Tag, ...] = ()
    """Given out when the arc is taken."""
    slots: tuple[str, ...] = ()
    """Slots whose value the word is part of."""


class Final(NamedTuple):
    """The end of a sentence."""

    weight: float = 0.0
    tags: tuple[Tag, ...] = ()


@dataclass(frozen=True)
class Automaton:
    """States 0..states-1; the start is state 0."""

    states: int
    arcs: Sequence[Arc]
    finals: Mapping[int, Final]
    start: int = 0

    @cached_property
    def words(self) -> tuple[str, ...]:
        """Every word of the automaton, sorted."""
        return tuple(sorted({arc.word for arc in self.arcs if arc.word is not None}))

    @cached_property
    def leaving(self) -> tuple[tuple[Arc, ...], ...]:
        """Arcs leaving each state."""
        out: list[list[Arc]] = [[] for _ in range(self.states)]
        for arc in self.arcs:
            out[arc.source].append(arc)
        return tuple(tuple(arcs) for arcs in out)

    def arrays(self) -> tuple[npt.NDArray[np.int32], npt.NDArray[np.int32], npt.NDArray[np.int32],
                              npt.NDArray[np.float32]]:
        """Return (source, target, word index or -1, weight), one entry per arc; indices point into `words`."""
        index = {word: i for i, word in enumerate(self.words)}
        count = len(self.arcs)
        return (
            np.fromiter((arc.source for arc in self.arcs), np.int32, count),
            np.fromiter((arc.target for arc in self.arcs), np.int32, count),
            np.fromiter((-1 if arc.word is None else index[arc.word] for arc in self.arcs), np.int32, count),
            np.fromiter((arc.weight for arc in self.arcs), np.float32, count),
        )

    def without_tags(self) -> Automaton:
        """Return the automaton for an engine: words and weights only, common beginnings and ends merged."""
        plain = Automaton(
            self.states,
            tuple(Arc(a.source, a.target, a.word, a.weight) for a in self.arcs),
            {state: Final(final.weight) for state, final in self.finals.items()},
        )
        return _smallest(_add_up(plain))

    def merged(self) -> Automaton:
        """Merge states with the same future, drop unreachable and dead ones; the sentences stay the same."""
        return _merge(_trim(self))

    def accepts(self, words: str | tuple[str, ...]) -> bool:
        """Tell whether these words are a sentence of the grammar."""
        sentence = tuple(words.split()) if isinstance(words, str) else words
        states = self._beyond({self.start})
        for word in sentence:
            states = self._beyond(
                {arc.target for state in states for arc in self.leaving[state] if arc.word == word}
            )
        return any(state in self.finals for state in states)

    def _beyond(self, states: set[int]) -> set[int]:
        """These states and all that empty arcs lead to from them."""
        seen, stack = set(states), list(states)
        while stack:
            for arc in self.leaving[stack.pop()]:
                if arc.word is None and arc.target not in seen:
                    seen.add(arc.target)
                    stack.append(arc.target)
        return seen


@dataclass(frozen=True)
class Promised:
    """An automaton that is made when it is needed: who keeps something made of it need not have it."""

    name: str
    """Digest of all that it is made of."""
    make: Callable[[], Automaton]
    """Raises UserError for broken grammars."""


def compile_grammar(grammar: jsgf.Grammar, rule: str | None = None) -> Automaton:
    """Return the automaton of one rule, or of all public rules as alternatives, free of empty arcs.

    Raises DataFileError when a rule refers to itself other than at its very end (no finite automaton has
    that), when nothing can be said, or when the grammar unfolds to more than MAX_ARCS arcs.
    """
    rules = (grammar.rule(rule),) if rule is not None else grammar.public()
    builder, start, end = _unfolded(grammar, rules)
    arcs = _redirect(builder.states, builder.arcs, start)
    automaton = _without_empty_arcs(builder.states, arcs, start, end, grammar.path).merged()
    if not automaton.finals:
        raise DataFileError(grammar.path, rules[0].line, "expected a grammar in which something can be said")
    return automaton


def compile_for_engine(grammar: jsgf.Grammar) -> Automaton:
    """Return the automaton of all public rules for an engine: words and weights only, as small as it gets.

    Other than in `compile_grammar`, a place from which a sentence can go on in many ways keeps the empty arcs that
    lead there: a grammar that comes back to the same choice from everywhere (what can be seen after any place, any
    place after what is seen) would else hold a copy of that choice for each. Raises as `compile_grammar` does.
    """
    rules = grammar.public()
    builder, start, end = _unfolded(grammar, rules)
    automaton = _sharing_choices(builder.states, builder.arcs, start, end)
    if len(automaton.arcs) > MAX_ARCS:
        raise DataFileError(grammar.path, None, f"expected a grammar that unfolds to at most {MAX_ARCS} arcs")
    smallest = _smallest(automaton)
    if not smallest.finals:
        raise DataFileError(grammar.path, rules[0].line, "expected a grammar in which something can be said")
    return smallest


def _unfolded(grammar: jsgf.Grammar, rules: Sequence[jsgf.Rule]) -> tuple[_Builder, int, int]:
    """Lay out rules as alternatives, empty arcs and all; with the start and the end."""
    if not rules:
        raise DataFileError(grammar.path, None, "expected at least one public rule")
    _check_size(grammar, rules)
    builder = _Builder(grammar)
    start, end = builder.state(), builder.state()
    for rule in rules:
        builder.reference(jsgf.Ref(rule.name, rule.line), start, end, _Carry(weight=math.log(len(rules))), ())
    return builder, start, end


def automaton_of(phrases: Sequence[str]) -> Automaton:
    """The automaton of a list of phrases, words with spaces between."""
    return compile_grammar(
        jsgf.parse_grammar(f"#JSGF V1.0;\ngrammar phrases;\npublic <phrase> = {' | '.join(phrases)};\n")
    )


_ASSIGNMENT = re.compile(
    r"""^\s*(?:out\.|\$\.|this\.\$?)?(?P<key>[\w-]+)\s*(?:=|:)\s*
        (?:"(?P<double>[^"]*)"|'(?P<single>[^']*)'|(?P<bare>[^;"']*?))\s*;?\s*$""",
    re.VERBOSE,
)

_DIVIDER = re.compile(r"[;,](?=\s*(?:out\.|\$\.|this\.)?[\w-]+\s*[=:]|\s*$)")


def read_tag(text: str, rule: str) -> tuple[Tag, ...]:
    """Read one tag of a grammar into slots.

    Understood: `key=value`, `key:value`, `out.key="value";`, `$.key = 'value'` (several divided by `;` or
    `,`), and a bare `value`, whose slot is named by the rule it stands in. The value `$` stands for the
    words that were said in the tagged item.
    """
    tags = []
    for part in filter(str.strip, _DIVIDER.split(text)):
        match = _ASSIGNMENT.match(part)
        if match is None:
            tags.append(Tag(rule, part.strip().strip("\"'")))
            continue
        value = next(v for v in (match["double"], match["single"], match["bare"]) if v is not None)
        quoted = match["bare"] is None
        tags.append(Tag(match["key"], None if value.strip() == "$" and not quoted else value))
    return tuple(tags)


@dataclass(frozen=True)
class _Carry:
    """What the next arc of the path under construction has to take along."""

    weight: float = 0.0
    tags: tuple[Tag, ...] = ()

    def plus(self, weight: float = 0.0, tags: tuple[Tag, ...] = ()) -> _Carry:
        return _Carry(self.weight + weight, self.tags + tags)


@dataclass(frozen=True)
class _Frame:
    """A rule being unfolded."""

    rule: str
    start: int
    end: int
    """State in which the rule ends; a reference to it from a place that ends there is a jump to `start`."""


class _Builder:
    """Unfolds rules into arcs. `slots` are the slots that a word at this place belongs to; `hidden` are
    keys that an enclosing tag sets anyway, because a tag is given out after all that stands before it."""

    def __init__(self, grammar: jsgf.Grammar) -> None:
        self.grammar = grammar
        self.states = 0
        self.arcs: list[Arc] = []
        self.by_rule_names = not any(jsgf.has_tags(rule.body) for rule in grammar.rules.values())
        self.recursive = _recursive_rules(grammar)
        self.slots: tuple[str, ...] = ()
        self.hidden: frozenset[str] = frozenset()
        self.rule = ""

    def state(self) -> int:
        """Make a state."""
        self.states += 1
        return self.states - 1

    def arc(self, source: int, target: int, word: str | None, carry: _Carry) -> None:
        """Add an arc."""
        self.arcs.append(
            Arc(source, target, word, carry.weight, carry.tags, self.slots if word is not None else ())
        )

    def node(self, node: jsgf.Node, start: int, end: int, carry: _Carry, frames: tuple[_Frame, ...]) -> None:
        """Build an item between two states."""
        if isinstance(node, jsgf.Token):
            words = node.text.split()
            for i, word in enumerate(words):
                target = end if i == len(words) - 1 else self.state()
                self.arc(start, target, word, carry if i == 0 else _Carry())
                start = target
        elif isinstance(node, jsgf.Ref):
            self.reference(node, start, end, carry, frames)
        elif isinstance(node, jsgf.Sequence):
            for i, item in enumerate(node.items):
                last = i == len(node.items) - 1
                target = end if last else self.state()
                self.node(item, start, target, carry if i == 0 else _Carry(), frames if last else _inner(frames))
                start = target
        elif isinstance(node, jsgf.Alternatives):
            weights = node.weights or (1.0,) * len(node.options)
            for option, weight in zip(node.options, weights, strict=True):
                if weight > 0:
                    self.node(option, start, end, carry.plus(-math.log(weight / sum(weights))), frames)
        elif isinstance(node, jsgf.Option):
            half = carry.plus(math.log(2))
            self.node(node.item, start, end, half, frames)
            self.arc(start, end, None, half)
        elif isinstance(node, jsgf.Repeat):
            self.repeat(node, start, end, carry, frames)
        else:
            self.tagged(node, start, end, carry, frames)

    def repeat(self, node: jsgf.Repeat, start: int, end: int, carry: _Carry, frames: tuple[_Frame, ...]) -> None:
        """Build `x*` round one state, `x+` as one x with a way back."""
        once_more = _Carry(math.log(2))
        inner = _inner(frames)
        if node.at_least == 0:
            hub = self.state()
            self.arc(start, hub, None, carry)
            self.node(node.item, hub, hub, once_more, inner)
            self.arc(hub, end, None, once_more)
        else:
            first, last = self.state(), self.state()
            self.arc(start, first, None, carry)
            self.node(node.item, first, last, _Carry(), inner)
            self.arc(last, first, None, once_more)
            self.arc(last, end, None, once_more)

    def tagged(self, node: jsgf.Tagged, start: int, end: int, carry: _Carry, frames: tuple[_Frame, ...]) -> None:
        """Build an item with tags: they are given out on its first arc, and win over those inside."""
        tags = tuple(tag for text in node.tags for tag in read_tag(text, self.rule) if tag.key not in self.hidden)
        slots, hidden = self.slots, self.hidden
        self.hidden = hidden | {tag.key for tag in tags}
        self.slots = slots + tuple(tag.key for tag in tags if tag.value is None)
        self.node(node.item, start, end, carry.plus(tags=tags), frames)
        self.slots, self.hidden = slots, hidden

    def reference(self, ref: jsgf.Ref, start: int, end: int, carry: _Carry, frames: tuple[_Frame, ...]) -> None:
        """Unfold a rule, or jump back to where it begins when it refers to itself at its end."""
        if ref.name == jsgf.VOID:
            return
        if ref.name == jsgf.NULL:
            self.arc(start, end, None, carry)
            return
        open_frame = next((f for f in frames if f.rule == ref.name), None)
        if open_frame is not None:
            if open_frame.end != end:
                short = ref.name.rpartition(".")[2]
                raise DataFileError(
                    self.grammar.rules[ref.name].path, ref.line,
                    f"expected <{short}> to refer to itself only at its very end (right recursion)",
                )  # fmt: skip
            self.arc(start, open_frame.start, None, carry)
            return
        rule = self.grammar.rules[ref.name]
        before, slots = self.rule, self.slots
        self.rule = rule.short
        if self.by_rule_names and frames and _is_leaf(rule):
            carry = carry.plus(tags=(Tag(rule.short, None),))
            self.slots = (*slots, rule.short)
        if ref.name in self.recursive:
            entry = self.state()
            self.arc(start, entry, None, carry)
            start, carry = entry, _Carry()
        self.node(rule.body, start, end, carry, (*frames, _Frame(ref.name, start, end)))
        self.rule, self.slots = before, slots


def _check_size(grammar: jsgf.Grammar, rules: Sequence[jsgf.Rule]) -> None:
    """Refuse a grammar that would unfold too far, before it is tried."""
    sizes: dict[str, int] = {}

    def size(node: jsgf.Node) -> int:
        if isinstance(node, jsgf.Ref):
            if node.name not in sizes and node.name in grammar.rules:
                sizes[node.name] = 1  # while it is being measured: a rule that refers to itself is a jump
                sizes[node.name] = size(grammar.rules[node.name].body)
            return sizes.get(node.name, 1)
        if isinstance(node, jsgf.Sequence):
            return sum(map(size, node.items))
        if isinstance(node, jsgf.Alternatives):
            return sum(map(size, node.options))
        return len(node.text.split()) if isinstance(node, jsgf.Token) else 2 + size(node.item)

    for rule in rules:
        if size(jsgf.Ref(rule.name)) > MAX_ARCS:
            expected = f"expected <{rule.short}> to unfold to at most {MAX_ARCS} arcs"
            raise DataFileError(rule.path, rule.line, expected)


def _inner(frames: tuple[_Frame, ...]) -> tuple[_Frame, ...]:
    """Inside a place that is followed by more, no rule under way can be jumped back to."""
    return tuple(_Frame(frame.rule, frame.start, -1) for frame in frames)


def _is_leaf(rule: jsgf.Rule) -> bool:
    """A rule that says words and refers to no further rule names a slot in a grammar without tags."""
    return all(ref.name in (jsgf.NULL, jsgf.VOID) for ref in jsgf.references(rule.body))


def _recursive_rules(grammar: jsgf.Grammar) -> frozenset[str]:
    """Rules that can reach themselves."""
    uses = {name: {ref.name for ref in jsgf.references(rule.body)} for name, rule in grammar.rules.items()}
    out = set()
    for name in uses:
        seen: set[str] = set()
        stack = list(uses[name])
        while stack:
            used = stack.pop()
            if used not in seen:
                seen.add(used)
                stack.extend(uses.get(used, ()))
        if name in seen:
            out.add(name)
    return frozenset(out)


def _redirect(states: int, arcs: list[Arc], start: int) -> list[Arc]:
    """Lead arcs straight to where an empty arc behind them goes, wherever that is the cheaper way to be rid
    of it: a loop over many phrases would else copy the beginnings of all to the end of each."""
    leaving: list[list[Arc]] = [[] for _ in range(states)]
    entering: list[dict[Arc, None]] = [{} for _ in range(states)]
    for arc in arcs:
        leaving[arc.source].append(arc)
        entering[arc.target][arc] = None
    spread = _sizes(leaving)
    queue = [arc for arc in arcs if arc.word is None]
    queue.sort(key=lambda arc: len(entering[arc.source]))
    gone: set[Arc] = set()
    for empty in queue:  # grows while it is walked
        middle, goal = empty.source, empty.target
        if empty in gone or empty.tags or middle == start:
            continue
        if middle != goal and len(entering[middle]) >= spread[goal]:
            continue
        gone.add(empty)
        del entering[goal][empty]
        if middle == goal:
            continue
        for arc in list(entering[middle]):
            direct = Arc(arc.source, goal, arc.word, arc.weight + empty.weight, arc.tags, arc.slots)
            if direct not in entering[goal] and not (direct.word is None and direct.source == goal):
                entering[goal][direct] = None
                gone.discard(direct)
                if direct.word is None:
                    queue.append(direct)
    return [arc for into in entering for arc in into]


def _sizes(leaving: list[list[Arc]]) -> list[int]:
    """Arcs with a word that can follow each state at once."""
    words = [sum(arc.word is not None for arc in arcs) for arcs in leaving]
    beyond = [[arc.target for arc in arcs if arc.word is None] for arcs in leaving]
    out = []
    for state in range(len(leaving)):
        seen, stack = {state}, [state]
        while stack:
            fresh = [target for target in beyond[stack.pop()] if target not in seen]
            seen.update(fresh)
            stack += fresh
        out.append(sum(words[each] for each in seen))
    return out


def _without_empty_arcs(states: int, arcs: list[Arc], start: int, end: int, path: str) -> Automaton:
    """Replace empty arcs by what can be reached through them, keeping the likeliest of equal ways."""
    leaving: list[list[Arc]] = [[] for _ in range(states)]
    for arc in arcs:
        leaving[arc.source].append(arc)
    needed = [start]
    seen = {start}
    out: dict[tuple[int, int, str, tuple[Tag, ...], tuple[str, ...]], float] = {}
    finals: dict[int, Final] = {}
    while needed:
        state = needed.pop()
        for (reached, tags), weight in _reach(state, leaving).items():
            if reached == end and (state not in finals or weight < finals[state].weight):
                finals[state] = Final(weight, tags)
            for arc in leaving[reached]:
                if arc.word is None:
                    continue
                key = (state, arc.target, arc.word, tags + arc.tags, arc.slots)
                out[key] = min(out.get(key, math.inf), weight + arc.weight)
                if len(out) > MAX_ARCS:
                    raise DataFileError(path, None, f"expected a grammar that unfolds to at most {MAX_ARCS} arcs")
                if arc.target not in seen:
                    seen.add(arc.target)
                    needed.append(arc.target)
    kept = tuple(Arc(s, t, w, weight, tags, slots) for (s, t, w, tags, slots), weight in out.items())
    return Automaton(states, kept, finals, start)


def _sharing_choices(states: int, arcs: list[Arc], start: int, end: int) -> Automaton:
    """Drop tags, and those empty arcs behind which few ways go on; ways that come to the same are added up."""
    leaving: list[list[Arc]] = [[] for _ in range(states)]
    for arc in arcs:
        leaving[arc.source].append(Arc(arc.source, arc.target, arc.word, arc.weight))
    shared = [count >= _MANY_WAYS for count in _sizes(leaving)]
    chance: dict[tuple[int, int, str | None], float] = defaultdict(float)
    finals: dict[int, Final] = {}
    needed, seen = [start], {start}

    def step(source: int, target: int, word: str | None, weight: float) -> None:
        chance[source, target, word] += math.exp(-weight)
        if target not in seen:
            seen.add(target)
            needed.append(target)

    while needed:
        state = needed.pop()
        for reached, weight in _reach_until(state, leaving, shared).items():
            if reached != state and shared[reached]:
                step(state, reached, None, weight)
                continue
            if reached == end:
                finals[state] = Final(weight)
            for arc in leaving[reached]:
                if arc.word is not None:
                    step(state, arc.target, arc.word, weight + arc.weight)
    plain = tuple(Arc(s, t, w, -math.log(p)) for (s, t, w), p in chance.items() if p > 0.0)
    return Automaton(states, plain, finals, start)


def _reach_until(state: int, leaving: list[list[Arc]], shared: Sequence[bool]) -> dict[int, float]:
    """States reachable over empty arcs with the least weight, going no further than to shared ones."""
    best = {state: 0.0}
    queue = [state]
    while queue:
        at = queue.pop()
        if shared[at] and at != state:
            continue
        for arc in leaving[at]:
            weight = best[at] + arc.weight
            if arc.word is None and weight < best.get(arc.target, math.inf) - 1e-12:
                best[arc.target] = weight
                queue.append(arc.target)
    return best


def _reach(state: int, leaving: list[list[Arc]]) -> dict[tuple[int, tuple[Tag, ...]], float]:
    """States reachable over empty arcs, with the tags given out on the way and the least weight."""
    best: dict[tuple[int, tuple[Tag, ...]], float] = {(state, ()): 0.0}
    queue = list(best)
    while queue:
        at, tags = queue.pop()
        for arc in leaving[at]:
            if arc.word is not None:
                continue
            extra = tuple(tag for tag in arc.tags if tag not in tags)  # a loop says nothing new
            key = (arc.target, tags + extra)
            weight = best[(at, tags)] + arc.weight
            if weight < best.get(key, math.inf) - 1e-12:
                best[key] = weight
                queue.append(key)
    return best


def _trim(automaton: Automaton) -> Automaton:
    """Keep states that lie on a way from the start to an end, renumbered with the start first."""
    forward = _closure({automaton.start}, ((a.source, a.target) for a in automaton.arcs))
    backward = _closure(set(automaton.finals), ((a.target, a.source) for a in automaton.arcs))
    useful = forward & backward
    order = [automaton.start, *sorted(useful - {automaton.start})]
    number = {state: i for i, state in enumerate(order)}
    arcs = tuple(
        Arc(number[a.source], number[a.target], a.word, a.weight, a.tags, a.slots)
        for a in automaton.arcs
        if a.source in useful and a.target in useful
    )
    return Automaton(len(order), arcs, {number[s]: f for s, f in automaton.finals.items() if s in useful})


def _closure(begin: set[int], steps: Iterable[tuple[int, int]]) -> set[int]:
    following: dict[int, list[int]] = defaultdict(list)
    for source, target in steps:
        following[source].append(target)
    seen, stack = set(begin), list(begin)
    while stack:
        for target in following[stack.pop()]:
            if target not in seen:
                seen.add(target)
                stack.append(target)
    return seen


def _add_up(automaton: Automaton) -> Automaton:
    """Make one arc of arcs that differ in nothing but the weight."""
    out: dict[tuple[int, int, str | None], float] = {}
    for arc in automaton.arcs:
        key = (arc.source, arc.target, arc.word)
        out[key] = out.get(key, 0.0) + math.exp(-arc.weight)
    arcs = tuple(Arc(s, t, w, -math.log(p)) for (s, t, w), p in out.items())
    return Automaton(automaton.states, arcs, automaton.finals)


def _smallest(automaton: Automaton) -> Automaton:
    """Merge states by their futures and by their pasts until nothing more is gained."""
    plain = automaton.merged()
    while True:
        smaller = _merge_pasts(plain).merged()
        if smaller.states >= plain.states:
            return plain
        plain = smaller


def _merge_pasts(automaton: Automaton) -> Automaton:
    """Merge states with equal pasts, so that every sentence keeps its probability (arcs that differ in nothing but
    the weight are added up before).

    Read backwards, each arc into a state has the probability of having come that way. States whose ways in come
    from the same states over the same words with the same such probabilities are one; what leaves it is their sum,
    by how often each is passed: lumping in the sense of Kemeny and Snell, "Finite Markov Chains", chapter VI, of
    the chain reversed.
    """
    words = (None, *automaton.words)
    index = {word: number for number, word in enumerate(words)}
    source = np.array([arc.source for arc in automaton.arcs], np.int64)
    target = np.array([arc.target for arc in automaton.arcs], np.int64)
    word = np.array([index[arc.word] for arc in automaton.arcs], np.int64)
    chance = np.exp(-np.array([arc.weight for arc in automaton.arcs]))
    passed = _passed(automaton.states, automaton.start, source, target, chance)
    if not automaton.arcs or passed is None:
        return automaton
    flow = passed[source] * chance
    came = flow / passed[target]
    block = np.zeros(automaton.states, np.int64)
    block[automaton.start] = 1
    count = 2
    while True:
        ways, way = np.unique((target * count + block[source]) * len(index) + word, return_inverse=True)
        exact = np.rint(np.bincount(way, came) / _SAME_CHANCE).astype(np.int64)
        into, what = np.divmod(ways, count * len(index))
        mixed = _scramble(what.astype(np.uint64) + np.uint64(1 << 40)) + exact.astype(np.uint64)
        block, fresh = _refined(block, into, _scramble(mixed))
        if fresh == count:
            break
        count = fresh
    passed_all = np.bincount(block, passed)
    arcs, arc = np.unique((block[source] * count + block[target]) * len(index) + word, return_inverse=True)
    weights = -np.log(np.bincount(arc, flow) / passed_all[arcs // len(index) // count])
    places, spoken = np.divmod(arcs, len(index))
    ends = np.zeros(count)
    for state, final in automaton.finals.items():
        ends[block[state]] += passed[state] * math.exp(-final.weight)
    return Automaton(
        count,
        tuple(
            Arc(place // count, place % count, words[said], weight)
            for place, said, weight in zip(places.tolist(), spoken.tolist(), weights.tolist(), strict=True)
        ),
        {state: Final(-math.log(ends[state] / passed_all[state])) for state in np.flatnonzero(ends).tolist()},
        int(block[automaton.start]),
    )


def _passed(
    states: int, start: int, source: npt.NDArray[np.int64], target: npt.NDArray[np.int64],
    chance: npt.NDArray[np.float64],
) -> npt.NDArray[np.float64] | None:  # fmt: skip
    """How often each state is passed on the way through a sentence, on average; None where that cannot be told,
    because a loop is hardly ever left or a state hardly ever reached."""
    wave: npt.NDArray[np.float64] = np.zeros(states)
    wave[start] = 1.0
    passed = wave
    for _ in range(_LONGEST_SENTENCE):
        wave = np.bincount(target, wave[source] * chance, minlength=states).astype(np.float64)
        passed = passed + wave
        if wave.max() < _NEVER:
            return passed if passed.min() > _NEVER else None
    return None


def _merge(automaton: Automaton) -> Automaton:
    """Merge states with equal futures by partition refinement (Moore), with hashed signatures."""
    labels: dict[object, int] = {}
    marks = np.array(
        [labels.setdefault((a.word, round(a.weight, 9), a.tags, a.slots), len(labels)) for a in automaton.arcs],
        np.int64,
    )
    source = np.array([a.source for a in automaton.arcs], np.int64)
    target = np.array([a.target for a in automaton.arcs], np.int64)
    ends: dict[object, int] = {}
    finals = (automaton.finals.get(state) for state in range(automaton.states))
    block = np.array(
        [ends.setdefault((round(f.weight, 9), f.tags) if f else None, len(ends)) for f in finals], np.int64
    )
    count = len(ends)
    while True:
        wide = np.int64(len(labels) * count + 1)
        steps = np.unique(source * wide + marks * count + block[target])
        mixed = _scramble((steps % wide).astype(np.uint64) + np.uint64(1 << 40))
        block, fresh = _refined(block, steps // wide, mixed)
        if fresh == count:
            break
        count = fresh
    number = {int(block[automaton.start]): 0}
    for each in block.tolist():
        number.setdefault(each, len(number))
    name = [number[each] for each in block.tolist()]
    arcs = dict.fromkeys(
        Arc(name[a.source], name[a.target], a.word, round(a.weight, 9), a.tags, a.slots) for a in automaton.arcs
    )
    return Automaton(len(number), tuple(arcs), {name[state]: final for state, final in automaton.finals.items()})


def _refined(
    block: npt.NDArray[np.int64], states: npt.NDArray[np.int64], marks: npt.NDArray[np.uint64]
) -> tuple[npt.NDArray[np.int64], int]:
    """Split blocks of states by their marks (one for each arc of a state, in any order); return the new block of
    each state and the number of blocks."""
    signature = _scramble(block.astype(np.uint64) + np.uint64(1))
    np.add.at(signature, states, marks)
    _, parts = np.unique(signature, return_inverse=True)
    return parts.astype(np.int64), int(parts.max(initial=0)) + 1


def _scramble(values: npt.NDArray[np.uint64]) -> npt.NDArray[np.uint64]:
    """Mix 64 bits so that sums of mixed values tell sets apart (the finaliser of splitmix64)."""
    values = (values ^ (values >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    values = (values ^ (values >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return np.asarray(values ^ (values >> np.uint64(31)))

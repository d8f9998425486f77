"""A statistical language model from example sentences, as an automaton: what is said in no fixed wording.

Interpolated Kneser-Ney smoothing with one discount for each order: S. F. Chen and J. Goodman, "An Empirical Study
of Smoothing Techniques for Language Modeling" (TR-10-98, Harvard, 1998), section 2.7, with the discount of section
2.6, n1 / (n1 + 2 n2). After two words only those are kept that are much likelier there than after the last of
them alone (K. Seymore, R. Rosenfeld, "Scalable Backoff Language Models", ICSLP 1996: the weighted difference). The
words of numbers are classes (P. F. Brown et al., "Class-Based n-gram Models of Natural Language", Computational
Linguistics 18, 1992): which number was said is not learnt, so that any fits any place.
"""

from __future__ import annotations

import math
import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from fieldassist.phrases.automaton import Arc, Automaton, Final
from fieldassist.phrases.numbers import TEENS, TENS, UNITS, spell_out

BEGIN, END = "<s>", "</s>"
CLASSES: Mapping[str, tuple[str, ...]] = {
    "<digit>": tuple(word for word in UNITS if word != "zero"), "<teen>": tuple(TEENS), "<tens>": tuple(TENS),
}  # fmt: skip
"""Words that are all equally likely wherever one of them is said."""
MOST_WORDS = 3
"""Words that are looked at together: the next one and the two before it. With all that the examples have the
decoder's graph would be three times as large as with one word before it."""
LEAST_WORTH = 8.0
"""Nats that a word's place after two others has to be worth over all examples. Of 3.0 nats that all such places
are worth in a sentence outside of them, those worth 6 keep 2.3 with an eighth of the places; with 8 the decoder's
graph has 12.5 MB instead of 14.2."""
_USUAL_DISCOUNT = 0.75
"""Where there are too few sentences to work it out."""

_CLASS = {word: name for name, words in CLASSES.items() for word in words}
_IN_NUMBERS = frozenset((*_CLASS, "zero", "oh", "point", "hundred", "thousand"))

History = tuple[str, ...]
"""The words before, those of numbers as classes."""


@dataclass(frozen=True)
class NGram:
    """How likely each word of a vocabulary is after the words before it."""

    vocabulary: tuple[str, ...]
    """Sorted; classes, their words where these also stand for themselves, and END."""
    shares: Mapping[History, Mapping[str, float]]
    """What came after a history, with its discounted share; after two words only what is worth its place."""
    spared: Mapping[History, float]
    """The share that is left after a known history for what shorter ones say."""

    def chance(self, word: str, history: History) -> float:
        """Return the probability of a word, class or END after a history of any length that begins at BEGIN or has
        MOST_WORDS - 1 words."""
        shorter = self.chance(word, history[1:]) if history else 1.0 / len(self.vocabulary)
        shares = self.shares.get(history)
        return shorter if shares is None else shares.get(word, 0.0) + self.spared[history] * shorter


def learn(sentences: Iterable[str], vocabulary: Iterable[str]) -> NGram:
    """Learn from example sentences in plain text.

    vocabulary: the words that can be heard, which may be more than the sentences have; what stands round other
    words is not learnt from.
    """
    spoken = [split(sentence) for sentence in sentences]
    hearable = frozenset(vocabulary)
    known = {END, *(_CLASS.get(word, word) for word in hearable)}
    known |= {token for sentence in spoken for token in sentence if token in hearable}  # the "one" of "this one"
    full: dict[History, Counter[str]] = defaultdict(Counter)
    for sentence in spoken:
        tokens = [BEGIN, *sentence, END]
        for at in range(1, len(tokens)):
            *before, token = tokens[max(0, at - MOST_WORDS + 1) : at + 1]
            if token in known and all(each in known or each == BEGIN for each in before):
                full[tuple(before)][token] += 1
    follows: dict[History, Counter[str]] = dict(full)
    for length in range(MOST_WORDS - 1, 0, -1):
        shorter: dict[History, Counter[str]] = defaultdict(Counter)
        for history, counts in follows.items():
            for token in counts if len(history) == length else ():
                shorter[history[1:]][token] += 1
        follows.update(shorter)  # none of them begins at BEGIN: those keep their counts in the sentences
    discounts = [_discount(follows, length) for length in range(MOST_WORDS)]
    shares: dict[History, Mapping[str, float]] = {}
    spared: dict[History, float] = {}
    model = NGram(tuple(sorted(known)), shares, spared)  # filled from the shortest history on
    for history, counts in sorted(follows.items(), key=lambda each: len(each[0])):
        whole = sum(counts.values())
        told = {word: max(count - discounts[len(history)], 0.0) / whole for word, count in counts.items()}
        if len(history) > 1:
            told = _worth_keeping(model, history, counts, told)
        if told:
            shares[history], spared[history] = told, 1.0 - sum(told.values())
    return model


def _worth_keeping(
    shorter: NGram, history: History, counts: Mapping[str, int], shares: Mapping[str, float]
) -> dict[str, float]:
    """Return the shares after a history without those that a model of shorter histories says nearly as well."""
    left = 1.0 - sum(shares.values())
    kept = {}
    for word, share in shares.items():
        without = left * shorter.chance(word, history[1:])
        if counts[word] * math.log1p(share / without) >= LEAST_WORTH:
            kept[word] = share
    return kept


def split(text: str) -> tuple[str, ...]:
    """Return the words of a text, those of numbers as classes. A lone "one" is mostly no number: "this one"."""
    words = words_of(text)
    inside = [False, *(word in _IN_NUMBERS for word in words), False]
    return tuple(
        word if word == "one" and not (inside[at] or inside[at + 2]) else _CLASS.get(word, word)
        for at, word in enumerate(words)
    )


def words_of(text: str) -> tuple[str, ...]:
    """Return the words of a text, figures spelt out."""
    return tuple(re.findall(r"[a-z](?:[a-z']*[a-z])?", spell_out(text.lower().replace("’", "'"))))


def beside(sentences: Automaton, others: Automaton, cost: float) -> Automaton:
    """Return the automaton of both, where it costs `cost` nats to say one of the others."""
    first, start = sentences.states, sentences.states + others.states
    return Automaton(
        start + 1,
        (
            *sentences.arcs,
            *(arc._replace(source=arc.source + first, target=arc.target + first) for arc in others.arcs),
            Arc(start, sentences.start, None, 0.0),
            Arc(start, others.start + first, None, cost),
        ),
        {**sentences.finals, **{state + first: final for state, final in others.finals.items()}},
        start,
    )


def automaton_of_ngram(model: NGram) -> Automaton:
    """Return the automaton of a model: a state for each history after which something is known, with an arc for
    each word that came, and an empty arc to the shorter history for all others.

    A word with an arc of its own can also be reached over the empty arc, but never more cheaply, so that the
    likeliest way through a sentence has the model's probability. Nobody says nothing: the empty sentence is none.
    """
    number = {history: at for at, history in enumerate(sorted(model.shares, key=lambda h: (h != (BEGIN,), h)))}
    arcs: list[Arc] = []
    finals: dict[int, Final] = {}
    classes: dict[tuple[str, int], int] = {}
    rare = len(number)  # a word after which nothing is known
    states = rare + 1

    def after(history: History, token: str) -> int:
        said = (*history, token)[1 - MOST_WORDS :]
        while said and said not in number:
            said = said[1:]
        return number[said] if said else rare

    for history, here in number.items():
        counts: Iterable[str] = model.shares[history] if history else model.vocabulary
        for token in counts:
            cost = -math.log(model.chance(token, history))
            if token == END:
                continue
            goal = after(history, token)
            if token not in CLASSES:
                arcs.append(Arc(here, goal, token, cost))
                continue
            if (token, goal) not in classes:
                classes[token, goal] = states
                arcs += [Arc(states, goal, word, math.log(len(CLASSES[token]))) for word in CLASSES[token]]
                states += 1
            arcs.append(Arc(here, classes[token, goal], None, cost))
        if history:
            shorter = next(h for n in range(1, len(history) + 1) if (h := history[n:]) in number)
            arcs.append(Arc(here, number[shorter], None, -math.log(model.spared[history])))
            if history != (BEGIN,):
                finals[here] = Final(-math.log(model.chance(END, history)))
    arcs.append(Arc(rare, number[()], None, 0.0))
    finals[rare] = Final(-math.log(model.chance(END, ())))
    return Automaton(states, tuple(arcs), finals, number[(BEGIN,)])


def _discount(follows: Mapping[History, Mapping[str, int]], length: int) -> float:
    """The discount of an order, from how many n-grams were seen once and twice."""
    seen = Counter(n for history, counts in follows.items() if len(history) == length for n in counts.values())
    return seen[1] / (seen[1] + 2.0 * seen[2]) if seen[1] and seen[2] else _USUAL_DISCOUNT

"""Which words speak for what: a model learned from example wordings, for what no grammar holds.

A multinomial logistic regression over the words, pairs of words and the procedure under way, trained by AdaGrad
(J. Duchi, E. Hazan, Y. Singer, "Adaptive subgradient methods for online learning and stochastic optimization",
JMLR 12, 2011). It says nothing about shifts, gears and numbers: these the grammars find in any wording. A few
thousand examples take about a second.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fieldassist.phrases.numbers import TEENS, TENS, UNITS
from fieldassist.phrases.search import HESITATIONS, UNKNOWN, Floats

NUMBER = "<number>"
_NUMBER_WORDS = frozenset((*UNITS, *TEENS, *TENS, "hundred", "thousand"))
_ENDINGS = ("ing", "ed", "es", "s")
_LEAST_STEM = 3
_APART, _AT_PROCEDURE = 0.5, 0.7
"""Weights of a pair of words with one between, and of a word at this procedure, against 1 of a word or pair."""
_LEAST_SEEN = 2
"""Features of fewer examples are left out."""
_EPOCHS, _RATE, _DECAY, _DAMPING, _SEED = 10, 0.1, 1e-4, 1e-2, 1

Said = Sequence[tuple[str, float]]
"""Words with the confidence that they were heard, 0..1."""


@dataclass(frozen=True)
class SenseModel:
    """Weights per feature and meaning."""

    meanings: tuple[str, ...]
    features: Mapping[str, int]
    weights: Floats
    """(features, meanings)"""

    def shares(self, said: Said, procedure: str) -> dict[str, float]:
        """Return the probability of each meaning of words said at a procedure."""
        found = [(self.features[key], value) for key, value in _features(said, procedure) if key in self.features]
        rows = [row for row, _ in found]
        values = np.array([value for _, value in found], np.float32)
        return dict(zip(self.meanings, _softmax(values @ self.weights[rows]).tolist(), strict=True))

    def known(self, said: Said) -> float:
        """Return which share of the words, 0..1, some example has; hesitations are no words."""
        stems = _stems(said)
        return sum(stem in self.features for stem, _ in stems) / len(stems) if stems else 0.0


def to_bytes(model: SenseModel) -> bytes:
    """Write a model: a digest of the rest, a line of JSON with the names, the weights."""
    names = json.dumps([model.meanings, list(model.features)])
    body = names.encode() + b"\n" + np.ascontiguousarray(model.weights, "<f4").tobytes()
    return hashlib.sha256(body).digest() + body


def from_bytes(data: bytes) -> SenseModel:
    """Read what `to_bytes` wrote. Raises ValueError where that is not what it is."""
    size = hashlib.sha256().digest_size
    if hashlib.sha256(data[size:]).digest() != data[:size]:
        raise ValueError("expected a model with the digest of its bytes before it")
    names, _, weights = data[size:].partition(b"\n")
    meanings, features = json.loads(names)
    table = np.frombuffer(weights, "<f4").reshape(len(features), len(meanings))
    return SenseModel(tuple(meanings), {key: row for row, key in enumerate(features)}, table)


def learn(examples: Sequence[tuple[Sequence[str], str, str]]) -> SenseModel:
    """Learn from (words, procedure, meaning); the same examples give the same model."""
    described = [list(_features([(word, 1.0) for word in words], procedure)) for words, procedure, _ in examples]
    seen = Counter(key for features in described for key, _ in features)
    numbers = {key: row for row, key in enumerate(key for key, count in seen.items() if count >= _LEAST_SEEN)}
    meanings = tuple(sorted({meaning for _, _, meaning in examples}))
    kept = [[(numbers[key], value) for key, value in features if key in numbers] for features in described]
    rows = [np.array([row for row, _ in features], np.int64) for features in kept]
    values = [np.array([value for _, value in features], np.float32) for features in kept]
    right = [meanings.index(meaning) for _, _, meaning in examples]
    weights = np.zeros((len(numbers), len(meanings)), np.float32)
    squares = np.full_like(weights, _DAMPING)
    random = np.random.default_rng(_SEED)
    for _ in range(_EPOCHS):
        for at in random.permutation(len(examples)):
            here = weights[rows[at]]
            error = _softmax(values[at] @ here)
            error[right[at]] -= 1.0
            slope = values[at][:, None] * error[None, :] + _DECAY * here
            total = squares[rows[at]] + slope * slope
            squares[rows[at]] = total
            weights[rows[at]] = here - _RATE * slope / np.sqrt(total)
    return SenseModel(meanings, numbers, weights)


def _softmax(scores: Floats) -> Floats:
    powers = np.exp(scores - scores.max(initial=0.0))
    return np.asarray(powers / powers.sum(), np.float32)


def _features(said: Said, procedure: str) -> Iterable[tuple[str, float]]:
    """Features with their values; each once, with the most sure of its occurrences."""
    words = _stems(said)
    edged = [("^", 1.0), *words, ("$", 1.0)]
    out: dict[str, float] = {"": 1.0, f"at {procedure}": 1.0}
    for stem, sure in words:
        for key, value in ((stem, sure), (f"{procedure}: {stem}", _AT_PROCEDURE * sure)):
            out[key] = max(out.get(key, 0.0), value)
    for apart, weight in ((1, 1.0), (2, _APART)):
        followers = edged[1:] if apart == 1 else words[2:]
        for (one, sure), (other, as_sure) in zip(edged if apart == 1 else words, followers, strict=False):
            key = f"{one} {'.' * (apart - 1)}{other}"
            out[key] = max(out.get(key, 0.0), weight * min(sure, as_sure))
    return out.items()


def _stems(said: Said) -> list[tuple[str, float]]:
    """The stems of the words, a number in however many words as one; no hesitations, no [unk]."""
    words: list[tuple[str, float]] = []
    for word, confidence in said:
        if word in HESITATIONS or word == UNKNOWN:
            continue
        stem = NUMBER if word in _NUMBER_WORDS else _stem(word)
        if not (words and stem == NUMBER == words[-1][0]):
            words.append((stem, confidence))
    return words


def _stem(word: str) -> str:
    """Cut a usual ending, so that slips, slipped and slipping are one word; crude, but the same for all."""
    for ending in _ENDINGS:
        stem = word.removesuffix(ending)
        if stem != word and len(stem) >= _LEAST_STEM:
            return stem[:-1] if len(stem) > _LEAST_STEM and stem[-1] == stem[-2] else stem
    return word

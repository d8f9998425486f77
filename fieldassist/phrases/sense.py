"""Which words speak for what: a model learned from example wordings, for what no grammar holds.

Two parts add their scores. One is a multinomial logistic regression over the words, pairs of words and the
procedure under way; the other reads the utterance as a whole (`encoder.py`) and knows words that no example has.
They err in different places. Neither says anything about shifts, gears and numbers: these the grammars find in any
wording. The first is made by `python -m fieldassist.acoustic senses` and shipped in `sense.npz` and `sense.npy`;
what a shop adds is learned on the spot, by it too.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fieldassist.phrases import encoder as whole
from fieldassist.phrases.encoder import Encoder, Said
from fieldassist.phrases.file_rows import BROKEN, FileRows, open_rows, unreadable
from fieldassist.phrases.hashing import Hashes, find, hashed
from fieldassist.phrases.numbers import TEENS, TENS, UNITS
from fieldassist.phrases.search import HESITATIONS, UNKNOWN, Floats

NUMBER = "<number>"
SHIPPED = Path(__file__).resolve().parent / "sense.npz"
_ROWS = ".npy"
"""Ending of the file of the weights."""
_NUMBER_WORDS = frozenset((*UNITS, *TEENS, *TENS, "hundred", "thousand", "grand", "nought"))
_ENDINGS = ("ing", "ed", "es", "s")
_LEAST_STEM = 3
_APART, _AT_PROCEDURE = 0.5, 0.7
"""Weights of a pair of words with one between, and of a word at this procedure, against 1 of a word or pair."""
_EPOCHS, _RATE, _DECAY, _DAMPING, _SEED = 10, 0.1, 1e-4, 1e-2, 1
_AT_ONCE = 32
"""Examples that the encoder reads together."""
_SETTLED, _RATE_ON, _UNHEARD_OF = 100.0, 0.3, -4.0
"""Where a model is learned on from: what stands in place of _DAMPING for its features, since thousands of examples
stand behind them and what is new about a few more is for their own words and pairs of words; the rate; the score
of a meaning that it does not have."""

BY_WHOLE, BY_WORDS = 0.65, 0.35
"""Weights of the scores of the encoder and of the features. Of 2,571 sentences that are tuned on, typed, 57 are
taken for something else by the first alone, 65 by the second, 46 by both."""
STEEPER = 1.12
"""What the scores are multiplied by where the encoder has a part in them: it is taught to doubt. Of the same
sentences nine fewer are missed than with 1, five more are right and four more wrong."""
Example = tuple[Sequence[str], str, str]
"""Words, procedure, meaning."""


@dataclass(frozen=True)
class SenseModel:
    """Weights per feature and meaning, and the encoder beside them."""

    meanings: tuple[str, ...]
    features: Hashes
    """`hashed` of the features, sorted, (features,)."""
    weights: npt.NDArray[np.floating] | FileRows
    """(features, meanings); the bytes in a file are to be multiplied by `steps`."""
    encoder: Encoder | None
    learned: Hashes
    """`hashed` of the examples it was learned from, see `name_of`, sorted."""
    source: str = ""
    """SHA-256 of the file of all of them, so that it need not be read again; empty where there is none."""
    steps: Floats | float = 1.0
    """What a weight is to be multiplied by, (meanings,) for bytes."""

    def shares(self, utterances: Sequence[Said], procedure: str) -> list[dict[str, float]]:
        """Return the probability of each meaning, of each of some utterances at a procedure."""
        scores = self._as_wholes(utterances, procedure)
        described = [dict(features_of(said, procedure)) for said in utterances]
        keys = sorted({key for features in described for key in features})
        found = find(self.features, keys)
        place = {key: at for at, key in enumerate(key for key, row in zip(keys, found, strict=True) if row >= 0)}
        weights = self.weights[found[found >= 0]].astype(np.float32)
        for at, features in enumerate(described):
            there = [key for key in features if key in place]
            values = np.array([features[key] for key in there], np.float32)
            scores[at] += values @ weights[[place[key] for key in there]] * self.steps
        steepness = STEEPER if self.encoder is not None else 1.0
        return [dict(zip(self.meanings, _softmax(steepness * each).tolist(), strict=True)) for each in scores]

    def likeness(self, readings: Sequence[Said], procedure: str) -> Floats | None:
        """Return how likely each of some readings of an utterance is what was said, in nats up to a constant,
        (readings,); None where nothing knows that."""
        return None if self.encoder is None else self.encoder.likeness(readings, procedure)

    def known(self, said: Said) -> float:
        """Return which share of the words, 0..1, some example has; hesitations are no words."""
        stems = [stem for stem, _ in _stems(said)]
        return float((find(self.features, stems) >= 0).mean()) if stems else 0.0

    def _as_wholes(self, utterances: Sequence[Said], procedure: str) -> Floats:
        """The encoder's scores, weighed, (utterances, meanings); low for meanings that only the shop has."""
        scores = np.zeros((len(utterances), len(self.meanings)), np.float32)
        if self.encoder is not None:
            column = {meaning: at for at, meaning in enumerate(self.encoder.meanings)}
            told = self.encoder.scores(utterances, procedure)
            padded = np.pad(told, ((0, 0), (0, 1)), constant_values=_UNHEARD_OF)
            scores[:] = BY_WHOLE * padded[:, [column.get(meaning, -1) for meaning in self.meanings]]
        return scores


def learn(examples: Sequence[Example], base: SenseModel | None = None) -> SenseModel:
    """Learn the weights of features from examples, on from a model if there is one, whose encoder stays as it is.

    By AdaGrad (J. Duchi, E. Hazan, Y. Singer, "Adaptive subgradient methods for online learning and stochastic
    optimization", JMLR 12, 2011). The same examples give the same model.
    """
    before = () if base is None else base.meanings
    meanings = (*before, *sorted({meaning for _, _, meaning in examples} - set(before)))
    described = [list(features_of(surely(words), at)) for words, at, _ in examples]
    fresh = hashed(sorted({key for features in described for key, _ in features}))
    old = np.zeros(0, np.uint64) if base is None else base.features
    features = np.union1d(old, fresh)
    weights = np.zeros((len(features), len(meanings)), np.float32)
    if base is not None:
        weights[np.searchsorted(features, old), : len(before)] = np.asarray(base.weights) * base.steps
        weights[find(features, [""]), len(before) :] = _UNHEARD_OF
    model = SenseModel(
        meanings, features, weights, base.encoder if base is not None else None,
        np.union1d(base.learned if base is not None else old[:0], hashed(map(name_of, examples))),
        "" if base is None else base.source,
    )  # fmt: skip
    rows = [find(features, [key for key, _ in keys]) for keys in described]
    values = [np.array([value for _, value in keys], np.float32) for keys in described]
    beside = _beside(model, examples)
    right = [meanings.index(meaning) for _, _, meaning in examples]
    squares = np.full_like(weights, _DAMPING)
    squares[np.searchsorted(features, old)] = _SETTLED
    rate = _RATE if base is None else _RATE_ON
    random = np.random.default_rng(_SEED)
    for _ in range(_EPOCHS):
        for at in random.permutation(len(examples)):
            here = weights[rows[at]]
            error = _softmax(values[at] @ here + beside[at])
            error[right[at]] -= 1.0
            slope = values[at][:, None] * error[None, :] + _DECAY * here
            total = squares[rows[at]] + slope * slope
            squares[rows[at]] = total
            weights[rows[at]] = here - rate * slope / np.sqrt(total)
    return model


def _beside(model: SenseModel, examples: Sequence[Example]) -> Floats:
    """The encoder's scores of examples, (examples, meanings)."""
    scores = np.zeros((len(examples), len(model.meanings)), np.float32)
    for procedure in {at for _, at, _ in examples}:
        there = [number for number, (_, at, _) in enumerate(examples) if at == procedure]
        for begin in range(0, len(there), _AT_ONCE):
            rows = there[begin : begin + _AT_ONCE]
            scores[rows] = model._as_wholes([surely(examples[row][0]) for row in rows], procedure)
    return scores


def name_of(example: Example) -> str:
    """Return what tells an example from others."""
    words, procedure, meaning = example
    return f"{procedure}|{meaning}|{' '.join(words)}"


def not_learned(model: SenseModel, examples: Sequence[Example]) -> list[Example]:
    """Return the examples that a model does not come from."""
    found = find(model.learned, list(map(name_of, examples)))
    return [example for example, row in zip(examples, found, strict=True) if row < 0]


def save(model: SenseModel, path: Path) -> None:
    """Write the weights of features, in bytes, to a file of their own beside `path`, and the rest to it."""
    weights = whole.rounded(np.transpose(np.asarray(model.weights) * np.asarray(model.steps, np.float32)))
    arrays: dict[str, Any] = {name: getattr(model, name) for name in ("features", "learned")}
    arrays |= {"source": np.array(model.source), "meanings": np.array(model.meanings)}
    np.savez(path, steps=weights.steps, **arrays)
    np.save(path.with_suffix(_ROWS), np.ascontiguousarray(weights.numbers.T))


def load(path: Path = SHIPPED, encoder: Path = whole.SHIPPED) -> SenseModel:
    """Read what `save` wrote, and the encoder. Raises UserError where they are not that."""
    weights = open_rows(path.with_suffix(_ROWS))
    try:
        with np.load(path, allow_pickle=False) as file:
            data = {name: file[name] for name in file.files}
        meanings, source = tuple(map(str, data.pop("meanings"))), str(data.pop("source"))
        if weights.shape != (len(data["features"]), len(meanings)):
            raise ValueError(f"{weights.path.name} is of another model")
        return SenseModel(meanings=meanings, source=source, encoder=whole.load(encoder), weights=weights, **data)
    except BROKEN as error:
        raise unreadable(path, error) from None


def usual_features(examples: Sequence[Example], least: int) -> Hashes:
    """Return the features, sorted, that so many examples have."""
    seen = Counter(key for words, at, _ in examples for key, _ in features_of(surely(words), at))
    return np.sort(hashed(key for key, count in seen.items() if count >= least))


def _softmax(scores: Floats) -> Floats:
    powers = np.exp(scores - scores.max(initial=0.0))
    return np.asarray(powers / powers.sum(), np.float32)


def features_of(said: Said, procedure: str) -> Iterable[tuple[str, float]]:
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


def surely(words: Iterable[str]) -> list[tuple[str, float]]:
    """Words as if each was heard beyond doubt."""
    return [(word, 1.0) for word in words]


def spoken(said: Said) -> list[tuple[str, float]]:
    """The words without hesitations and without [unk]."""
    return [(word, sure) for word, sure in said if word not in HESITATIONS and word != UNKNOWN]


def _stems(said: Said) -> list[tuple[str, float]]:
    """The stems of the words, a number in however many words as one."""
    words: list[tuple[str, float]] = []
    for word, confidence in spoken(said):
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

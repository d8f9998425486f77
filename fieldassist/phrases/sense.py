"""Which words speak for what: a model learned from example wordings, for what no grammar holds.

Two parts add their scores. One is a multinomial logistic regression over the words, pairs of words and the
procedure under way. The other knows words by what they are like, so that "quivers" is understood where the
examples have "shakes": vectors of words, in which words used alike lie near each other, go through a convolution
over three words with its largest value over the sentence (Y. Kim, "Convolutional Neural Networks for Sentence
Classification", EMNLP 2014), and beside them their mean, in which frequent words weigh less (S. Arora, Y. Liang,
T. Ma, "A Simple but Tough-to-Beat Baseline for Sentence Embeddings", ICLR 2017). It says nothing about shifts,
gears and numbers: these the grammars find in any wording. Both parts are made by `python -m fieldassist.acoustic
senses` and shipped in `sense.npz`; what a shop adds is learned on the spot by the first part.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

import numpy as np
import numpy.typing as npt

from fieldassist.errors import UserError
from fieldassist.phrases.numbers import TEENS, TENS, UNITS
from fieldassist.phrases.search import HESITATIONS, UNKNOWN, Floats

NUMBER = "<number>"
REACH = 3
"""Words that the convolution sees together."""
SHIPPED = Path(__file__).resolve().parent / "sense.npz"
_NUMBER_WORDS = frozenset((*UNITS, *TEENS, *TENS, "hundred", "thousand", "grand", "nought"))
_ENDINGS = ("ing", "ed", "es", "s")
_LEAST_STEM = 3
_APART, _AT_PROCEDURE = 0.5, 0.7
"""Weights of a pair of words with one between, and of a word at this procedure, against 1 of a word or pair."""
_EPOCHS, _RATE, _DECAY, _DAMPING, _SEED = 10, 0.1, 1e-4, 1e-2, 1
_SETTLED, _RATE_ON, _UNHEARD_OF = 100.0, 0.3, -4.0
"""Where a model is learned on from: what stands in place of _DAMPING for its features, since thousands of examples
stand behind them and what is new about a few more is for their own words and pairs of words; the rate; the score
of a meaning that it does not have."""

Said = Sequence[tuple[str, float]]
"""Words with the confidence that they were heard, 0..1."""
Example = tuple[Sequence[str], str, str]
"""Words, procedure, meaning."""
Hashes = npt.NDArray[np.uint64]


@dataclass(frozen=True)
class Likeness:
    """The network over word vectors. D: length of a vector, K: convolutions, P: numbers of a procedure, H: hidden
    units, M: meanings."""

    words: Hashes
    """`hashed` of the words that have a vector, sorted, (words,)."""
    vectors: npt.NDArray[np.int8]
    """(words, D), to be multiplied by `scale`."""
    scale: float
    weight: Floats
    """Share of a word in the mean, by how rare it is, (words,)."""
    procedures: tuple[str, ...]
    places: Floats
    """(procedures, P); a procedure that is not among them is all zeros."""
    windows: Floats
    """(REACH x D, K): the vectors of the word before, the word, the word after."""
    windows_bias: Floats
    hidden: Floats
    """(D + P + K, H)."""
    hidden_bias: Floats
    out: Floats
    """(H, M)."""
    out_bias: Floats

    def scores(self, said: Said, procedure: str) -> Floats:
        """Return the score of each meaning, (M,); words without a vector count for nothing."""
        words = spoken(said)
        at = find(self.words, [word for word, _ in words])
        kept = [(row, sure) for row, (_, sure) in zip(at, words, strict=True) if row >= 0]
        rows = np.array([row for row, _ in kept], np.int64)
        sure = np.array([sure for _, sure in kept], np.float32)[:, None]
        vectors = self.vectors[rows].astype(np.float32) * np.float32(self.scale) * sure
        weight = self.weight[rows][:, None]
        mean = (vectors * weight).sum(0) / max(float(weight.sum()), 1e-6)
        padded = np.pad(vectors, ((1, 1), (0, 0)))
        seen = np.concatenate([padded[at : at + len(rows)] for at in range(REACH)], axis=1)
        windows = np.maximum((seen @ self.windows + self.windows_bias).max(axis=0, initial=0.0), 0.0)
        place = np.zeros(self.places.shape[1], np.float32)
        if procedure in self.procedures:
            place = self.places[self.procedures.index(procedure)]
        hidden = np.maximum(np.concatenate([mean, place, windows]) @ self.hidden + self.hidden_bias, 0.0)
        return np.asarray(hidden @ self.out + self.out_bias, np.float32)


@dataclass(frozen=True)
class SenseModel:
    """Weights per feature and meaning, and the network beside them."""

    meanings: tuple[str, ...]
    features: Hashes
    """`hashed` of the features, sorted, (features,)."""
    weights: npt.NDArray[np.floating] | npt.NDArray[np.int8]
    """(features, meanings), in bytes to be multiplied by `steps`."""
    likeness: Likeness | None
    learned: Hashes
    """`hashed` of the examples it was learned from, see `name_of`, sorted."""
    source: str = ""
    """SHA-256 of the file of all of them, so that it need not be read again; empty where there is none."""
    steps: Floats | float = 1.0
    """What a weight is to be multiplied by, (meanings,) for weights in bytes."""

    def shares(self, said: Said, procedure: str) -> dict[str, float]:
        """Return the probability of each meaning of words said at a procedure."""
        described = list(features_of(said, procedure))
        found = find(self.features, [key for key, _ in described])
        there = found >= 0
        values = np.array([value for _, value in described], np.float32)[there]
        weights = self.weights[found[there]].astype(np.float32)
        scores = values @ weights * self.steps + self._likened(said, procedure)
        return dict(zip(self.meanings, _softmax(scores).tolist(), strict=True))

    def known(self, said: Said) -> float:
        """Return which share of the words, 0..1, some example has; hesitations are no words."""
        stems = [stem for stem, _ in _stems(said)]
        return float((find(self.features, stems) >= 0).mean()) if stems else 0.0

    def _likened(self, said: Said, procedure: str) -> Floats:
        """The network's scores; 0 for meanings that only the shop has."""
        scores = np.zeros(len(self.meanings), np.float32)
        if self.likeness is not None:
            own = self.likeness.scores(said, procedure)
            scores[: len(own)] = own
        return scores


def learn(examples: Sequence[Example], base: SenseModel | None = None) -> SenseModel:
    """Learn the weights of features from examples, on from a model if there is one, whose network stays as it is.

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
        weights[np.searchsorted(features, old), : len(before)] = base.weights * base.steps
        weights[find(features, [""]), len(before) :] = _UNHEARD_OF
    model = SenseModel(
        meanings, features, weights, base.likeness if base is not None else None,
        np.union1d(base.learned if base is not None else old[:0], hashed(map(name_of, examples))),
        "" if base is None else base.source,
    )  # fmt: skip
    rows = [find(features, [key for key, _ in keys]) for keys in described]
    values = [np.array([value for _, value in keys], np.float32) for keys in described]
    beside = [model._likened(surely(words), at) for words, at, _ in examples]
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


def name_of(example: Example) -> str:
    """Return what tells an example from others."""
    words, procedure, meaning = example
    return f"{procedure}|{meaning}|{' '.join(words)}"


def not_learned(model: SenseModel, examples: Sequence[Example]) -> list[Example]:
    """Return the examples that a model does not come from."""
    found = find(model.learned, list(map(name_of, examples)))
    return [example for example, row in zip(examples, found, strict=True) if row < 0]


def hashed(texts: Iterable[str]) -> Hashes:
    """Return a number for each text, in their order: of a hundred thousand no two are likely to be the same."""
    digests = b"".join(hashlib.blake2b(text.encode(), digest_size=8).digest() for text in texts)
    return np.frombuffer(digests, "<u8").astype(np.uint64)


def save(model: SenseModel, path: Path) -> None:
    """Write a model with a network: the weights of features in bytes, the network's as half-precision floats."""
    net = model.likeness
    assert net is not None
    weights = model.weights * np.asarray(model.steps, np.float32)
    steps = np.maximum(np.abs(weights).max(axis=0, initial=0.0), 1e-6).astype(np.float32) / np.float32(127.0)
    arrays: dict[str, Any] = {
        name: np.asarray(getattr(net, name), np.float16)
        for name in ("weight", "places", "windows", "windows_bias", "hidden", "hidden_bias", "out", "out_bias")
    }
    arrays |= {name: getattr(net, name) for name in ("words", "vectors")}
    arrays |= {name: getattr(model, name) for name in ("features", "learned")}
    texts = {"source": model.source, "meanings": model.meanings, "procedures": net.procedures}
    arrays |= {name: np.array(text) for name, text in texts.items()}
    arrays |= {"weights": np.round(weights / steps).astype(np.int8), "steps": steps}
    np.savez(path, scale=np.float64(net.scale), **arrays)


def load(path: Path = SHIPPED) -> SenseModel:
    """Read what `save` wrote. Raises UserError where that is not what it is."""
    try:
        with np.load(path, allow_pickle=False) as file:
            data = {name: file[name] for name in file.files}
        meanings = tuple(map(str, data.pop("meanings")))
        features, weights, steps = (data.pop(name) for name in ("features", "weights", "steps"))
        learned, source = data.pop("learned"), str(data.pop("source"))
        full = {k: v.astype(np.float32) if v.dtype == np.float16 else v for k, v in data.items()}
        full |= {"scale": float(data["scale"]), "procedures": tuple(map(str, data["procedures"]))}
        return SenseModel(meanings, features, weights, Likeness(**full), learned, source, steps)
    except (OSError, ValueError, KeyError, TypeError, EOFError, BadZipFile) as error:
        raise UserError(f"{path}: cannot be read ({error}); install fieldassist again") from None


def usual_features(examples: Sequence[Example], least: int) -> Hashes:
    """Return the features, sorted, that so many examples have."""
    seen = Counter(key for words, at, _ in examples for key, _ in features_of(surely(words), at))
    return np.sort(hashed(key for key, count in seen.items() if count >= least))


def find(table: Hashes, texts: Sequence[str]) -> npt.NDArray[np.int64]:
    """Return the row of each text in a sorted table, -1 for one that is not there."""
    if not len(table):
        return np.full(len(texts), -1)
    wanted = hashed(texts)
    rows = np.minimum(np.searchsorted(table, wanted), len(table) - 1)
    return np.where(table[rows] == wanted, rows, -1)


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

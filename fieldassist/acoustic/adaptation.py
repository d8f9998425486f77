"""One speaker's few minutes of speech move the network a little towards that voice; numpy alone.

What is learned is small against the network and is folded into its matrices, so that the adapted model is a model
like any other: an affine transform of the features (as fMLLR has it: Gales, "Maximum likelihood linear
transformations for HMM-based speech recognition", Computer Speech & Language 1998), a factor for every rectifier
(Swietojanski, Li, Renals, "Learning hidden unit contributions", IEEE/ACM TASLP 2016), and a factor and an offset
for every output. The objective is that of training, maximum mutual information of words and scores (the phones
of the sentence against a loop of any phones), with a pull that keeps the outputs near those of the network as it
was (Yu et al., "KL-divergence regularized deep neural network adaptation", ICASSP 2013).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fieldassist.acoustic.features import BINS
from fieldassist.acoustic.layers import BYPASS, SUBSAMPLING, Layer, Matrix, Network, spliced
from fieldassist.acoustic.states import Sentence
from fieldassist.words.phones import PHONES, STATES

Floats = npt.NDArray[np.float64]

PASSES = 4
"""Times that every utterance is gone through; more raised the objective and not the hits on other utterances."""
_RATE = 1e-3
_DECAY = 1e-2
_PULL = 1.0
"""Weight of staying near the outputs of the network as it was. Without it the speaker's own errors fell further,
but those of other speakers rose by a sixth."""
_NEVER = -1e30


@dataclass(frozen=True)
class Utterance:
    """What somebody said, and its words."""

    features: Matrix
    """(frames, BINS) cepstra"""
    sentence: Sentence


@dataclass(frozen=True)
class Change:
    """What is learned; all zeros change nothing."""

    mean: Matrix
    spread: Matrix
    """(BINS,) each, of the speaker's features: the unit in which the transform is learned."""
    turn: Matrix
    """(BINS, BINS)"""
    shift: Matrix
    """(BINS,)"""
    output_shift: Matrix
    output_gain: Matrix
    """(STATES,) each; gains are logarithms"""
    gains: tuple[Matrix, ...]
    """Logarithm of the factor of each rectifier, layer by layer."""

    @property
    def learned(self) -> tuple[Matrix, ...]:
        return (self.turn, self.shift, self.output_shift, self.output_gain, *self.gains)

    def scaled(self, share: float) -> Change:
        """So much of the change."""
        turn, shift, output_shift, output_gain, *gains = (_single(part * share) for part in self.learned)
        return Change(self.mean, self.spread, turn, shift, output_shift, output_gain, tuple(gains))


def changed(network: Network, change: Change) -> Network:
    """The network with the change folded into its matrices."""
    linear = change.spread[:, None] * change.turn / change.spread[None, :]
    offset = change.spread * change.shift - linear @ change.mean
    layers = []
    for number, (layer, gain) in enumerate(zip(network.layers, change.gains, strict=True)):
        weight, bias = layer.weight, layer.bias
        if number == 0:
            blocks = np.split(weight, len(layer.offsets), axis=1)
            weight = np.concatenate([block + block @ linear for block in blocks], axis=1)
            bias = bias + sum(block @ offset for block in blocks)
        factor = np.exp(gain)
        layers.append(_with(layer, weight * factor[:, None], bias * factor))
    factor = np.exp(change.output_gain)
    return Network(
        tuple(layers), _single(network.output_weight * factor[:, None]),
        _single(network.output_bias * factor + change.output_shift),
    )  # fmt: skip


def learn(network: Network, utterances: Sequence[Utterance], seed: int = 0) -> Change:
    """Learn the change that an amount of speech asks for. Utterances too short for their words teach nothing."""
    frames = np.concatenate([utterance.features for utterance in utterances])
    spread = np.maximum(frames.std(axis=0), 1e-3)
    width = [len(layer.bias) for layer in network.layers]
    change = Change(
        frames.mean(axis=0), spread, np.zeros((BINS, BINS), np.float32), np.zeros(BINS, np.float32),
        np.zeros(STATES, np.float32), np.zeros(STATES, np.float32), tuple(np.zeros(w, np.float32) for w in width),
    )  # fmt: skip
    phones = phone_shares([utterance.sentence for utterance in utterances])
    before = [_softmax(_Pass(network, change, utterance.features).scores) for utterance in utterances]
    steps = _Steps(change.learned)
    rng = np.random.default_rng(seed)
    for _ in range(PASSES):
        for index in rng.permutation(len(utterances)):
            run = _Pass(network, change, utterances[index].features)
            likelihood, wanted = occupancies(run.scores, utterances[index].sentence)
            if likelihood < _NEVER / 2:
                continue
            _, anyhow = loop_occupancies(run.scores, phones)
            rise = wanted - anyhow + _PULL * (before[index] - _softmax(run.scores))
            steps.take(run.gradients(np.asarray(-rise / len(rise), np.float32)))
    return change


def fit(network: Network, utterances: Sequence[Utterance]) -> float:
    """How much likelier the scores make the words than any phones, nats per output; higher is better."""
    phones = phone_shares([utterance.sentence for utterance in utterances])
    total, count = 0.0, 0
    for utterance in utterances:
        scores = network.scores(utterance.features)
        likelihood, _ = occupancies(scores, utterance.sentence)
        if likelihood > _NEVER / 2:
            total += likelihood - loop_occupancies(scores, phones)[0]
            count += len(scores)
    return total / max(1, count)


def phone_shares(sentences: Sequence[Sentence]) -> Floats:
    """How often each phone (silence first) stands in sentences, one added to each count."""
    counts = Counter(int(phone) for sentence in sentences for phone in sentence.phone)
    shares = np.array([counts[phone] + 1.0 for phone in range(len(PHONES) + 1)])
    return np.asarray(shares / shares.sum())


def occupancies(scores: Matrix, sentence: Sentence) -> tuple[float, Floats]:
    """Log likelihood and occupancies (outputs, STATES) of a sentence; -1e30 where it is too long for the clip."""
    phone = sentence.phone
    before, behind = sentence.ways
    count, size = len(scores), len(phone)
    enter = scores[:, 2 * phone].astype(np.float64)
    stay = scores[:, 2 * phone + 1].astype(np.float64)
    first, last = np.full(size, _NEVER), np.full(size, _NEVER)
    first[list(sentence.first)] = 0.0
    last[list(sentence.last)] = 0.0
    entered, being = np.full((count, size), _NEVER), np.full((count, size), _NEVER)
    entered[0], being[0] = first, first + enter[0]
    for t in range(1, count):
        entered[t] = _summed(being[t - 1], before)
        being[t] = np.logaddexp(entered[t] + enter[t], being[t - 1] + stay[t])
    likelihood = float(np.logaddexp.reduce(being[-1] + last))
    out = np.zeros((count, STATES))
    if likelihood < _NEVER / 2:
        return _NEVER, out
    ahead = last
    for t in range(count - 1, -1, -1):
        into, held = enter[t] + ahead, stay[t] + ahead
        np.add.at(out[t], 2 * phone, np.exp(np.minimum(0.0, entered[t] + into - likelihood)))
        if t:
            np.add.at(out[t], 2 * phone + 1, np.exp(np.minimum(0.0, being[t - 1] + held - likelihood)))
            ahead = np.logaddexp(_summed(into, behind), held)
    return likelihood, out


def loop_occupancies(scores: Matrix, phones: Floats) -> tuple[float, Floats]:
    """Log likelihood and occupancies (outputs, STATES) of any phones after each other, each as likely as it is."""
    count = len(scores)
    top = scores.max(axis=1, keepdims=True)
    chances = np.exp((scores - top).astype(np.float64))
    enter, stay = chances[:, 0::2] * phones, chances[:, 1::2]
    being = np.zeros_like(enter)
    norms = np.zeros(count)
    for t in range(count):
        now = enter[t] + (being[t - 1] * stay[t] if t else 0.0)
        norms[t] = now.sum()
        being[t] = now / norms[t]
    out = np.zeros((count, STATES))
    ahead = np.ones(len(phones))
    for t in range(count - 1, -1, -1):
        into, held = enter[t] * ahead / norms[t], stay[t] * ahead / norms[t]
        out[t, 0::2] = into
        if t:
            out[t, 1::2] = being[t - 1] * held
            ahead = into.sum() + held
    return float(np.log(norms).sum() + top.sum()), out


class _Pass:
    """One clip through the network with a change, and back."""

    def __init__(self, network: Network, change: Change, features: Matrix) -> None:
        self._network, self._change = network, change
        context = network.context
        count = -(-len(features) // SUBSAMPLING)
        extra = max(0, (count - 1) * SUBSAMPLING + 1 - len(features))
        self._normal = (features - change.mean) / change.spread
        moved = features + change.spread * (self._normal @ change.turn.T + change.shift)
        frames = _single(np.pad(moved, ((context, context + extra), (0, 0)), mode="edge"))
        self._tape: list[tuple[int, int, list[int], int, Matrix]] = []
        step = 1
        for layer, gain in zip(network.layers, change.gains, strict=True):
            reach = max(layer.offsets)
            stride = SUBSAMPLING if layer.narrow is not None and reach < SUBSAMPLING else 1
            if layer.narrow is None:
                places, middle = [o // step for o in layer.offsets], 0
                given = spliced(frames, places, 1)
            else:
                places = [0, reach // step]
                narrow = spliced(frames, places, 1) @ layer.narrow.T
                middle, given = len(narrow), spliced(_single(narrow), places, stride)
            rectified = _single(np.maximum(given @ layer.weight.T + layer.bias, 0.0))
            out = _single(rectified * np.exp(gain))
            if layer.bypass:
                out += BYPASS * frames[places[1] :][: len(out) * stride : stride]
            self._tape.append((len(frames), middle, places, stride, rectified))
            frames = out
            step *= stride
        self._length = len(frames)
        self._plain = frames[:count] @ network.output_weight.T + network.output_bias
        self.scores: Matrix = self._plain * np.exp(change.output_gain) + change.output_shift

    def gradients(self, above: Matrix) -> list[Matrix]:
        """Gradients of what is learned, in the order of `Change.learned`, from that of the scores."""
        network, change = self._network, self._change
        scaled = above * np.exp(change.output_gain)
        flow = np.zeros((self._length, network.output_weight.shape[1]), np.float32)
        flow[: len(scaled)] = scaled @ network.output_weight
        gains: list[Matrix] = []
        for layer, gain, (length, middle, places, stride, rectified) in zip(
            network.layers[::-1], change.gains[::-1], self._tape[::-1], strict=True
        ):
            factor = np.exp(gain)
            gains.append((flow * rectified).sum(axis=0) * factor)
            back = (flow * factor * (rectified > 0)) @ layer.weight
            if layer.narrow is None:
                below = _unspliced(back, places, 1, length)
            else:
                below = _unspliced(_unspliced(back, places, stride, middle) @ layer.narrow, places, 1, length)
            if layer.bypass:
                below[places[1] :][: len(flow) * stride : stride] += BYPASS * flow
            flow = below
        context, count = network.context, len(self._normal)
        frames = flow[context : context + count].copy()
        frames[0] += flow[:context].sum(axis=0)  # the ends were repeated
        frames[-1] += flow[context + count :].sum(axis=0)
        frames *= change.spread
        return [frames.T @ self._normal, frames.sum(axis=0), above.sum(axis=0), (scaled * self._plain).sum(axis=0),
                *gains[::-1]]  # fmt: skip


class _Steps:
    """Adam (Kingma, Ba, ICLR 2015) with a decay towards nothing learned; moves the arrays in place."""

    def __init__(self, values: Sequence[Matrix]) -> None:
        self._values = values
        self._mean = [np.zeros_like(value) for value in values]
        self._square = [np.zeros_like(value) for value in values]
        self._count = 0

    def take(self, gradients: Sequence[Matrix]) -> None:
        self._count += 1
        for value, mean, square, gradient in zip(self._values, self._mean, self._square, gradients, strict=True):
            gradient = gradient + _DECAY * value
            mean += 0.1 * (gradient - mean)
            square += 0.01 * (np.square(gradient) - square)
            root = np.sqrt(square / (1 - 0.99**self._count)) + 1e-8
            value -= _RATE * mean / (1 - 0.9**self._count) / root


def _single(values: npt.NDArray[np.floating]) -> Matrix:
    return np.asarray(values, np.float32)


def _with(layer: Layer, weight: Matrix, bias: Matrix) -> Layer:
    return replace(layer, weight=_single(weight), bias=_single(bias))


def _softmax(scores: Matrix) -> Matrix:
    chances = np.exp(scores - scores.max(axis=1, keepdims=True))
    return np.asarray(chances / chances.sum(axis=1, keepdims=True))


def _summed(values: Floats, places: npt.NDArray[np.int64]) -> Floats:
    """Logarithm of the sums over the places of each row; -1 stands for nothing."""
    there = np.append(values, _NEVER)[places]
    top = there.max(axis=1)
    return np.asarray(top + np.log(np.exp(there - top[:, None]).sum(axis=1)))


def _unspliced(gradient: Matrix, offsets: Sequence[int], stride: int, length: int) -> Matrix:
    """The reverse of `layers.spliced` for gradients."""
    low, high = min(offsets), max(offsets)
    count, width = length - (high - low), gradient.shape[1] // len(offsets)
    out = np.zeros((length, width), np.float32)
    for number, o in enumerate(offsets):
        out[o - low : o - low + count : stride] += gradient[:, number * width : (number + 1) * width]
    return out

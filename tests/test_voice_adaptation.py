"""Adapting the network to a voice: gradients, occupancies and what is folded into the matrices."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from fieldassist.acoustic.adaptation import (
    Utterance,
    _Pass,
    changed,
    fit,
    learn,
    loop_occupancies,
    occupancies,
)
from fieldassist.acoustic.features import BINS
from fieldassist.acoustic.layers import Layer, Network
from fieldassist.acoustic.states import sentence
from fieldassist.words.phones import STATES


def _network(seed: int, width: int = 24, narrow: int = 6) -> Network:
    rng = np.random.default_rng(seed)

    def matrix(rows: int, columns: int, scale: float = 1.0) -> np.ndarray:
        return (rng.standard_normal((rows, columns)) * scale / np.sqrt(columns)).astype(np.float32)

    layers = [Layer((-2, -1, 0, 1, 2), matrix(width, 5 * BINS, 0.1), matrix(1, width)[0])]
    layers += [
        Layer((-r, 0, r), matrix(width, 2 * narrow), matrix(1, width)[0], matrix(narrow, 2 * width), True)
        for r in (1, 3, 6)
    ]
    return Network(tuple(layers), matrix(STATES, width, 2.0), matrix(1, STATES)[0])


def _utterances(count: int = 3) -> list[Utterance]:
    rng = np.random.default_rng(5)
    return [
        Utterance((8 * rng.standard_normal((70 + 7 * n, BINS))).astype(np.float32), sentence(["no", "leaks"]))
        for n in range(count)
    ]


def test_a_learned_change_is_the_same_inside_the_pass_and_folded_in() -> None:
    network, utterances = _network(0), _utterances()
    change = learn(network, utterances)
    scores = _Pass(network, change, utterances[1].features).scores
    assert np.abs(scores - network.scores(utterances[1].features)).max() > 1e-2
    assert changed(network, change).scores(utterances[1].features) == pytest.approx(scores, abs=2e-4)
    assert changed(network, change.scaled(0.0)).scores(utterances[1].features) == pytest.approx(
        network.scores(utterances[1].features), abs=2e-4
    )


def test_learning_makes_the_words_likelier() -> None:
    network, utterances = _network(1), _utterances()
    assert fit(changed(network, learn(network, utterances)), utterances) > fit(network, utterances) + 0.01


def test_gradients_are_those_of_finite_differences() -> None:
    network, (utterance, *_) = _network(2), _utterances()
    change = learn(network, [utterance])
    above = np.random.default_rng(0).standard_normal((len(network.scores(utterance.features)), STATES))
    found = _Pass(network, change, utterance.features).gradients(above.astype(np.float32))
    rng = np.random.default_rng(1)
    for values, gradient in zip(change.learned, found, strict=True):
        direction = rng.standard_normal(values.shape).astype(np.float32)
        sums = []
        for side in (2e-4, -4e-4):
            values += np.float32(side) * direction
            sums.append(float((_Pass(network, change, utterance.features).scores * above).sum()))
        values += np.float32(2e-4) * direction
        # Rectifiers have corners, so a finite step is a little off.
        assert (sums[0] - sums[1]) / 4e-4 == pytest.approx(float((gradient * direction).sum()), rel=0.05, abs=4.0)


def test_occupancies_of_a_sentence_are_those_of_all_its_paths() -> None:
    """Against a sum over every path, written out."""
    scores = np.random.default_rng(3).standard_normal((5, STATES)).astype(np.float32)
    item = sentence(["no"])
    size, total, counts = len(item.phone), 0.0, np.zeros((5, STATES))
    for path in product(range(size), repeat=5):
        if path[0] not in item.first or path[-1] not in item.last:
            continue
        if any(a != b and a not in item.before[b] for a, b in zip(path, path[1:], strict=False)):
            continue
        places = [2 * item.phone[s] + (t > 0 and path[t - 1] == s) for t, s in enumerate(path)]
        chance = np.exp(sum(float(scores[t, place]) for t, place in enumerate(places)))
        total += chance
        for t, place in enumerate(places):
            counts[t, place] += chance
    likelihood, found = occupancies(scores, item)
    assert likelihood == pytest.approx(np.log(total))
    assert found == pytest.approx(counts / total, abs=1e-9)


def test_occupancies_of_any_phones_are_the_gradient_of_their_likelihood() -> None:
    scores = np.random.default_rng(4).standard_normal((6, STATES)).astype(np.float32)
    phones = np.full(STATES // 2, 2 / STATES)
    likelihood, found = loop_occupancies(scores, phones)
    assert found.sum(axis=1) == pytest.approx(np.ones(6))
    for t, place in ((0, 4), (2, 7), (5, 0)):
        bent = scores.copy()
        bent[t, place] += 1e-2
        rise = (loop_occupancies(bent, phones)[0] - likelihood) / 1e-2
        assert rise == pytest.approx(found[t, place], abs=2e-3)


def test_a_clip_too_short_for_its_words_teaches_nothing() -> None:
    network = _network(0)
    short = Utterance(np.ones((6, BINS), np.float32), sentence(["twenty", "seven", "hundred"]))
    change = learn(network, [short])
    assert all(not part.any() for part in change.learned)

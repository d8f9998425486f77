"""Learning what words speak for: what is learned of a word holds for words like it."""

from __future__ import annotations

import numpy as np
import pytest

torch = pytest.importorskip("torch")

from fieldassist.acoustic import senses  # noqa: E402
from fieldassist.phrases.sense import not_learned  # noqa: E402

LIKE = {"bang": "wallop", "glide": "float", "whine": "howl", "drip": "weep"}
MEANS = {"bang": "harsh", "glide": "normal", "whine": "noise", "drip": "leak"}
ROUND = ("it", "was", "quite", "now", "here", "there", "then", "again")


def vectors(words):
    """Vectors drawn at random; the words of a pair lie near each other."""
    random = np.random.default_rng(1)
    drawn = {word: random.normal(size=32) for word in sorted({*ROUND, *LIKE, "not"})}
    near = {other: drawn[word] + 0.05 * random.normal(size=32) for word, other in LIKE.items()}
    return np.array([{**drawn, **near}[word] for word in words], np.float32)


def sentence(random, word, denied):
    before, after = random.choice(ROUND, 2), random.choice(ROUND, 2)
    return [*before, *(["not"] if denied else []), word, *after]


def test_words_that_are_like_others_mean_the_same(monkeypatch):
    monkeypatch.setattr(senses, "word_vectors", vectors)
    monkeypatch.setattr(senses, "_LENGTH", 32)
    random = np.random.default_rng(2)
    examples = []
    for _ in range(800):
        word, denied = random.choice(list(LIKE)), random.random() < 0.4
        means = f"no {MEANS[word]}" if denied else MEANS[word]
        examples.append((sentence(random, word, denied), "upshift", means))
    model = senses.train(examples, LIKE.values())
    assert not_learned(model, examples) == []
    right = []
    for _ in range(200):
        word, denied = random.choice(list(LIKE)), random.random() < 0.4
        shares = model.shares([(w, 1.0) for w in sentence(random, LIKE[word], denied)], "upshift")
        right.append(max(shares, key=shares.get) == (f"no {MEANS[word]}" if denied else MEANS[word]))
    assert np.mean(right) > 0.9  # by chance: one in eight


def test_commands_are_learned_with_talk_beside_them():
    skip, lunch, bus = ["skip", "it"], ["where", "is", "lunch"], ["that", "bus", "again"]
    examples = [
        (skip, "upshift", "command skip"), (lunch, "upshift", "talk"), (bus, "cruise", "talk"),
        (skip, "stall", "command skip"), (["it", "slips"], "upshift", "slip"),
    ]  # fmt: skip
    ((said, at, meaning),) = senses.surrounded(examples)  # at the stall nothing else is said
    assert (at, meaning) == ("upshift", "command skip") and said in ([*skip, *lunch], [*lunch, *skip])

"""The shipped model of what words speak for: it is that of the shipped examples, and what its network computes.

What a phrase of the trade means is common practice, no source.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import correlate

from fieldassist.errors import UserError
from fieldassist.phrases.matcher import example
from fieldassist.phrases.sense import SHIPPED, Likeness, hashed, load, not_learned, save
from fieldassist.phrases.wordings import FILE, read_wordings
from fieldassist.resources import shipped

MODEL = load()
EXAMPLES = [example(each) for each in read_wordings(shipped("grammars") / FILE)]


def test_it_was_learned_from_the_shipped_examples() -> None:
    """Whoever changes the examples learns anew: `python -m fieldassist.acoustic senses`."""
    assert not_learned(MODEL, EXAMPLES) == []
    assert MODEL.source == hashlib.sha256((shipped("grammars") / FILE).read_bytes()).hexdigest()
    assert len(MODEL.learned) == len({(" ".join(words), at, means) for words, at, means in EXAMPLES})


def test_it_knows_its_own_examples() -> None:
    """A sanity check and no measure of what it understands: these it has seen."""
    some = EXAMPLES[:: len(EXAMPLES) // 400]
    found = [MODEL.shares([(word, 1.0) for word in words], at) for words, at, _ in some]
    right = [max(each, key=lambda m: each[m]) == means for each, (_, _, means) in zip(found, some, strict=True)]
    assert np.mean(right) > 0.9


def small() -> Likeness:
    random = np.random.default_rng(5)
    words = ["bang", "calm", "drop", "grip"]
    drawn = lambda *shape: random.normal(size=shape).astype(np.float32)  # noqa: E731
    order = np.argsort(hashed(words))
    return Likeness(
        hashed(words)[order], random.integers(-127, 128, (4, 5)).astype(np.int8), 0.02,
        np.abs(drawn(4)), ("hold", "upshift"), drawn(2, 3), drawn(15, 6), drawn(6), drawn(14, 7), drawn(7),
        drawn(7, 4), drawn(4),
    )  # fmt: skip


@pytest.mark.parametrize("words", [("bang", "drop", "grip", "calm", "drop"), ("calm",), ("zebra", "grip"), ()])
def test_the_network_computes_what_its_description_says(words: tuple[str, ...]) -> None:
    """The convolution against SciPy's correlation over the padded sentence, and the rest written out."""
    net = small()
    row = {int(number): at for at, number in enumerate(net.words)}
    rows = [row[int(hashed([word])[0])] for word in words if int(hashed([word])[0]) in row]
    vectors = net.vectors[rows].astype(np.float64).reshape(-1, 5) * net.scale
    kernels = net.windows.reshape(3, 5, 6).astype(np.float64)
    peaks = np.zeros(6)
    if rows:
        padded = np.pad(vectors, ((1, 1), (0, 0)))
        for k in range(6):
            seen = correlate(padded, kernels[:, :, k], mode="valid")[:, 0] + net.windows_bias[k]
            peaks[k] = max(0.0, seen.max())
    weight = net.weight[rows].astype(np.float64)
    mean = weight @ vectors / weight.sum() if rows else np.zeros(5)
    hidden = np.maximum(np.concatenate([mean, net.places[1], peaks]) @ net.hidden + net.hidden_bias, 0)
    wanted = hidden @ net.out + net.out_bias
    assert net.scores([(word, 1.0) for word in words], "upshift") == pytest.approx(wanted, abs=1e-4)
    assert net.scores([*((w, 1.0) for w in words), ("uh", 1.0), ("[unk]", 1.0)], "upshift") == pytest.approx(
        wanted, abs=1e-4
    )


def test_words_alike_are_understood_alike() -> None:
    """Of words that stand in no example by themselves with this meaning, by what they are like."""
    for said, wanted in (("quivering all over", "shudder"), ("a nasty jolt", "harsh")):
        shares = MODEL.shares([(word, 1.0) for word in said.split()], "upshift")
        assert max(shares, key=lambda each: shares[each]) == wanted


def test_it_is_read_as_it_was_written(tmp_path: Path) -> None:
    save(MODEL, tmp_path / "again.npz")
    again = load(tmp_path / "again.npz")
    said = [("slips", 0.8), ("badly", 1.0)]
    assert again.meanings == MODEL.meanings
    assert again.shares(said, "hold") == pytest.approx(MODEL.shares(said, "hold"), abs=1e-3)


def test_weights_in_bytes_are_right_to_half_a_step(tmp_path: Path) -> None:
    drawn = np.random.default_rng(2).normal(size=MODEL.weights.shape).astype(np.float32)
    drawn[:, 3] = 0.0
    save(replace(MODEL, weights=drawn, steps=1.0), tmp_path / "drawn.npz")
    again = load(tmp_path / "drawn.npz")
    assert again.weights.dtype == np.int8
    off = np.abs(again.weights * again.steps - drawn)
    assert np.all(off <= 0.5001 * np.abs(drawn).max(axis=0) / 127 + 1e-6)


@pytest.mark.parametrize("cut", [0, 40, 2000])
def test_a_broken_file_is_one_line(cut: int, tmp_path: Path) -> None:
    path = tmp_path / "sense.npz"
    path.write_bytes(SHIPPED.read_bytes()[:cut])
    with pytest.raises(UserError, match=r"sense\.npz: cannot be read .*install fieldassist again"):
        load(path)
    with pytest.raises(UserError, match="cannot be read"):
        load(tmp_path / "none.npz")

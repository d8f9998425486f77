"""The shipped model of what words speak for: it is that of the shipped examples, and knows more than their words.

What a phrase of the trade means is common practice, no source.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fieldassist.errors import UserError
from fieldassist.phrases.matcher import example
from fieldassist.phrases.sense import SHIPPED, load, not_learned, save, surely
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
    found = [MODEL.shares([surely(words)], at)[0] for words, at, _ in some]
    right = [max(each, key=lambda m: each[m]) == means for each, (_, _, means) in zip(found, some, strict=True)]
    assert np.mean(right) > 0.9


def test_words_alike_are_understood_alike() -> None:
    """Of words that stand in no example by themselves with this meaning, by what they are like."""
    for said, wanted in (("quivering all over", "shudder"), ("a nasty jolt", "harsh")):
        (shares,) = MODEL.shares([surely(said.split())], "upshift")
        assert max(shares, key=lambda each: shares[each]) == wanted


def test_it_is_read_as_it_was_written(tmp_path: Path) -> None:
    save(MODEL, tmp_path / "again.npz")
    again = load(tmp_path / "again.npz")
    said = [("slips", 0.8), ("badly", 1.0)]
    assert again.meanings == MODEL.meanings
    assert again.shares([said], "hold")[0] == pytest.approx(MODEL.shares([said], "hold")[0], abs=1e-3)


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

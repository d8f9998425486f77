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
from fieldassist.phrases.file_rows import FileRows, open_rows
from fieldassist.phrases.matcher import example
from fieldassist.phrases.sense import SHIPPED, load, not_learned, save, surely
from fieldassist.phrases.wordings import FILE, read_wordings
from fieldassist.resources import shipped

ROWS = SHIPPED.with_suffix(".npy")
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
    assert isinstance(again.weights, FileRows)
    off = np.abs(np.asarray(again.weights) * again.steps - drawn)
    assert np.all(off <= 0.5001 * np.abs(drawn).max(axis=0) / 127 + 1e-6)


def test_rows_are_read_as_numpy_reads_them(tmp_path: Path) -> None:
    drawn = np.random.default_rng(5).integers(-128, 128, (300, 17)).astype(np.int8)
    np.save(tmp_path / "drawn.npy", drawn)
    kept = open_rows(tmp_path / "drawn.npy")
    wanted = np.array([299, 0, 17, 17, 120])
    assert np.array_equal(kept[wanted], drawn[wanted]) and kept[wanted[:0]].shape == (0, 17)
    assert np.array_equal(np.asarray(kept), drawn) and kept.shape == drawn.shape


def test_a_file_that_is_gone_or_cut_short_meanwhile_is_one_line(tmp_path: Path) -> None:
    np.save(tmp_path / "drawn.npy", np.ones((40, 5), np.int8))
    kept = open_rows(tmp_path / "drawn.npy")
    whole = kept.path.read_bytes()
    kept.path.write_bytes(whole[:-7])
    assert kept[np.array([37])].tolist() == [[1] * 5]
    with pytest.raises(UserError, match=r"drawn\.npy: cannot be read .*install fieldassist again"):
        kept[np.array([3, 38])]
    kept.path.unlink()
    with pytest.raises(UserError, match=r"drawn\.npy: cannot be read"):
        kept[np.array([3])]


@pytest.mark.parametrize("other", [np.ones((4, 3)), np.ones(12, np.int8), np.ones((3, 4), np.int8).T])
def test_only_rows_of_bytes_are_opened(other: np.ndarray, tmp_path: Path) -> None:
    np.save(tmp_path / "other.npy", other)
    with pytest.raises(UserError, match=r"other\.npy: cannot be read \(no matrix in bytes"):
        open_rows(tmp_path / "other.npy")


@pytest.mark.parametrize("name", [SHIPPED.name, ROWS.name])
@pytest.mark.parametrize("cut", [0, 40, 2000])
def test_a_broken_file_is_one_line(name: str, cut: int, tmp_path: Path) -> None:
    for path in (SHIPPED, ROWS):
        (tmp_path / path.name).write_bytes(path.read_bytes()[: cut if path.name == name else None])
    with pytest.raises(UserError, match=rf"{name}: cannot be read .*install fieldassist again"):
        load(tmp_path / SHIPPED.name)
    (tmp_path / name).unlink()
    with pytest.raises(UserError, match=rf"{name}: cannot be read"):
        load(tmp_path / SHIPPED.name)


def test_weights_of_another_model_are_told(tmp_path: Path) -> None:
    (tmp_path / SHIPPED.name).write_bytes(SHIPPED.read_bytes())
    np.save(tmp_path / ROWS.name, np.ones((40, len(MODEL.meanings)), np.int8))
    with pytest.raises(UserError, match=r"sense\.npz: cannot be read \(sense\.npy is of another model\)"):
        load(tmp_path / SHIPPED.name)

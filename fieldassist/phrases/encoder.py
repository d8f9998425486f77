"""What a whole utterance speaks for: a small transformer that has read English and then our examples.

An encoder of the kind of BERT (J. Devlin et al., NAACL 2019; A. Vaswani et al., "Attention Is All You Need", NIPS
2017), cut down from MiniLM (W. Wang et al., NeurIPS 2020) by `python -m fieldassist.acoustic encoder` and shipped
in `encoder.npz`. It knows words that no example has. One that was hardly heard is taken part for part for a hidden
one, as the encoder learned to read over such. It also tells of words how likely somebody said just these, by which
an engine's readings are told apart (L. Xu et al., "RescoreBERT", ICASSP 2022, has the same of a network as large
as BERT). Weights lie in bytes and become floats a matrix at a time while they are used.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fieldassist.phrases.file_rows import BROKEN, unreadable
from fieldassist.phrases.hashing import Hashes, find
from fieldassist.phrases.search import HESITATIONS, UNKNOWN, Floats

SHIPPED = Path(__file__).resolve().parent / "encoder.npz"
BEGIN, BETWEEN, HIDDEN = "[CLS]", "[SEP]", "[MASK]"
"""Pieces that are no words; the last stands for what was not understood."""
LONGEST = 48
"""Pieces of an utterance, with the procedure before it, that are read."""
HEADS = 12
_AT_ONCE, _ROUND = 160, 5
"""Words, and what stands round each utterance, that are read together: 16 readings of 30 words each would take
14 MB for a moment."""
_SMALL = 1e-12

Said = Sequence[tuple[str, float]]
"""Words with the confidence that they were heard, 0..1."""


@dataclass(frozen=True)
class Rounded:
    """A matrix in bytes."""

    numbers: npt.NDArray[np.int8]
    """(rows, columns)."""
    steps: Floats
    """What the numbers of each row are to be multiplied by, (rows,)."""

    def times(self, states: Floats) -> Floats:
        """Return the products of the matrix with vectors, (..., columns) to (..., rows)."""
        return np.asarray(states @ self.numbers.astype(np.float32).T * self.steps, np.float32)


@dataclass(frozen=True)
class Layer:
    """Attention over all pieces, then a network over each. W: width, I: inner width."""

    asked: Rounded
    """(3 W, W): queries, keys and values."""
    asked_bias: Floats
    joined: Rounded
    """(W, W)."""
    joined_bias: Floats
    inner: Rounded
    """(I, W)."""
    inner_bias: Floats
    outer: Rounded
    """(W, I)."""
    outer_bias: Floats
    gains: Floats
    """(2, W), as the next: of the normalisations after attention and after the network."""
    shifts: Floats


@dataclass(frozen=True)
class Encoder:
    """The network. E: length of a piece's vector, W: width, M: meanings."""

    meanings: tuple[str, ...]
    pieces: Hashes
    """`hashed` of the pieces of words, sorted, (pieces,); those that go on a word begin with ##."""
    vectors: Rounded
    """(pieces, E)."""
    widen: Rounded
    """(W, E)."""
    widen_bias: Floats
    positions: Floats
    """(LONGEST, W)."""
    gain: Floats
    shift: Floats
    layers: tuple[Layer, ...]
    out: Floats
    """(M, W)."""
    out_bias: Floats
    fit: Floats
    """(W,); times the state of each piece, in sum: how likely it is that these were the words."""
    fit_bias: Floats
    """(1,), for each piece."""

    def scores(self, utterances: Sequence[Said], procedure: str) -> Floats:
        """Return the score of each meaning for each utterance at a procedure, (utterances, M)."""
        out = [np.zeros((0, len(self.meanings)), np.float32)]
        for state, there in self._read(utterances, procedure):
            mean = (state * there[..., None]).sum(1) / there.sum(1, keepdims=True)
            out.append(np.asarray(mean @ self.out.T + self.out_bias, np.float32))
        return np.concatenate(out)

    def likeness(self, readings: Sequence[Said], procedure: str) -> Floats:
        """Return how likely each of some readings of one utterance is what was said at a procedure, in nats up to
        a constant, (readings,)."""
        out = [np.zeros(0, np.float32)]
        for state, there in self._read(readings, procedure):
            out.append(np.asarray(((state @ self.fit + self.fit_bias) * there).sum(1), np.float32))
        return np.concatenate(out)

    def _read(
        self, utterances: Sequence[Said], procedure: str
    ) -> Iterator[tuple[Floats, npt.NDArray[np.bool_]]]:
        """The states of the pieces of utterances, (some utterances, longest, W), and which there are."""
        known: dict[str, list[int]] = {}
        longest = max((len(said) for said in utterances), default=1) + _ROUND
        some = max(1, _AT_ONCE // longest)
        for begin in range(0, len(utterances), some):
            yield self._read_together(utterances[begin : begin + some], procedure, known)

    def _read_together(
        self, utterances: Sequence[Said], procedure: str, known: dict[str, list[int]]
    ) -> tuple[Floats, npt.NDArray[np.bool_]]:
        rows, sure = self._laid_out(utterances, procedure, known)
        hidden = self._vector(self._rows_of(HIDDEN, known))
        there = rows >= 0
        given = self._vector(np.maximum(rows, 0))
        doubt = (1.0 - sure)[..., None]
        state = self.widen.times(given * (1.0 - doubt) + hidden * doubt) + self.widen_bias
        state = _normal(state + self.positions[: rows.shape[1]], self.gain, self.shift)
        unseen = np.where(there, 0.0, -1e9).astype(np.float32)[:, None, None, :]
        for layer in self.layers:
            state = _passed(state, layer, unseen)
        return state, there

    def _laid_out(
        self, utterances: Sequence[Said], procedure: str, known: dict[str, list[int]]
    ) -> tuple[npt.NDArray[np.int64], Floats]:
        """Rows of the pieces of each utterance and how sure each was heard, (utterances, longest); -1 is none."""
        begin, between = self._rows_of(BEGIN, known), self._rows_of(BETWEEN, known)
        lead = [*begin, *(row for word in procedure.split("_") for row in self._rows_of(word, known)), *between]
        lines: list[list[tuple[int, float]]] = []
        for said in utterances:
            line = [(row, 1.0) for row in lead]
            for word, sure in said:
                if word not in HESITATIONS:
                    line += [(row, sure) for row in self._rows_of(HIDDEN if word == UNKNOWN else word, known)]
            lines.append(line)
        return laid_out(lines, between[0])

    def _rows_of(self, word: str, known: dict[str, list[int]]) -> list[int]:
        if word not in known:
            known[word] = [int(row) for row in find(self.pieces, pieces_of(word, self.pieces))]
        return known[word]

    def _vector(self, rows: npt.NDArray[np.int64] | list[int]) -> Floats:
        return np.asarray(self.vectors.numbers[rows] * self.vectors.steps[rows][..., None], np.float32)


def laid_out(lines: Sequence[Sequence[tuple[int, float]]], end: int) -> tuple[npt.NDArray[np.int64], Floats]:
    """Return the rows of utterances' pieces and how surely each was heard, (utterances, longest), each line cut to
    LONGEST with the piece `end` behind it; -1 is none."""
    whole = [[*line[: LONGEST - 1], (end, 1.0)] for line in lines]
    longest = max(map(len, whole))
    rows = np.full((len(whole), longest), -1, np.int64)
    sure = np.ones((len(whole), longest), np.float32)
    for at, line in enumerate(whole):
        rows[at, : len(line)] = [row for row, _ in line]
        sure[at, : len(line)] = [share for _, share in line]
    return rows, sure


def pieces_of(word: str, pieces: Hashes) -> list[str]:
    """Return the longest known pieces that a word is made of, from its beginning on (WordPiece: Y. Wu et al.,
    arXiv:1609.08144, 2016). All single letters are known."""
    if word in (BEGIN, BETWEEN, HIDDEN):
        return [word]
    out = []
    for part in re.findall(r"[a-z]+|'", word):
        at = 0
        while at < len(part):
            ends = range(len(part), at, -1)
            tried = [("##" if at else "") + part[at:end] for end in ends]
            first = int(np.argmax(find(pieces, tried) >= 0))
            out.append(tried[first])
            at = ends[first]
    return out or [HIDDEN]


def _passed(state: Floats, layer: Layer, unseen: Floats) -> Floats:
    count, length, width = state.shape
    asked = layer.asked.times(state) + layer.asked_bias
    parts = asked.reshape(count, length, 3, HEADS, width // HEADS).transpose(2, 0, 3, 1, 4)
    weights = parts[0] @ parts[1].swapaxes(2, 3) / np.float32(math.sqrt(width // HEADS)) + unseen
    weights = np.exp(weights - weights.max(axis=3, keepdims=True))
    weights /= weights.sum(axis=3, keepdims=True)
    seen = (weights @ parts[2]).transpose(0, 2, 1, 3).reshape(count, length, width)
    state = _normal(state + layer.joined.times(seen) + layer.joined_bias, layer.gains[0], layer.shifts[0])
    inner = _gelu(layer.inner.times(state) + layer.inner_bias)
    return _normal(state + layer.outer.times(inner) + layer.outer_bias, layer.gains[1], layer.shifts[1])


def _normal(state: Floats, gain: Floats, shift: Floats) -> Floats:
    """Layer normalisation (J. L. Ba, J. R. Kiros, G. E. Hinton, arXiv:1607.06450, 2016)."""
    centred = state - state.mean(axis=-1, keepdims=True)
    spread = np.sqrt(np.square(centred).mean(axis=-1, keepdims=True) + np.float32(_SMALL))
    return np.asarray(centred / spread * gain + shift, np.float32)


def _gelu(values: Floats) -> Floats:
    """The rectifier of D. Hendrycks and K. Gimpel (arXiv:1606.08415, 2016), in its form with tanh."""
    cubed = values + np.float32(0.044715) * values * values * values
    return np.asarray(np.float32(0.5) * values * (1 + np.tanh(np.float32(math.sqrt(2 / math.pi)) * cubed)))


MATRICES = ("asked", "joined", "inner", "outer")
"""Those of a layer; each has a bias."""
_REST = ("asked_bias", "joined_bias", "inner_bias", "outer_bias", "gains", "shifts")


def rounded(matrix: Floats) -> Rounded:
    """Return a matrix in bytes, each row with a step of its own."""
    steps = np.maximum(np.abs(matrix).max(axis=1), 1e-9).astype(np.float32) / np.float32(127.0)
    return Rounded(np.round(matrix / steps[:, None]).astype(np.int8), steps)


def save(encoder: Encoder, path: Path) -> None:
    """Write an encoder."""
    arrays: dict[str, Any] = {"meanings": np.array(encoder.meanings), "pieces": encoder.pieces}
    for name in ("widen_bias", "positions", "gain", "shift", "out", "out_bias", "fit", "fit_bias"):
        arrays[name] = np.asarray(getattr(encoder, name), np.float16)
    matrices = {"vectors": encoder.vectors, "widen": encoder.widen}
    for number, layer in enumerate(encoder.layers):
        matrices |= {f"{number}.{name}": getattr(layer, name) for name in MATRICES}
        arrays |= {f"{number}.{name}": np.asarray(getattr(layer, name), np.float16) for name in _REST}
    for name, matrix in matrices.items():
        arrays |= {name: matrix.numbers, f"{name} steps": matrix.steps}
    np.savez(path, **arrays)


def load(path: Path = SHIPPED) -> Encoder:
    """Read what `save` wrote. Raises UserError where that is not what it is."""
    try:
        with np.load(path, allow_pickle=False) as file:
            data = {name: file[name] for name in file.files}
        full = {k: v.astype(np.float32) if v.dtype == np.float16 else v for k, v in data.items()}
        count = sum(name.endswith(".gains") for name in full)
        layers = []
        for at in range(count):
            parts: dict[str, Any] = {name: _rounded_in(full, f"{at}.{name}") for name in MATRICES}
            layers.append(Layer(**parts, **{name: full[f"{at}.{name}"] for name in _REST}))
        return Encoder(
            tuple(map(str, data["meanings"])), data["pieces"], _rounded_in(full, "vectors"),
            _rounded_in(full, "widen"), full["widen_bias"], full["positions"], full["gain"], full["shift"],
            tuple(layers), full["out"], full["out_bias"], full["fit"], full["fit_bias"],
        )  # fmt: skip
    except BROKEN as error:
        raise unreadable(path, error) from None


def _rounded_in(data: dict[str, Any], name: str) -> Rounded:
    return Rounded(data[name], data[f"{name} steps"])

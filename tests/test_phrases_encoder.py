"""What reads an utterance as a whole: it computes what the published formulas say.

SciPy and PyTorch are general-purpose reference libraries; without PyTorch (extra `train`) its check skips.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.special import expit, softmax
from scipy.stats import zscore

from fieldassist.errors import UserError
from fieldassist.phrases.encoder import (
    BEGIN,
    BETWEEN,
    HIDDEN,
    LONGEST,
    SHIPPED,
    Encoder,
    Layer,
    Rounded,
    load,
    pieces_of,
    rounded,
    save,
)
from fieldassist.phrases.hashing import hashed
from fieldassist.phrases.sense import load as load_sense

WIDTH, INNER, VECTOR = 48, 20, 10
PIECES = [BEGIN, BETWEEN, HIDDEN, "'", *"abcdefghijklmnopqrstuvwxyz", "slip", "up", "shift", "whir"]
PIECES += [f"##{letter}" for letter in "abcdefghijklmnopqrstuvwxyz"] + ["##s", "##ring", "##shift"]


def small(layers: int = 2) -> Encoder:
    """An encoder drawn at random, of bytes and halves, so that nothing is lost by rounding."""
    random = np.random.default_rng(4)
    halves = lambda array: array.astype(np.float16).astype(np.float32)  # noqa: E731
    drawn = lambda *shape: halves(0.3 * random.normal(size=shape))  # noqa: E731
    pieces = sorted(set(PIECES), key=lambda piece: int(hashed([piece])[0]))
    made = [
        Layer(
            rounded(drawn(3 * WIDTH, WIDTH)), drawn(3 * WIDTH), rounded(drawn(WIDTH, WIDTH)), drawn(WIDTH),
            rounded(drawn(INNER, WIDTH)), drawn(INNER), rounded(drawn(WIDTH, INNER)), drawn(WIDTH),
            halves(1 + drawn(2, WIDTH)), drawn(2, WIDTH),
        )
        for _ in range(layers)
    ]  # fmt: skip
    return Encoder(
        ("harsh", "slip", "talk"), hashed(pieces), rounded(drawn(len(pieces), VECTOR)),
        rounded(drawn(WIDTH, VECTOR)), drawn(WIDTH), drawn(LONGEST, WIDTH), halves(1 + drawn(WIDTH)), drawn(WIDTH),
        tuple(made), drawn(3, WIDTH), drawn(3), drawn(WIDTH), drawn(1),
    )  # fmt: skip


SMALL = small()
SURE = [("slips", 1.0), ("up", 1.0)]


def full(matrix: Rounded) -> np.ndarray:
    return matrix.numbers * matrix.steps[:, None]


def vectors_of(encoder: Encoder, said: list[tuple[str, float]], procedure: str) -> np.ndarray:
    """The pieces of one utterance by itself as vectors, (pieces, WIDTH)."""
    row = {int(number): at for at, number in enumerate(encoder.pieces)}
    listed = [(BEGIN, 1.0), *((word, 1.0) for word in procedure.split("_")), (BETWEEN, 1.0)]
    listed += [*((HIDDEN if word == "[unk]" else word, sure) for word, sure in said if word != "uh")]
    spelt = [(piece, sure) for word, sure in listed for piece in pieces_of(word, encoder.pieces)]
    spelt = [*spelt[: LONGEST - 1], (BETWEEN, 1.0)]
    vectors = full(encoder.vectors).astype(np.float64)
    hidden = vectors[row[int(hashed([HIDDEN])[0])]]
    mixed = [sure * vectors[row[int(hashed([piece])[0])]] + (1 - sure) * hidden for piece, sure in spelt]
    return np.array(mixed) @ full(encoder.widen).T + encoder.widen_bias + encoder.positions[: len(spelt)]


def by_scipy(encoder: Encoder, said: list[tuple[str, float]], procedure: str) -> np.ndarray:
    """The states of the pieces, (pieces, WIDTH), by the published formulas head by head: Vaswani et al. 2017,
    section 3.2.1, with SciPy's softmax; normalisation by SciPy's z-score; x times the logistic function for GELU
    with tanh, which is the same."""

    def normal(state: np.ndarray, gain: np.ndarray, shift: np.ndarray) -> np.ndarray:
        return zscore(state, axis=1) * gain + shift

    state = normal(vectors_of(encoder, said, procedure), encoder.gain, encoder.shift)
    size = WIDTH // 12
    for layer in encoder.layers:
        queries, keys, values = np.split(state @ full(layer.asked).T + layer.asked_bias, 3, axis=1)
        seen = np.zeros_like(state)
        for head in range(12):
            part = slice(head * size, (head + 1) * size)
            seen[:, part] = softmax(queries[:, part] @ keys[:, part].T / size**0.5, axis=1) @ values[:, part]
        state = normal(state + seen @ full(layer.joined).T + layer.joined_bias, layer.gains[0], layer.shifts[0])
        inner = state @ full(layer.inner).T + layer.inner_bias
        inner = inner * expit(2 * (2 / np.pi) ** 0.5 * (inner + 0.044715 * inner**3))
        state = normal(state + inner @ full(layer.outer).T + layer.outer_bias, layer.gains[1], layer.shifts[1])
    return state


def by_torch(encoder: Encoder, said: list[tuple[str, float]], procedure: str) -> np.ndarray:
    """The same by `torch.nn.TransformerEncoderLayer`."""
    torch = pytest.importorskip("torch")
    tensor = lambda array: torch.from_numpy(np.array(array, np.float32))  # noqa: E731
    gain, shift = tensor(encoder.gain), tensor(encoder.shift)
    state = tensor(vectors_of(encoder, said, procedure))
    state = torch.nn.functional.layer_norm(state, (WIDTH,), gain, shift, 1e-12)[None]
    for layer in encoder.layers:
        gelu = lambda x: torch.nn.functional.gelu(x, approximate="tanh")  # noqa: E731
        theirs = torch.nn.TransformerEncoderLayer(
            WIDTH, 12, INNER, dropout=0.0, activation=gelu, layer_norm_eps=1e-12, batch_first=True
        )
        theirs.load_state_dict({
            "self_attn.in_proj_weight": tensor(full(layer.asked)),
            "self_attn.in_proj_bias": tensor(layer.asked_bias),
            "self_attn.out_proj.weight": tensor(full(layer.joined)),
            "self_attn.out_proj.bias": tensor(layer.joined_bias),
            "linear1.weight": tensor(full(layer.inner)), "linear1.bias": tensor(layer.inner_bias),
            "linear2.weight": tensor(full(layer.outer)), "linear2.bias": tensor(layer.outer_bias),
            "norm1.weight": tensor(layer.gains[0]), "norm1.bias": tensor(layer.shifts[0]),
            "norm2.weight": tensor(layer.gains[1]), "norm2.bias": tensor(layer.shifts[1]),
        })  # fmt: skip
        state = theirs.eval()(state)
    return np.asarray(state[0].detach().numpy())


UTTERANCES = [
    SURE, [("whirring", 0.4), ("[unk]", 1.0), ("isn't", 0.9), ("uh", 1.0), ("slip", 0.0)], [],
    [("slips", 0.7)] * 40,
]  # fmt: skip


@pytest.mark.parametrize("reference", [by_scipy, by_torch])
def test_it_computes_what_a_reference_library_computes(reference: Callable[..., np.ndarray]) -> None:
    """Together, so that the shorter ones are padded, against each by itself."""
    together = SMALL.scores(UTTERANCES, "upshift_x")
    likeness = SMALL.likeness(UTTERANCES, "upshift_x")
    for found, alike, said in zip(together, likeness, UTTERANCES, strict=True):
        states = reference(SMALL, said, "upshift_x")
        assert found == pytest.approx(states.mean(axis=0) @ SMALL.out.T + SMALL.out_bias, abs=2e-4)
        assert alike == pytest.approx((states @ SMALL.fit + SMALL.fit_bias).sum(), abs=3e-3)
    assert SMALL.scores([], "upshift").shape == (0, 3) and SMALL.likeness([], "upshift").shape == (0,)


def test_many_readings_are_read_in_parts_and_come_to_the_same() -> None:
    many = UTTERANCES * 30
    assert np.abs(SMALL.scores(many, "hold") - np.tile(SMALL.scores(UTTERANCES, "hold"), (30, 1))).max() < 1e-4
    assert np.abs(SMALL.likeness(many, "hold") - np.tile(SMALL.likeness(UTTERANCES, "hold"), 30)).max() < 1e-3


def test_pieces_are_those_of_a_reference_library() -> None:
    """WordPiece of the library `tokenizers`, which comes with the extra `train`, on the same vocabulary."""
    models = pytest.importorskip("tokenizers.models")
    listed = sorted({*PIECES, "[UNK]"})
    theirs = models.WordPiece({piece: at for at, piece in enumerate(listed)}, unk_token="[UNK]")
    table = np.sort(hashed(PIECES))
    for word in ("slips", "upshift", "whirring", "shift", "zebra", "slipup", "shifts"):
        assert pieces_of(word, table) == [token.value for token in theirs.tokenize(word)]
    assert pieces_of("isn't", table) == ["i", "##s", "##n", "'", "t"]
    assert pieces_of("70", table) == [HIDDEN] and pieces_of(BETWEEN, table) == [BETWEEN]


def test_what_was_not_heard_at_all_is_as_if_it_was_hidden() -> None:
    hidden = SMALL.scores([[("slip", 1.0), ("[unk]", 1.0)]], "hold")
    assert SMALL.scores([[("slip", 1.0), ("up", 0.0)]], "hold") == pytest.approx(hidden, abs=1e-5)
    assert np.abs(SMALL.scores([[("slip", 1.0), ("up", 0.9)]], "hold") - hidden).max() > 1e-3


def test_it_is_read_as_it_was_written(tmp_path: Path) -> None:
    save(SMALL, tmp_path / "again.npz")
    again = load(tmp_path / "again.npz")
    assert again.meanings == SMALL.meanings and len(again.layers) == 2
    assert again.scores([SURE], "hold") == pytest.approx(SMALL.scores([SURE], "hold"), abs=1e-5)
    assert again.likeness([SURE], "hold") == pytest.approx(SMALL.likeness([SURE], "hold"), abs=1e-4)


def test_bytes_are_right_to_half_a_step() -> None:
    matrix = np.random.default_rng(1).normal(size=(5, 300)).astype(np.float32)
    matrix[2] = 0.0
    off = np.abs(full(rounded(matrix)) - matrix).max(axis=1)
    assert np.all(off <= 0.5001 * np.abs(matrix).max(axis=1) / 127 + 1e-6)


@pytest.mark.parametrize("cut", [0, 40, 2000])
def test_a_broken_file_is_one_line(cut: int, tmp_path: Path) -> None:
    path = tmp_path / "encoder.npz"
    path.write_bytes(SHIPPED.read_bytes()[:cut])
    for read in (load, lambda given: load_sense(encoder=given)):
        with pytest.raises(UserError, match=r"encoder\.npz: cannot be read .*install fieldassist again"):
            read(path)


def test_a_meaning_that_only_a_shop_has_is_unlikely_by_it() -> None:
    model = load_sense()
    assert model.encoder is not None and set(model.encoder.meanings) <= set(model.meanings)
    more = replace(
        model, meanings=("a new one", *model.meanings), steps=1.0,
        weights=np.pad(np.zeros(model.weights.shape, np.float32), ((0, 0), (1, 0))),
    )  # fmt: skip
    ((_, *others),) = [list(shares.values()) for shares in more.shares([SURE], "upshift")]
    without = replace(model, weights=np.zeros(model.weights.shape, np.float32), steps=1.0)
    ((*wanted,),) = [list(shares.values()) for shares in without.shares([SURE], "upshift")]
    assert np.argmax(others) == np.argmax(wanted) and sum(others) > 0.95

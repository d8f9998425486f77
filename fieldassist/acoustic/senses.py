"""Learns which words and pairs of words speak for what, for `phrases.sense`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import torch
from torch import nn

from fieldassist.phrases.encoder import Encoder
from fieldassist.phrases.hashing import find, hashed
from fieldassist.phrases.matcher import example
from fieldassist.phrases.sense import (
    BY_WORDS,
    Example,
    SenseModel,
    features_of,
    name_of,
    surely,
    usual_features,
)
from fieldassist.phrases.wordings import COMMAND, FILE, TALK, read_wordings
from fieldassist.resources import shipped

_REASON, _REASON_BEHIND = 9, 0.6
"""Words, at most, of a command and of talk that are put together, and how often the talk comes last."""
_LEAST_SEEN = 3
"""Features of fewer examples are left out."""
_EPOCHS, _BATCH, _RATE, _DROP, _SMOOTH, _SEED = 8, 64, 1e-2, 0.3, 0.02, 0


def shipped_examples() -> tuple[Path, list[Example]]:
    """Return the file of the shipped examples, and these."""
    path = shipped("grammars") / FILE
    return path, [example(each) for each in read_wordings(path)]


def surrounded(examples: Sequence[Example]) -> list[Example]:
    """Return each command once more with talk of its procedure before or behind it: "skip it, there's a bus behind
    us"."""
    random = np.random.default_rng(_SEED)
    talk: dict[str, list[Sequence[str]]] = {}
    for said, at, meaning in examples:
        if meaning == TALK and len(said) <= _REASON:
            talk.setdefault(at, []).append(said)
    out: list[Example] = []
    for said, at, meaning in examples:
        if meaning.startswith(f"{COMMAND} ") and at in talk and len(said) <= _REASON:
            reason = talk[at][int(random.integers(len(talk[at])))]
            parts = (said, reason) if random.random() < _REASON_BEHIND else (reason, said)
            out.append(([*parts[0], *parts[1]], at, meaning))
    return out


def train(examples: Sequence[Example], encoder: Encoder | None) -> SenseModel:
    """Learn the weights of features from examples; the encoder, trained by itself, is put beside them."""
    torch.manual_seed(_SEED)
    learned = np.unique(hashed(map(name_of, examples)))
    features = usual_features(examples, _LEAST_SEEN)
    examples = [*examples, *surrounded(examples)]
    meanings = tuple(sorted({meaning for _, _, meaning in examples}))
    described = []
    for said, at, _ in examples:
        keys = list(features_of(surely(said), at))
        rows = find(features, [key for key, _ in keys])
        described.append([(int(row), value) for row, (_, value) in zip(rows, keys, strict=True) if row >= 0])
    weights = nn.EmbeddingBag(len(features), len(meanings), mode="sum")
    nn.init.zeros_(weights.weight)
    right = torch.tensor([meanings.index(meaning) for _, _, meaning in examples])
    optimizer = torch.optim.Adam(weights.parameters())
    random = np.random.default_rng(_SEED)
    for epoch in range(_EPOCHS):
        for group in optimizer.param_groups:
            group["lr"] = _RATE * (1 - epoch / _EPOCHS)
        lost = 0.0
        order = random.permutation(len(examples))
        for begin in range(0, len(order), _BATCH):
            batch = order[begin : begin + _BATCH].tolist()
            flat = [pair for at in batch for pair in described[at]]
            begins = np.cumsum([0, *(len(described[at]) for at in batch)])[:-1]
            values = torch.tensor([value for _, value in flat])
            values = values * (torch.rand(len(values)) >= _DROP) / (1 - _DROP)
            scores = weights(
                torch.tensor([row for row, _ in flat]), torch.from_numpy(begins), per_sample_weights=values
            )
            loss = nn.functional.cross_entropy(scores, right[batch], label_smoothing=_SMOOTH)
            optimizer.zero_grad()
            loss.backward()
            optimizer.step()
            lost += float(loss.detach()) * len(batch)
        print(f"round {epoch + 1} of {_EPOCHS}: {lost / len(order):.3f} nats an example", flush=True)
    found = weights.weight.detach().numpy() * (1.0 if encoder is None else BY_WORDS)
    return SenseModel(meanings, features, found.astype(np.float32), encoder, learned)

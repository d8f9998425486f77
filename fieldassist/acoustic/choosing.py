"""Readings to choose between: what the encoder learns from which of an engine's readings was said.

Half of them are what an engine really heard, half are examples beside themselves with words mistaken as the engine
mistakes them, or for others that sound alike. The network learns to give most of the probability to the readings
with the fewest wrong words, and to keep the number of wrong words that is to be expected low (R. Prabhavalkar et
al., "Minimum Word Error Rate Training for Attention-based Sequence-to-Sequence Models", ICASSP 2018).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import torch
from torch import Tensor
from torch.utils.data import Dataset

from fieldassist.phrases.encoder import laid_out
from fieldassist.phrases.likelier import BY_ENGINE

_HEARD = 0.5
"""Share of the batches that were really heard."""
_MOST = 8
"""Readings of one utterance."""
_WITH_MISTAKES = (2, 5)
"""Sentences with mistakes beside what was said, fewest and most."""
_TWO, _THREE = 0.4, 0.12
"""How often so many mistakes are made, or more."""
_PUT_IN, _LEFT_OUT = 0.08, 0.08
"""How often a word is put in, or left out if it is one piece."""
_AS_HEARD = 0.75
"""How often a word that the engine is known to mistake is mistaken as it does."""
_AT_ANY = 0.2
"""How often an example is told at a procedure that is drawn."""
_EXPECTED = 0.3
"""Weight of the number of wrong words that is to be expected."""
_NONE = -60.0


@dataclass(frozen=True)
class Readings:
    """A batch of readings, those of one utterance after each other."""

    rows: Tensor
    """Pieces, (readings, longest); -1 is none."""
    sure: Tensor
    of: Tensor
    """The utterance of each, from 0, (readings,)."""
    odds: Tensor
    """The engine's log share of each; 0 where there was no engine."""
    off: Tensor
    """Words that are wrong in each."""

    def on(self, device: str) -> Readings:
        parts = {name: getattr(self, name).to(device) for name in ("rows", "sure", "of", "odds", "off")}
        return replace(self, **parts)


class Choosing(Dataset[list[Readings]]):  # type: ignore[misc, unused-ignore]
    """Batches of readings; a step is the same whoever makes it."""

    def __init__(
        self, material: Mapping[str, npt.NDArray[Any]], spelt: Sequence[Sequence[int]],
        leads: Sequence[Sequence[int]], between: int, size: int, seed: int,
    ) -> None:  # fmt: skip
        """spelt: pieces of each word; leads: pieces before an utterance, of each procedure; between: the piece at
        its end; size: of a batch, in readings, about. The material needs arrays of readings."""
        self._size, self.seed, self._spelt, self._leads, self._between = size, seed, spelt, leads, between
        self._readings = _listed(material, "readings")
        self._odds, self._off = material["readings_odds"].tolist(), material["readings_off"].tolist()
        self._at = material["readings_at"].tolist()
        ends = np.flatnonzero(np.diff(material["readings_of"])) + 1
        self._utterances = list(pairwise([0, *ends.tolist(), len(self._readings)]))
        self._examples, self._examples_at = _listed(material, "examples"), material["examples_at"].tolist()
        self._alike = material["alike"].tolist()
        self._short = [len(pieces) == 1 for pieces in spelt]
        taken: dict[tuple[int, ...], list[tuple[list[int], int]]] = {}
        rows = zip(_listed(material, "mistaken"), _listed(material, "taken_for"), strict=True)
        for (one, other), often in zip(rows, material["mistaken_often"].tolist(), strict=True):
            taken.setdefault(tuple(one), []).append((other, often))
        self._taken = {
            one: ([other for other, _ in others], np.array([n for _, n in others]) / sum(n for _, n in others))
            for one, others in taken.items()
        }

    def __len__(self) -> int:
        return 1 << 40

    def __getitem__(self, step: int) -> list[Readings]:
        random = np.random.default_rng((self.seed, step, 1))
        heard = random.random() < _HEARD
        lines: list[list[tuple[int, float]]] = []
        of, odds, off = [], [], []
        number = 0
        while len(lines) < self._size:
            at, found, shares, wrong = self._heard(random) if heard else self._contrast(random)
            if len(set(wrong)) < 2:
                continue
            lead = [(piece, 1.0) for piece in self._leads[at]]
            lines += [[*lead, *((piece, 1.0) for word in said for piece in self._spelt[word])] for said in found]
            of += [number] * len(found)
            odds += shares
            off += wrong
            number += 1
        rows, sure = (torch.from_numpy(part) for part in laid_out(lines, self._between))
        return [Readings(rows, sure, torch.tensor(of), torch.tensor(odds), torch.tensor(off, dtype=torch.float32))]

    def _heard(self, random: np.random.Generator) -> tuple[int, list[list[int]], list[float], list[int]]:
        begin, end = self._utterances[int(random.integers(len(self._utterances)))]
        part = slice(begin, min(end, begin + _MOST))
        return self._at[begin], self._readings[part], self._odds[part], self._off[part]

    def _contrast(self, random: np.random.Generator) -> tuple[int, list[list[int]], list[float], list[int]]:
        number = int(random.integers(len(self._examples)))
        said = self._examples[number]
        at = int(random.integers(len(self._leads))) if random.random() < _AT_ANY else self._examples_at[number]
        count = int(random.integers(_WITH_MISTAKES[0], _WITH_MISTAKES[1] + 1)) if len(said) > 1 else 0
        others = {tuple(self._mistaken(said, random)) for _ in range(count)} - {tuple(said)}
        found = [said, *(list(other) for other in sorted(others))]
        return at, found, [0.0] * len(found), [0, *([1] * (len(found) - 1))]

    def _mistaken(self, said: Sequence[int], random: np.random.Generator) -> list[int]:
        """A sentence with one to three mistakes."""
        words = list(said)
        chance = random.random()
        for _ in range(1 + (chance < _TWO) + (chance < _THREE)):
            if not words:
                return list(said)
            at, kind = int(random.integers(len(words))), random.random()
            pair = tuple(words[at : at + 2])
            if kind < _PUT_IN and () in self._taken:
                words[at:at] = self._drawn((), random)
            elif kind < _PUT_IN + _LEFT_OUT and self._short[words[at]] and len(words) > 2:
                del words[at]
            elif len(pair) == 2 and pair in self._taken and random.random() < _AS_HEARD:
                words[at : at + 2] = self._drawn(pair, random)
            elif pair[:1] in self._taken and random.random() < _AS_HEARD:
                words[at : at + 1] = self._drawn(pair[:1], random)
            else:
                others = self._alike[words[at]]
                words[at] = others[int(random.integers(len(others)))] or words[at]
        return words or list(said)

    def _drawn(self, words: tuple[int, ...], random: np.random.Generator) -> list[int]:
        others, shares = self._taken[words]
        return others[int(random.choice(len(others), p=shares))]


def wrongly_chosen(likeness: Tensor, readings: Readings) -> Tensor:
    """How far the probabilities of readings are from the best ones of each utterance, in nats, and part of the
    number of words more than in the best that is to be expected.

    likeness: (readings,), in nats.
    """
    count = int(readings.of[-1]) + 1
    odds = likeness + BY_ENGINE * readings.odds
    shares = odds - _together(odds, readings.of, count)[readings.of]
    best = torch.full((count,), 1e9, device=odds.device).scatter_reduce(0, readings.of, readings.off, "amin")
    good = readings.off == best[readings.of]
    missed = -_together(torch.where(good, shares, torch.full_like(shares, _NONE)), readings.of, count).mean()
    more = (shares.exp() * (readings.off - best[readings.of])).sum() / count
    return missed + _EXPECTED * more


def _together(odds: Tensor, of: Tensor, count: int) -> Tensor:
    """Log of the sum of powers within each utterance, (count,)."""
    most = torch.full((count,), -1e9, device=odds.device).scatter_reduce(0, of, odds, "amax").detach()
    return most + torch.zeros(count, device=odds.device).scatter_add(0, of, (odds - most[of]).exp()).log()


def _listed(material: Mapping[str, npt.NDArray[Any]], name: str) -> list[list[int]]:
    words = material[name].tolist()
    return [words[one:other] for one, other in pairwise(material[f"{name}_begins"].tolist())]

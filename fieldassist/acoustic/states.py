"""The states that the words of a clip can go through, for aligning them with its frames."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fieldassist.phrases.phonemes import pronunciations
from fieldassist.words.phones import phone_index

VARIANTS = 3
"""Pronunciations of a word that are looked at."""
FAN = VARIANTS + 1
"""States that one state is entered from, or left to, at most: the pronunciations and the silence."""


@dataclass(frozen=True)
class Sentence:
    """The states that the words of one clip can go through: each phone once, silences between words."""

    phone: npt.NDArray[np.int64]
    """Phone index of each state."""
    before: tuple[tuple[int, ...], ...]
    """States that each state can be entered from."""
    first: tuple[int, ...]
    last: tuple[int, ...]
    word: npt.NDArray[np.int64]
    """Number of the word of each state; a silence has that of the word before it, the first one -1."""

    @functools.cached_property
    def ways(self) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
        """States before and behind each state, (states, FAN) each, filled up with -1."""
        before = np.full((len(self.phone), FAN), -1)
        behind = np.full((len(self.phone), FAN), -1)
        taken = [0] * len(self.phone)
        for state, entries in enumerate(self.before):
            before[state, : len(entries)] = entries
            for entry in entries:
                behind[entry, taken[entry]] = state
                taken[entry] += 1
        return before, behind


def sentence(words: Sequence[str]) -> Sentence:
    """The states of a sentence, with up to VARIANTS pronunciations of a word and silence wherever it may be."""
    phone: list[int] = [0]
    owner: list[int] = [-1]
    before: list[tuple[int, ...]] = [()]
    first, last = [0], [0]
    ends: tuple[int, ...] = ()
    for number, word in enumerate(words):
        heads: list[int] = []
        tails: list[int] = []
        entry = (*ends, len(phone) - 1 if ends else 0)  # the silence before this word was laid last
        for way in pronunciations(word)[:VARIANTS]:
            previous: tuple[int, ...] = entry
            for place, name in enumerate(way):
                phone.append(phone_index(name))
                owner.append(number)
                before.append(previous)
                previous = (len(phone) - 1,)
                if place == 0:
                    heads.append(previous[0])
            tails.append(previous[0])
        if not ends:
            first += heads
        ends = tuple(tails)
        phone.append(0)
        owner.append(number)
        before.append(ends)
        last = [*ends, len(phone) - 1]
    return Sentence(np.array(phone), tuple(before), tuple(first), tuple(last), np.array(owner))

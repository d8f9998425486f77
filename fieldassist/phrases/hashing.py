"""Texts as numbers, and where they stand in a sorted table: a hundred thousand strings would take 10 MB."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence

import numpy as np
import numpy.typing as npt

Hashes = npt.NDArray[np.uint64]


def hashed(texts: Iterable[str]) -> Hashes:
    """Return a number for each text, in their order: of a hundred thousand no two are likely to be the same."""
    digests = b"".join(hashlib.blake2b(text.encode(), digest_size=8).digest() for text in texts)
    return np.frombuffer(digests, "<u8").astype(np.uint64)


def find(table: Hashes, texts: Sequence[str]) -> npt.NDArray[np.int64]:
    """Return the row of each text in a sorted table, -1 for one that is not there."""
    if not len(table):
        return np.full(len(texts), -1)
    wanted = hashed(texts)
    rows = np.minimum(np.searchsorted(table, wanted), len(table) - 1)
    return np.where(table[rows] == wanted, rows, -1)

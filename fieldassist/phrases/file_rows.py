"""A matrix that stays in its file: rows are read as they are asked for.

Of the 70,000 rows of `sense` an utterance needs some thirty. Were the file mapped instead, each page that is
touched would count as memory of ours, and those about it.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from zipfile import BadZipFile

import numpy as np
import numpy.typing as npt

from fieldassist.errors import UserError

Bytes = npt.NDArray[np.int8]
BROKEN = (OSError, ValueError, KeyError, TypeError, EOFError, BadZipFile)
"""What reading a file of NumPy's raises that is not what it should be."""


@dataclass(frozen=True)
class FileRows:
    """A matrix in bytes, of a file of NumPy's (.npy). It may be used by threads and processes side by side."""

    path: Path
    shape: tuple[int, int]
    begin: int
    """Bytes before the first row."""

    def __getitem__(self, rows: npt.NDArray[np.int64]) -> Bytes:
        """Return rows, (rows, columns). Raises UserError where the file is no longer what it was."""
        wide = self.shape[1]
        try:
            with self.path.open("rb", buffering=0) as file:
                read = []
                for row in rows.tolist():
                    file.seek(self.begin + row * wide)
                    read.append(file.read(wide))
            return np.frombuffer(b"".join(read), np.int8).reshape(len(rows), wide)
        except (OSError, ValueError) as error:
            raise unreadable(self.path, error) from None

    def __array__(self, dtype: npt.DTypeLike | None = None, copy: bool | None = None) -> npt.NDArray[np.generic]:
        return np.asarray(np.load(self.path, allow_pickle=False), dtype)


def open_rows(path: Path) -> FileRows:
    """Return the matrix in a file. Raises UserError where there is none of bytes, row by row."""
    try:
        whole = np.load(path, mmap_mode="r", allow_pickle=False)
        in_bytes = isinstance(whole, np.memmap) and whole.dtype == np.int8 and whole.ndim == 2
        if not in_bytes or not whole.flags.c_contiguous:
            raise ValueError("no matrix in bytes, row by row")
    except BROKEN as error:
        raise unreadable(path, error) from None
    return FileRows(path, (whole.shape[0], whole.shape[1]), whole.offset)


def unreadable(path: Path, error: Exception) -> UserError:
    """Return what is said of a file of ours that is not what it should be."""
    return UserError(f"{path}: cannot be read ({error}); install fieldassist again")

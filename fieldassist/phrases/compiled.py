"""Compiled grammars kept on disk, so that a drive does not begin with compiling.

What is kept is found again by a digest of the grammars' text and of the code that compiles them: a change in
either leads to another folder. A file that is broken, or a folder that cannot be written, costs the time of
compiling again and nothing else.
"""

from __future__ import annotations

import contextlib
import gc
import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, overload

import numpy as np
import numpy.typing as npt

from fieldassist.phrases.automaton import Arc, Automaton, Final, Promised, Tag

KEPT_FOLDERS = 4
"""Digests whose files are kept, the ones written last: a shop changes its grammars now and then."""

_CODE = Path(__file__).resolve().parent


class Compiled:
    """Automata by name, for one set of grammar files."""

    def __init__(self, folder: Path, grammars: Iterable[Path]) -> None:
        """`folder`: where they are kept, made when it is needed; `grammars`: the files they are compiled from, in
        any order, with everything that these import."""
        self._folder = folder / _digest([*_CODE.glob("*.py"), *_CODE.glob("*.txt"), *grammars])[:24]

    def promised(self, name: str, make: Callable[[], Automaton]) -> Promised:
        """Return what `get` would, as a promise."""
        return Promised(f"{self._folder.name} {name}", lambda: self.get(name, make))

    def get(self, name: str, make: Callable[[], Automaton]) -> Automaton:
        """Return the automaton kept under a name (which may hold anything), else make it and keep it."""
        path = self._folder / f"{hashlib.sha256(name.encode()).hexdigest()[:24]}.kept"
        try:
            return from_bytes(path.read_bytes())
        except (OSError, ValueError, LookupError, TypeError):  # not there, or not what was written
            pass
        with _uncollected():
            data = to_bytes(make())
        with contextlib.suppress(OSError):
            self._keep(path, data)
        return from_bytes(data)  # smaller than what was made

    def _keep(self, path: Path, data: bytes) -> None:
        fresh = not self._folder.exists()
        self._folder.mkdir(parents=True, exist_ok=True)
        handle, scratch = tempfile.mkstemp(dir=self._folder, suffix=".new")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
            Path(scratch).replace(path)  # whoever reads it meanwhile sees all of it or nothing
        except OSError:
            Path(scratch).unlink(missing_ok=True)
            raise
        if fresh:
            others = sorted(self._folder.parent.iterdir(), key=lambda each: each.stat().st_mtime, reverse=True)
            for old in others[KEPT_FOLDERS:]:
                shutil.rmtree(old, ignore_errors=True)


@contextlib.contextmanager
def _uncollected() -> Iterator[None]:
    """Leave out the search for circles of references: hundreds of thousands of tuples are made and none refers in
    a circle, so that it takes a third of the time of compiling and frees next to nothing."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


class _Columns(Sequence[Arc]):
    """Arcs in arrays, made into objects when they are asked for: a fifth of the memory of a tuple of them."""

    def __init__(self, names: Sequence[str], bundles: Sequence[Any], columns: Sequence[npt.NDArray[Any]]) -> None:
        """names: the words; bundles: what arcs have for tags or slots; columns: as `_COLUMNS`."""
        self._names = (*names, None)  # so that -1 is no word
        self._bundles = bundles
        self._columns = columns

    def __len__(self) -> int:
        return len(self._columns[0])

    @overload
    def __getitem__(self, at: int) -> Arc: ...
    @overload
    def __getitem__(self, at: slice) -> Sequence[Arc]: ...
    def __getitem__(self, at: int | slice) -> Arc | Sequence[Arc]:
        if isinstance(at, slice):
            return list(self)[at]
        return self._arc(*(column[at].item() for column in self._columns))

    def __iter__(self) -> Iterator[Arc]:
        for begin in range(0, len(self), _AT_ONCE):
            yield from map(self._arc, *(column[begin : begin + _AT_ONCE].tolist() for column in self._columns))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Sequence) and tuple(self) == tuple(other)

    def _arc(self, source: int, target: int, word: int, weight: float, tags: int, slots: int) -> Arc:
        return Arc(source, target, self._names[word], weight, self._bundles[tags], self._bundles[slots])


_AT_ONCE = 256
"""Rows that are made into Python's numbers together: of all at once, 12 MB would be left in pieces."""
_COLUMNS = ("<i4", "<i4", "<i4", "<f8", "<i4", "<i4")
"""Source, target, word (-1: none), weight, tags and slots of an arc."""


def to_bytes(automaton: Automaton) -> bytes:
    """Write an automaton: a digest in the first line; in the second, as JSON, all but the
    columns that follow."""
    words = {word: number for number, word in enumerate(automaton.words)}
    bundles: dict[tuple[Any, ...], int] = {}

    def number(bundle: tuple[Any, ...]) -> int:
        return bundles.setdefault(bundle, len(bundles))

    arcs = automaton.arcs
    columns = (
        [arc.source for arc in arcs],
        [arc.target for arc in arcs],
        [-1 if arc.word is None else words[arc.word] for arc in arcs],
        [arc.weight for arc in arcs],
        [number(arc.tags) for arc in arcs],
        [number(arc.slots) for arc in arcs],
    )
    head = {
        "states": automaton.states,
        "start": automaton.start,
        "words": automaton.words,
        "arcs": len(arcs),
        "finals": [(state, final.weight, number(final.tags)) for state, final in automaton.finals.items()],
        "bundles": list(bundles),
    }
    body = json.dumps(head, separators=(",", ":")).encode() + b"\n"
    body += b"".join(np.array(column, kind).tobytes() for column, kind in zip(columns, _COLUMNS, strict=True))
    return hashlib.sha256(body).hexdigest().encode() + b"\n" + body


def from_bytes(data: bytes) -> Automaton:
    """Read what `to_bytes` wrote. Raises ValueError where that is not what the data are."""
    begin = data.find(b"\n") + 1
    if hashlib.sha256(memoryview(data)[begin:]).hexdigest().encode() != data[: begin - 1]:
        raise ValueError("expected a compiled grammar with the digest of its text in the first line")
    at = data.find(b"\n", begin) + 1
    head = json.loads(data[begin:at])
    bundles = [tuple(Tag(*each) if isinstance(each, list) else each for each in b) for b in head["bundles"]]
    columns = []
    for kind in _COLUMNS:
        columns.append(np.frombuffer(data, kind, head["arcs"], at))
        at += columns[-1].nbytes
    arcs = _Columns(head["words"], bundles, columns)
    finals = {state: Final(weight, bundles[tags]) for state, weight, tags in head["finals"]}
    return Automaton(head["states"], arcs, finals, head["start"])


def _digest(files: Iterable[Path]) -> str:
    """Digest of files' paths and contents; one that cannot be read counts as empty: who compiles it will tell."""
    digest = hashlib.sha256()
    for path in sorted(set(files)):
        content = b""
        with contextlib.suppress(OSError):
            content = path.read_bytes()
        digest.update(f"{path}\n{len(content)}\n".encode())
        digest.update(content)
    return digest.hexdigest()

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
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

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
            with _uncollected():
                return from_text(path.read_bytes())
        except (OSError, ValueError, LookupError, TypeError):  # not there, or not what was written
            pass
        with _uncollected():
            made = make()
        with contextlib.suppress(OSError):
            self._keep(path, to_text(made))
        return made

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


def to_text(automaton: Automaton) -> bytes:
    """Write an automaton as text: a digest in the first line; in the second the automaton as JSON, by columns."""
    words = {word: number for number, word in enumerate(automaton.words)}
    bundles: dict[tuple[Any, ...], int] = {}

    def number(bundle: tuple[Any, ...]) -> int:
        return bundles.setdefault(bundle, len(bundles))

    arcs = automaton.arcs
    data = {
        "states": automaton.states,
        "start": automaton.start,
        "words": automaton.words,
        "source": [arc.source for arc in arcs],
        "target": [arc.target for arc in arcs],
        "word": [-1 if arc.word is None else words[arc.word] for arc in arcs],
        "weight": [arc.weight for arc in arcs],
        "tags": [number(arc.tags) for arc in arcs],
        "slots": [number(arc.slots) for arc in arcs],
        "finals": [(state, final.weight, number(final.tags)) for state, final in automaton.finals.items()],
        "bundles": list(bundles),
    }
    body = json.dumps(data, separators=(",", ":")).encode()
    return hashlib.sha256(body).hexdigest().encode() + b"\n" + body


def from_text(text: bytes) -> Automaton:
    """Read what `to_text` wrote. Raises ValueError where that is not what the text is."""
    begin = text.find(b"\n") + 1
    if hashlib.sha256(memoryview(text)[begin:]).hexdigest().encode() != text[: begin - 1]:
        raise ValueError("expected a compiled grammar with the digest of its text in the first line")
    data = json.loads(text[begin:])
    words = [*data["words"], None]  # so that -1 is no word
    bundles = [tuple(Tag(*each) if isinstance(each, list) else each for each in b) for b in data["bundles"]]
    seen: dict[float, float] = {}  # one object for each number: there are many times more arcs
    data["weight"] = [seen.setdefault(weight, weight) for weight in data["weight"]]
    columns = (data[name] for name in ("source", "target", "word", "weight", "tags", "slots"))
    states = list(range(data["states"]))
    arcs = tuple(
        Arc(states[source], states[target], words[word], weight, bundles[tags], bundles[slots])
        for source, target, word, weight, tags, slots in zip(*columns, strict=True)
    )
    finals = {state: Final(weight, bundles[tags]) for state, weight, tags in data["finals"]}
    return Automaton(data["states"], arcs, finals, data["start"])


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

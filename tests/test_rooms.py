"""The rooms depend on each other in one direction only (DEVELOPERS.md)."""

from __future__ import annotations

import ast
import subprocess
import sys
from functools import lru_cache
from pathlib import Path

import pytest

import fieldassist

PACKAGE = Path(fieldassist.__file__).resolve().parent
BASE = {"finding", "errors", "resources"}
"""Below everything; they need nothing but each other."""
MAY_IMPORT: dict[str, set[str]] = {
    "deduce": BASE,
    "record": BASE,
    "words": BASE | {"phrases.automaton", "phrases.covering", "phrases.phonemes"},
    "sound": BASE | {"words.recognizer", "words.worker"},
    "phrases": BASE | {"words.recognizer", "deduce"},
    "drive": BASE | {"sound", "words", "phrases", "record", "deduce"},
}
"""Room -> rooms, or single modules of them, that it may import besides itself. `words` compiles what `phrases`
expects into an engine's grammar; `phrases` takes the hypothesis type of `words`; the sample type is in
`words.recognizer`. No module of two rooms may import each other in a circle, which is checked apart."""
FREE = {"pages", "commands", "bench", "acoustic"}
"""They may import anything, and only they and the door import them."""
DOOR = {"cli", "__main__", "__init__"}


@lru_cache(maxsize=1)
def _modules() -> list[Path]:
    return sorted(p for p in PACKAGE.rglob("*.py") if "_shipped" not in p.parts)


def _room(path: Path) -> str:
    parts = path.relative_to(PACKAGE).parts
    return parts[0] if len(parts) > 1 else path.stem


def _imported(source: str, package: tuple[str, ...]) -> set[str]:
    """Modules of fieldassist that a source imports, anywhere in it, without the leading `fieldassist.`."""
    out: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            out |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                base = ".".join([*package[: len(package) - node.level + 1], *([base] if base else [])])
            # `from fieldassist.deduce import unit` imports a module, `... import Unit` a name of the package.
            out |= {f"{base}.{alias.name}" for alias in node.names} | {base}
        elif isinstance(node, ast.Call) and ast.unparse(node.func).endswith("import_module") and node.args:
            first = node.args[0]
            if isinstance(first, ast.Constant) and isinstance(first.value, str):
                out.add(first.value)
    return {name.removeprefix("fieldassist.") for name in out if name.startswith("fieldassist.")} - {"__version__"}


def _imports(path: Path) -> set[str]:
    package = ("fieldassist", *path.relative_to(PACKAGE).parts[:-1])
    return _imported(path.read_text(encoding="utf-8"), package) & _known()


@lru_cache(maxsize=1)
def _known() -> set[str]:
    return {".".join(p.relative_to(PACKAGE).with_suffix("").parts).removesuffix(".__init__") for p in _modules()}


def _breaches(room: str, found: set[str]) -> list[str]:
    if room in FREE or room in DOOR:
        return []
    allowed = BASE if room in BASE else MAY_IMPORT[room]
    # A package that is only passed through on the way to an allowed module of it is not an import of the room.
    passed = {name for name in found if "." not in name and any(m.startswith(name + ".") for m in allowed & found)}
    return sorted(
        name for name in found - passed
        if name.split(".")[0] != room and name not in allowed and name.split(".")[0] not in allowed
    )  # fmt: skip


@pytest.mark.parametrize("path", _modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_room_imports_only_what_it_may(path: Path) -> None:
    room = _room(path)
    assert room in {*MAY_IMPORT, *FREE, *DOOR, *BASE}, (
        f"{room} is a room of no plan: add it to DEVELOPERS.md and here"
    )
    assert not _breaches(room, _imports(path)), f"{path}: {room} must not import {_breaches(room, _imports(path))}"


def test_no_module_imports_itself_in_a_circle_through_another_room() -> None:
    modules = {
        ".".join(p.relative_to(PACKAGE).with_suffix("").parts).removesuffix(".__init__"): p for p in _modules()
    }
    graph = {name: _imports(path) - {name} for name, path in modules.items()}

    def reach(start: str) -> set[str]:
        seen: set[str] = set()
        todo = [start]
        while todo:
            for name in graph.get(todo.pop(), ()):
                if name not in seen:
                    seen.add(name)
                    todo.append(name)
        return seen

    for name in graph:
        if "." not in name:
            continue
        others = {m for m in graph[name] if m.split(".")[0] != name.split(".")[0] and "." in m}
        for other in others:
            assert name not in reach(other), f"{name} and {other} import each other"


def test_the_check_sees_an_import_against_the_direction() -> None:
    source = (
        "from fieldassist.drive import loop\nimport fieldassist.pages.guard\nfrom ..sound.wave import read_wave\n"
    )
    found = _imported(source, ("fieldassist", "deduce"))
    assert {"drive.loop", "pages.guard", "sound.wave"} <= found
    assert _breaches("deduce", {"drive.loop"}) == ["drive.loop"]
    assert _breaches("phrases", {"words", "words.recognizer"}) == []
    assert _breaches("phrases", {"words.engines"}) == ["words.engines"]


def test_deduce_loads_without_the_other_rooms() -> None:
    """`deduce` is usable as a library: importing it brings in no other room."""
    code = (
        "import sys, fieldassist.deduce; "
        "print(sorted({m.split('.')[1] for m in sys.modules if m.startswith('fieldassist.')}))"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert set(ast.literal_eval(out)) <= {"deduce", *BASE}

"""Where a speech model comes from, and whether its folder can be loaded at all."""

from __future__ import annotations

import json
import os
import tomllib
from dataclasses import dataclass
from pathlib import Path

from fieldassist.errors import DataFileError, UserError
from fieldassist.resources import home

MODEL_VARIABLE = "FIELDASSIST_VOSK_MODEL"

SHIPPED_MODEL: Path = Path(__file__).resolve().parent.parent / "acoustic" / "model"
"""The model that comes with the package."""

_KALDI_BINARY = b"\0B"
_FST_MAGIC = b"\xd6\xfd\xb2\x7e"


@dataclass(frozen=True)
class Preference:
    """What the config file's `[speech]` table says; None where it says nothing."""

    engine: str | None = None
    """`vosk` or `sphinx`."""
    model: Path | None = None
    """A Vosk model folder."""


@dataclass(frozen=True)
class ModelFolder:
    """A Vosk model folder whose files have been checked."""

    path: Path
    found_by: str
    """`option`, the environment variable's name, the config file's path, or `shipped`."""
    takes_grammar: bool
    """False for a static `HCLG.fst`: libvosk ignores a runtime grammar there."""
    words: frozenset[str]
    """Its vocabulary; empty when it carries no word list."""


def config_path() -> Path:
    """Return where the config file is looked for."""
    return home() / "config.toml"


def read_preference() -> Preference:
    """Read `[speech] engine, model` from the config file. Raises DataFileError for one that is broken."""
    path = config_path()
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return Preference()
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        line = getattr(error, "lineno", None)
        raise DataFileError(path, line, f"not valid TOML ({error})") from None
    except OSError as error:
        raise UserError(f"{path}: cannot be read ({error.strerror})") from None
    speech = data.get("speech", {})
    if not isinstance(speech, dict):
        raise DataFileError(path, None, "expected a table [speech] with engine and model")
    engine, model = speech.get("engine"), speech.get("model")
    if engine not in (None, "vosk", "sphinx"):
        raise DataFileError(path, None, f"[speech] engine {engine!r}: expected \"vosk\" or \"sphinx\"")
    if model is not None and not isinstance(model, str):
        raise DataFileError(path, None, "[speech] model: expected the path of a Vosk model folder in quotes")
    return Preference(engine, Path(model).expanduser() if model else None)


def write_preference(preference: Preference) -> Path:
    """Write the `[speech]` table of the config file, leaving other tables as they are; return its path."""
    path = config_path()
    wanted = {"engine": preference.engine, "model": str(preference.model) if preference.model else None}
    lines = ["[speech]", *(f"{key} = {json.dumps(value)}" for key, value in wanted.items() if value)]
    try:
        old = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
        path.parent.mkdir(parents=True, exist_ok=True)
        new = path.with_suffix(".new")
        new.write_text("\n".join([*lines, *_without_table(old, "speech")]) + "\n", encoding="utf-8")
        new.replace(path)
    except OSError as error:
        raise UserError(f"{path}: cannot be written ({error.strerror})") from None
    return path


def _without_table(lines: list[str], name: str) -> list[str]:
    kept, inside = [], False
    for line in lines:
        if line.lstrip().startswith("["):
            inside = line.strip() == f"[{name}]"
        if not inside:
            kept.append(line)
    return kept


def find_model(option: str | Path | None = None) -> ModelFolder | None:
    """Return the Vosk model to use, checked; None when none is named and none is shipped.

    Searched in this order: the option, FIELDASSIST_VOSK_MODEL, the config file, the shipped model.
    Raises UserError when the first one named is missing or broken: a model that somebody asked for is
    never passed over in silence.
    """
    named: list[tuple[str, str | Path | None]] = [
        ("option", option),
        (MODEL_VARIABLE, os.environ.get(MODEL_VARIABLE) or None),
    ]
    for found_by, path in named:
        if path is not None:
            return check_model(path, found_by)
    configured = read_preference().model
    if configured is not None:
        return check_model(configured, str(config_path()))
    if (SHIPPED_MODEL / "am" / "final.mdl").exists():
        return check_model(SHIPPED_MODEL, "shipped")
    return None


def check_model(path: str | Path, found_by: str = "option") -> ModelFolder:
    """Check a Vosk model folder's files by name, head and length, since libvosk aborts on broken ones.

    Raises UserError that names the file and what was expected.
    """
    root = Path(path).expanduser()
    origin = "" if found_by in ("option", "shipped") else f" (from {found_by})"
    if not root.is_dir():
        raise UserError(
            f"{root}: no such model folder{origin}; expected an unpacked Vosk model with am/, conf/ and graph/"
        )
    _expect(root, "am/final.mdl", _KALDI_BINARY, origin)
    _expect(root, "conf/mfcc.conf", b"", origin)
    _expect(root, "conf/model.conf", b"", origin)
    if (static := root / "graph" / "HCLG.fst").exists():
        _expect(root, "graph/HCLG.fst", _FST_MAGIC, origin)
    else:
        _expect(root, "graph/HCLr.fst", _FST_MAGIC, origin)
        _expect(root, "graph/Gr.fst", _FST_MAGIC, origin)
        _expect(root, "graph/disambig_tid.int", b"", origin)
    if not (root / "graph" / "phones" / "word_boundary.int").exists():
        raise UserError(f"{root}: graph/phones/word_boundary.int is missing{origin}; unpack the model again")
    _expect_fst_symbols(root, origin)
    if (root / "ivector").is_dir():
        _expect(root, "ivector/final.ie", _KALDI_BINARY, origin)
    return ModelFolder(root, found_by, not static.exists(), _vocabulary(root))


def _expect(root: Path, name: str, head: bytes, origin: str) -> None:
    path = root / name
    try:
        with path.open("rb") as file:
            start = file.read(len(head) or 1)
    except FileNotFoundError:
        raise UserError(f"{root}: {name} is missing{origin}; unpack the model again") from None
    except OSError as error:
        raise UserError(f"{root}: {name} cannot be read ({error.strerror}){origin}") from None
    if not start or not start.startswith(head):
        raise UserError(f"{root}: {name} is empty or not what it should be{origin}; unpack the model again")


def _expect_fst_symbols(root: Path, origin: str) -> None:
    if not (root / "graph" / "words.txt").exists() and not (root / "graph" / "HCLG.fst").exists():
        raise UserError(f"{root}: graph/words.txt is missing{origin}; unpack the model again")


def _vocabulary(root: Path) -> frozenset[str]:
    path = root / "graph" / "words.txt"
    if not path.exists():
        return frozenset()
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except UnicodeDecodeError:
        raise UserError(f"{root}: graph/words.txt is not UTF-8 text; unpack the model again") from None
    words = {line.split()[0] for line in lines if line.strip()}
    return frozenset(word for word in words if not word.startswith(("<", "#", "[", "!")))

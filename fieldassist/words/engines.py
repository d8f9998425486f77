"""Which speech engine to open."""

from __future__ import annotations

from pathlib import Path

from fieldassist.errors import UserError
from fieldassist.words.models import find_model, read_preference
from fieldassist.words.recognizer import SAMPLE_RATE, Recognizer

ENGINES: tuple[str, ...] = ("vosk", "sphinx")


def open_engine(
    name: str | None = None, model: str | Path | None = None, sample_rate: int = SAMPLE_RATE
) -> Recognizer:
    """Load a speech engine.

    name: `vosk`, `sphinx` or None for the config file's choice, else Vosk when a model is named or
    shipped, else pocketsphinx (whose English model comes in its package). model: a Vosk model folder;
    see `words.models.find_model` for where else one is looked for. sample_rate: Hz of what is fed.
    Raises UserError for an unknown engine, or a model that is missing or broken.
    """
    if name is not None and name not in ENGINES:
        raise UserError(f"engine {name!r}: expected {' or '.join(ENGINES)}")
    if name == "sphinx" and model is not None:
        raise UserError("engine sphinx brings its own model; a model folder needs engine vosk")
    wanted = name or ("vosk" if model is not None else read_preference().engine)
    if wanted != "sphinx":
        folder = find_model(model)
        if folder is not None:
            from fieldassist.words.vosk_engine import VoskEngine  # only the engine in use pays its import

            return VoskEngine(folder, sample_rate)
        if wanted == "vosk":
            raise UserError(
                "engine vosk: no model folder; name one with --model, FIELDASSIST_VOSK_MODEL or [speech] model "
                "in the config file"
            )
    from fieldassist.words.sphinx_engine import SphinxEngine

    return SphinxEngine(sample_rate)

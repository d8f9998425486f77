"""A technician's adapted copy of our model in the shop's home: made, used, and laid aside again.

`voices/NAME/model` is a model folder like any other; `voices/before.json` holds the preference that was there
before a voice was used. The model that it was made from is never written to.
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from fieldassist.acoustic.adaptation import Change, Utterance, changed
from fieldassist.acoustic.corpus import words_of
from fieldassist.acoustic.features import cepstra
from fieldassist.acoustic.layers import Network
from fieldassist.acoustic.nnet3 import read_network, write_model
from fieldassist.acoustic.states import sentence
from fieldassist.errors import UserError
from fieldassist.resources import home
from fieldassist.words.models import Preference, find_model, read_preference, write_preference
from fieldassist.words.recognizer import Samples
from fieldassist.words.vosk_engine import has_our_phones

HELD_OUT = 4
"""Every so many texts are not learned from but tested on."""
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*")
_BASE = "made_from.json"


def voice_folder(name: str) -> Path:
    """Where the model of a voice lies. Raises UserError for a name that is no file name."""
    if not _NAME.fullmatch(name):
        raise UserError(f"voice {name!r}: expected a name of letters, digits, - and _")
    return home() / "voices" / name


def base_model(option: str | None) -> Path:
    """The model folder to adapt: the one that would be used, or what an adapted one was made from.

    Raises UserError when none is there, or it is not of our own making.
    """
    folder = find_model(option)
    if folder is None:
        raise UserError("no speech model of our own is here to be adapted; name one with --model")
    path = folder.path.resolve()
    made_from = path.parent / _BASE
    if made_from.is_file():
        path = Path(json.loads(made_from.read_text(encoding="utf-8"))["model"])
    if not has_our_phones(path):
        raise UserError(f"{path}: only a model made by this project can be adapted")
    return path


def utterance(samples: Samples, text: str) -> Utterance | None:
    """What is learned from a clip; None without words."""
    words = words_of(text)
    return Utterance(cepstra(samples), sentence(words)) if words else None


def held_out(texts: Sequence[str]) -> tuple[bool, ...]:
    """Which clips are tested on: all those of every HELD_OUT-th text, so that no text is on both sides."""
    places = {text: place for place, text in enumerate(dict.fromkeys(texts))}
    return tuple(places[text] % HELD_OUT == HELD_OUT - 1 for text in texts)


def write_adapted(base: Path, network: Network, change: Change, folder: Path) -> Path:
    """Write the changed network as a whole model folder under `folder`; return the model's path."""
    model = folder / "model"
    try:
        shutil.rmtree(model, ignore_errors=True)
        for part in ("conf", "graph"):
            shutil.copytree(base / part, model / part)
        write_model(changed(network, change), model / "am" / "final.mdl")
        (folder / _BASE).write_text(json.dumps({"model": str(base)}) + "\n", encoding="utf-8")
    except OSError as error:
        raise UserError(f"{folder}: the adapted model cannot be written ({error.strerror})") from None
    return model


def forget_graphs(model: Path) -> None:
    """Remove the graphs that were made for a model that is not kept."""
    for folder in (home() / "graphs").glob("*"):
        if (folder / "am").resolve() == (model / "am").resolve():
            shutil.rmtree(folder, ignore_errors=True)


def use(name: str) -> Path:
    """Prefer the model of a voice from now on; return its path. Raises UserError when there is none."""
    model = voice_folder(name) / "model"
    if not (model / "am" / "final.mdl").is_file():
        there = sorted(path.parent.name for path in (home() / "voices").glob("*/model"))
        raise UserError(f"voice {name}: nothing adapted yet; there are: {', '.join(there) or 'none'}")
    now = read_preference()
    if not _is_voice(now):
        before = {"engine": now.engine, "model": str(now.model) if now.model else None}
        (home() / "voices" / "before.json").write_text(json.dumps(before) + "\n", encoding="utf-8")
    write_preference(Preference("vosk", model))
    return model


def undo() -> str | None:
    """Prefer again what was preferred before a voice was used; return the voice's name, None when none was."""
    now = read_preference()
    if now.model is None or not _is_voice(now):
        return None
    path = home() / "voices" / "before.json"
    before = json.loads(path.read_text(encoding="utf-8")) if path.is_file() else {"engine": None, "model": None}
    write_preference(Preference(before["engine"], Path(before["model"]) if before["model"] else None))
    path.unlink(missing_ok=True)
    return now.model.parent.name


def network_of(base: Path) -> Network:
    """The network of a model folder. Raises UserError when it is not of our shape."""
    return read_network(base / "am" / "final.mdl")


def _is_voice(preference: Preference) -> bool:
    model = preference.model
    return model is not None and model.resolve().parent.parent == (home() / "voices").resolve()


@dataclass(frozen=True)
class Hits:
    """How a model does on the speaker's held-out clips and on the shipped clips of others."""

    right: int
    wrong: int
    missed: int
    others: int
    """Shipped clips that become what they should."""
    others_wrong: int
    fit: float
    """Nats per output by which the held-out words beat any phones."""

    def worse_than(self, before: Hits) -> str | None:
        """Why this is no gain, in words; None when it is one."""
        if self.others < before.others or self.others_wrong > before.others_wrong:
            return (f"other speakers are heard worse ({self.others} right, {self.others_wrong} wrong instead of "
                    f"{before.others}, {before.others_wrong})")  # fmt: skip
        if self.right < before.right or self.wrong > before.wrong:
            return (f"the held-out clips are heard worse ({self.right} right, {self.wrong} wrong instead of "
                    f"{before.right}, {before.wrong})")  # fmt: skip
        if self.right == before.right and self.fit <= before.fit:
            return "the held-out clips are heard no better"
        return None

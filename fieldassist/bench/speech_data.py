"""What the hearing benchmark listens to: sentences with their meaning, clips of them, unrelated talk."""

from __future__ import annotations

import hashlib
import os
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from fieldassist.acoustic.cabin import Cabin, cabin_noise
from fieldassist.acoustic.fixtures import trim
from fieldassist.acoustic.mixing import (
    Signal,
    active_speech_level,
    noise_gain,
    rms_level,
    to_float,
    to_int16,
    to_level,
)
from fieldassist.acoustic.voices import Speaker, cache_folder, load_speakers, mixed_speakers, speak
from fieldassist.errors import DataFileError, UserError
from fieldassist.finding import Finding
from fieldassist.sound.wave import read_wave
from fieldassist.words.recognizer import SAMPLE_RATE, Samples

SENTENCES = Path(__file__).resolve().parent / "speech_sentences.toml"
LATER = SENTENCES.with_name("speech_sentences_later.toml")
FRESH = SENTENCES.with_name("speech_sentences_fresh.toml")
FRESHER = SENTENCES.with_name("speech_sentences_fresher.toml")
FRESHEST = SENTENCES.with_name("speech_sentences_freshest.toml")
BEFORE = SENTENCES.with_name("speech_sentences_before.toml")
COMMANDS = SENTENCES.with_name("speech_sentences_commands.toml")
TUNED = SENTENCES.with_name("speech_sentences_tuned.toml")
SETS = (FRESH, FRESHER, FRESHEST, BEFORE, COMMANDS, SENTENCES, LATER, TUNED)
"""All but the first five were looked at while the grammars were made."""
MANNERS = ("plain", "hesitant", "loose")
SEED = 1_000_000
"""Cabin noise of the benchmark is drawn from here on; training uses smaller seeds."""
LEAD, TAIL = 2.0, 1.5
"""Seconds of noise alone before the speech (as 3GPP TS 26.077 Annex A.1 has it) and after it."""
HELD_OUT = 40
"""Unrelated talk: the last so many clips of each corpus are kept out of training; of the others the model that we
ship has heard the speakers, and with them the very clips."""


@dataclass(frozen=True)
class Sentence:
    """One thing said, and what it should become."""

    text: str
    step: str
    findings: tuple[dict[str, Any], ...]
    """Readings that are equally right; empty for a command or for talk."""
    command: str | None
    manner: str = "plain"
    """One of MANNERS."""

    @property
    def meant(self) -> bool:
        """Whether it is for the tool."""
        return bool(self.findings) or self.command is not None

    @property
    def number(self) -> bool:
        """Whether a value is expected."""
        return any("value" in finding for finding in self.findings)


def read_sentences(path: Path = SENTENCES) -> tuple[str, tuple[Sentence, ...]]:
    """Return the unit and the sentences of a file. Raises DataFileError naming the sentence."""
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except tomllib.TOMLDecodeError as error:
        raise DataFileError(path, None, f"not TOML: {error}") from None
    out = []
    for number, row in enumerate(data.get("sentence", []), 1):
        extra = set(row) - {"text", "step", "finding", "command", "manner"}
        if extra or "text" not in row or "step" not in row:
            raise DataFileError(path, None, f"sentence {number}: expected text, step and finding or command")
        found = row.get("finding", [])
        findings = tuple(found if isinstance(found, list) else [found])
        for finding in findings:
            Finding.from_json(finding)
        findings = tuple(same for finding in findings for same in _ways_to_write(finding, row["step"]))
        manner = row.get("manner", "plain")
        if manner not in MANNERS:
            raise DataFileError(path, None, f"sentence {number}: manner {manner!r}: expected {', '.join(MANNERS)}")
        out.append(Sentence(row["text"], row["step"], findings, row.get("command"), manner))
    if not out:
        raise DataFileError(path, None, "expected at least one sentence")
    return str(data.get("unit", "three_speed_simpson")), tuple(out)


def _ways_to_write(finding: dict[str, Any], step: str) -> list[dict[str, Any]]:
    """A finding as a writer put it, and as the program does: a level that is right is a wrong one denied, and a
    slip while the gears change up is a flare."""
    if finding["kind"] == "fluid_level" and finding.get("where") == "normal":
        return [finding, {"kind": "fluid_level", "present": False}]
    if finding["kind"] == "slip" and step.startswith("upshift"):
        return [finding, {**finding, "kind": "flare"}]
    return [finding]


def is_right(finding: Finding, sentence: Sentence) -> bool:
    """Whether every key that the sentence expects has its value in the finding."""
    got = finding.to_json()
    return any(
        all(got.get(key) == value for key, value in {"present": True, **wanted}.items())
        for wanted in sentence.findings
    )


def is_number_error(finding: Finding, sentence: Sentence) -> bool:
    """Whether a number was heard as another number."""
    wanted = {f["value"] for f in sentence.findings if "value" in f}
    return bool(wanted) and finding.value is not None and finding.value not in wanted


def test_speakers() -> tuple[Speaker, ...]:
    """Speakers held for tests, and mixes of their styles."""
    return (*load_speakers("test"), *mixed_speakers("test", 6, seed=SEED))


def say(text: str, speaker: Speaker, speed: float) -> Signal:
    """Speak, or take the clip from the cache, at the usual level; the silence at its ends is cut off."""
    key = hashlib.sha256(repr((2, text, speaker, speed)).encode()).hexdigest()[:24]
    path = cache_folder() / "bench_speech" / f"{key}.flac"
    if not path.is_file():
        speech = to_level(trim(speak(text, speaker, speed).astype(np.float64)))
        path.parent.mkdir(parents=True, exist_ok=True)
        part = path.with_suffix(f".{os.getpid()}.part")  # another run may speak the same sentence meanwhile
        soundfile.write(part, to_int16(speech), SAMPLE_RATE, format="FLAC", subtype="PCM_16")
        part.replace(path)
    return to_float(soundfile.read(path, dtype="int16")[0])


def voices_of(sentences: Sequence[Sentence]) -> Iterator[tuple[int, Speaker, float]]:
    """Deal the test speakers out: (sentence index, speaker, speed)."""
    speakers = test_speakers()
    rng = np.random.default_rng(SEED)
    for index in range(len(sentences)):
        yield index, speakers[index % len(speakers)], round(float(rng.uniform(0.92, 1.15)), 2)


def in_cabin(speech: Signal, snr: float | None, seed: int) -> tuple[Samples, float]:
    """Put speech between noise alone and into noise at `snr` dB (None: next to none, 40 dB).

    Returns the samples and the second at which the speech ends.
    """
    rng = np.random.default_rng([SEED, seed])
    speed = float(rng.uniform(25, 65))
    cabin = Cabin(
        speed=speed,
        tilt=float(rng.uniform(6, 12)),
        wind=float(rng.beta(1.5, 2.5)),
        fan=float(rng.uniform(0, 0.8)),
        rain=float(rng.uniform(0.2, 0.8)) if rng.random() < 0.15 else 0.0,
        engine=float(rng.uniform(1300, 3200)),
        indicator=bool(rng.random() < 0.15),
        wiper=bool(rng.random() < 0.15),
        wander=2.0,
    )
    level, _ = active_speech_level(speech)
    lead = np.zeros(round(LEAD * SAMPLE_RATE))
    padded = np.concatenate([lead, speech, np.zeros(round(TAIL * SAMPLE_RATE))])
    noise = cabin_noise(padded.size / SAMPLE_RATE + 0.1, cabin, SEED + seed)[: padded.size].astype(np.float64)
    gain = noise_gain(level, rms_level(noise), 40.0 if snr is None else snr)
    return to_int16(padded + noise * gain), LEAD + speech.size / SAMPLE_RATE


def unrelated(folder: Path) -> list[tuple[Path, bool]]:
    """People's speech that has nothing to do with cars: (clip of `librispeech` or `vctk_p239`, is it in training).

    Each is a folder in `folder` with a manifest.tsv (file, speaker, text).

    Raises UserError when the first is not there.
    """
    out: list[tuple[Path, bool]] = []
    for name in ("librispeech", "vctk_p239"):
        manifest = folder / name / "manifest.tsv"
        if not manifest.is_file():
            if not out:
                raise UserError(
                    f"{manifest}: not there; --data names the folder with speech that is not for the tool"
                )
            continue
        rows = manifest.read_text(encoding="utf-8").splitlines()[1:]
        files = [manifest.parent / row.split("\t")[0] for row in rows]
        out += [(file, number < len(files) - HELD_OUT) for number, file in enumerate(files)]
    return out


def load_unrelated(path: Path, snr: float | None, seed: int) -> tuple[Samples, float]:
    """One clip of unrelated talk at the usual level in cabin noise at `snr` dB, and its seconds of speech."""
    speech = to_level(to_float(read_wave(path)))
    return in_cabin(speech, snr, seed)[0], speech.size / SAMPLE_RATE

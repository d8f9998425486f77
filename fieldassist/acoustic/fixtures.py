"""Recorded drives: makes the clips of `audio_fixtures/<scenario>/scenario.toml` from synthetic speakers.

    python -m fieldassist.acoustic fixtures [SCENARIO ...] [--only FILE] [--again]

Each clip is the utterance at -26 dBov active level with cabin noise at the stated ratio (speech level by
ITU-T P.56 Method B, noise by RMS), noise alone before and after it: mono FLAC, 16 kHz, 16 bit. Made again,
a clip is the same in words, voice, level and noise; not to the bit, as the synthesis draws its own noise.
"""

from __future__ import annotations

import argparse
import re
import tomllib
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from scipy.signal import butter, sosfilt

from fieldassist.acoustic.cabin import Cabin, cabin_noise
from fieldassist.acoustic.mixing import Signal, active_speech_level, noise_gain, rms_level, to_int16, to_level
from fieldassist.acoustic.voices import role_speaker, speak
from fieldassist.errors import DataFileError, UserError
from fieldassist.resources import shipped
from fieldassist.words.recognizer import SAMPLE_RATE, Samples

BEFORE, AFTER = 0.5, 0.9
"""Seconds of noise alone around the speech; the endpointer needs the second to close an utterance."""
_HESITATION = re.compile(r"\b(uh|um|er|hmm|ah)\b,?", re.IGNORECASE)
_SPEEDS = {"pull_away": 12.0, "hold": 25.0, "upshift": 35.0, "kickdown": 45.0, "part_throttle": 40.0,
           "coast_down": 25.0, "engine_braking": 25.0, "cruise": 55.0, "acceleration": 50.0}  # fmt: skip
"""mph of the car while a step of that name is under way; at any other it stands with the engine running."""


@dataclass(frozen=True)
class Line:
    """One utterance of a scenario, as far as its sound goes."""

    file: str
    speaker: str
    text: str
    snr: float
    step: str


def read_lines(path: Path) -> tuple[Line, ...]:
    """Return the utterances of a scenario file, the `[stuck]` one last.

    Raises DataFileError naming the utterance and what it lacks.
    """
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise UserError(f"{path}: there is no such scenario") from None
    except tomllib.TOMLDecodeError as error:
        raise DataFileError(path, None, f"not TOML: {error}") from None
    tables: list[dict[str, Any]] = [*data.get("utterance", []), *([data["stuck"]] if "stuck" in data else [])]
    if not tables:
        raise DataFileError(path, None, "expected at least one [[utterance]]")
    lines = []
    for number, table in enumerate(tables, 1):
        for key in ("file", "speaker", "text", "snr_db"):
            if key not in table:
                raise DataFileError(path, None, f"utterance {number}: expected `{key}`")
        lines.append(
            Line(table["file"], table["speaker"], table["text"], float(table["snr_db"]), table.get("step", ""))
        )
    return tuple(lines)


def with_pauses(text: str) -> str:
    """Make hesitations audible: after `uh` the speaker stops for a moment, as people do."""
    return _HESITATION.sub(lambda found: f"{found.group(1)}… [0.45]", text)


def render(line: Line, scenario: str) -> Samples:
    """Speak one line in its cabin. The seed comes from the file name, so every clip has noise of its own."""
    seed = zlib.crc32(f"{scenario}/{line.file}".encode())
    rng = np.random.default_rng(seed)
    role = role_speaker(line.speaker)
    speech = speak(with_pauses(line.text), role.speaker, speed=float(rng.uniform(0.97, 1.12))).astype(np.float64)
    if role.band == "loudspeaker":
        speech = _loudspeaker(speech)
    return mix_clip(trim(speech), cabin_at(line.step, seed), line.snr, seed)


def mix_clip(speech: Signal, cabin: Cabin, snr: float, seed: int) -> Samples:
    """Set speech of usual level into cabin noise at `snr` dB, with noise alone before and after."""
    speech = to_level(speech)
    level, _ = active_speech_level(speech)
    padded = np.concatenate([np.zeros(round(BEFORE * SAMPLE_RATE)), speech, np.zeros(round(AFTER * SAMPLE_RATE))])
    noise = cabin_noise(padded.size / SAMPLE_RATE, cabin, seed)[: padded.size]
    return to_int16(padded + noise * noise_gain(level, rms_level(noise), snr))


def trim(speech: Signal, threshold: float = 0.004) -> Signal:
    """Cut the silence that a synthesiser leaves at both ends, keeping 30 ms."""
    loud = np.flatnonzero(np.abs(speech) > threshold)
    if not loud.size:
        raise UserError("the voice said nothing")
    margin = round(0.03 * SAMPLE_RATE)
    return speech[max(0, loud[0] - margin) : loud[-1] + margin]


def cabin_at(step: str, seed: int) -> Cabin:
    """The car at a step of the checklist: standing, or moving as fast as that step needs."""
    rng = np.random.default_rng([seed, 2])
    speed = next((mph for name, mph in _SPEEDS.items() if step.startswith(name)), 0.0)
    engine = 750.0 if speed == 0 else float(rng.uniform(1400, 2600))
    return Cabin(
        speed=speed,
        tilt=float(rng.uniform(6.5, 11.5)),
        wind=float(rng.uniform(0.1, 0.5)),
        fan=0.25,
        engine=engine,
        indicator=bool(rng.random() < 0.1),
        wander=1.5,
    )


def _loudspeaker(speech: Signal) -> Signal:
    """The narrower band of the car's own loudspeakers."""
    return np.asarray(sosfilt(butter(2, (250, 5000), "bandpass", fs=SAMPLE_RATE, output="sos"), speech))


def run(argv: Sequence[str]) -> int:
    """Make the clips that are missing (all of them with --again); return the exit code."""
    parser = argparse.ArgumentParser(prog="python -m fieldassist.acoustic fixtures", description=__doc__)
    parser.add_argument("scenario", nargs="*", help="folder of a scenario; all of them when left out")
    parser.add_argument("--only", metavar="FILE", help="one clip")
    parser.add_argument("--again", action="store_true", help="also those that are there already")
    args = parser.parse_args(argv)
    folders = [Path(name) for name in args.scenario] or sorted(
        path.parent for path in shipped("audio_fixtures").glob("*/scenario.toml")
    )
    for folder in folders:
        made = [make(line, folder) for line in read_lines(folder / "scenario.toml")
                if _wanted(line, folder, args.only, args.again)]  # fmt: skip
        print(f"{folder.name}: {len(made)} clips made, {sum(made):.0f} s")
    return 0


def make(line: Line, folder: Path) -> float:
    """Write one clip; return its length in seconds."""
    samples = render(line, folder.name)
    path = folder / line.file
    soundfile.write(path, samples, SAMPLE_RATE, format="FLAC", subtype="PCM_16", compression_level=1.0)
    return float(samples.size / SAMPLE_RATE)


def _wanted(line: Line, folder: Path, only: str | None, again: bool) -> bool:
    return (only is None or line.file == only) and (again or only is not None or not (folder / line.file).exists())


"""The recorded drives: every clip is what its scenario says, and fit to be heard."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile

from fieldassist.acoustic.cabin import Cabin
from fieldassist.acoustic.fixtures import Line, cabin_at, mix_clip, read_lines, trim, with_pauses
from fieldassist.acoustic.mixing import active_speech_level, rms_level, to_float
from fieldassist.acoustic.voices import load_speakers, mixed_speakers, role_speaker
from fieldassist.errors import DataFileError, UserError
from fieldassist.finding import Finding
from fieldassist.resources import shipped

SCENARIOS = sorted(path.parent for path in shipped("audio_fixtures").glob("*/scenario.toml"))
LINES = [(folder, line) for folder in SCENARIOS for line in read_lines(folder / "scenario.toml")]
IDS = [f"{folder.name}/{line.file}" for folder, line in LINES]


def test_there_is_a_recorded_drive() -> None:
    assert SCENARIOS
    assert sum(path.stat().st_size for folder in SCENARIOS for path in folder.glob("*.flac")) < 4_000_000


@pytest.mark.parametrize(("folder", "line"), LINES, ids=IDS)
def test_a_clip_is_sound_as_the_engines_take_it(folder: Path, line: Line) -> None:
    info = soundfile.info(folder / line.file)
    assert (info.samplerate, info.channels, info.format, info.subtype) == (16_000, 1, "FLAC", "PCM_16")
    samples, _ = soundfile.read(folder / line.file, dtype="int16")
    assert np.max(np.abs(samples.astype(int))) < 32_000, "clipped"
    words = len(line.text.split())
    assert 1.4 + 0.08 * words < info.duration < 3.5 + 0.8 * words, "length does not fit the text"


@pytest.mark.parametrize(("folder", "line"), LINES, ids=IDS)
def test_a_clip_has_speech_in_the_noise_that_it_states(folder: Path, line: Line) -> None:
    signal = to_float(soundfile.read(folder / line.file, dtype="int16")[0])
    alone = np.concatenate([signal[: round(0.4 * 16_000)], signal[-round(0.7 * 16_000) :]])
    level, _ = active_speech_level(signal)
    assert -33 < level < -23  # the hang-over counts a little pause: much beside a single short word
    # Noise alone comes before and after; it wanders, so the ratio of those moments is only near the clip's.
    assert level - rms_level(alone) == pytest.approx(line.snr, abs=7.0)


def test_every_clip_belongs_to_a_scenario_and_every_line_says_something() -> None:
    for folder in SCENARIOS:
        lines = read_lines(folder / "scenario.toml")
        assert {line.file for line in lines} == {path.name for path in folder.glob("*.flac")}
        assert all(line.text.strip() for line in lines)
        assert len({line.file for line in lines}) == len(lines)


def test_expected_findings_are_findings() -> None:
    for folder in SCENARIOS:
        data = tomllib.loads((folder / "scenario.toml").read_text(encoding="utf-8"))
        for utterance in data["utterance"]:
            if "finding" in utterance:
                Finding.from_json(utterance["finding"])


def test_the_readme_names_the_voices_as_synthetic_with_their_licence() -> None:
    text = (shipped("audio_fixtures") / "README.md").read_text(encoding="utf-8")
    assert "synthetic" in text
    assert "Apache-2.0" in text
    for folder, line in LINES:
        assert role_speaker(line.speaker).speaker.voice.split("+")[0] in text, f"{folder.name}: {line.speaker}"


def test_speakers_serve_one_purpose_only() -> None:
    styles = {
        split: {(s.engine, style) for s in load_speakers(split) for style in s.voice.split("+")}
        for split in ("train", "test", "fixtures")
    }
    assert not styles["train"] & styles["test"]
    assert not styles["train"] & styles["fixtures"]
    assert not styles["test"] & styles["fixtures"]
    mixes = {style for s in mixed_speakers("test", 20, seed=1) for style in s.voice.split("+")}
    assert mixes <= {style for engine, style in styles["test"] if engine == "kokoro"}


def test_a_speaker_in_two_splits_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "speakers.toml"
    path.write_text('[splits.train]\nkokoro_us = ["af_one"]\n[splits.test]\nkokoro_us = ["af_one"]\n')
    with pytest.raises(DataFileError, match=r"af_one is in train and in test"):
        load_speakers("train", path)
    with pytest.raises(UserError, match="split"):
        load_speakers("lunch")


def test_hesitations_become_pauses() -> None:
    assert with_pauses("uh, flare on the one two") == "uh… [0.45] flare on the one two"
    assert with_pauses("no leaks") == "no leaks"


def test_a_mixed_clip_keeps_its_ratio_and_its_margins() -> None:
    tone = np.sin(2 * np.pi * 500 * np.arange(16_000) / 16_000)
    samples = to_float(mix_clip(tone, Cabin(wander=0), 12.0, 3))
    assert rms_level(samples[8_000:24_000]) == pytest.approx(-26, abs=0.6)
    assert rms_level(samples[:8_000]) == pytest.approx(-38, abs=2.0)
    assert trim(np.concatenate([np.zeros(5_000), tone, np.zeros(5_000)])).size == pytest.approx(16_960, abs=20)
    with pytest.raises(UserError, match="nothing"):
        trim(np.zeros(100))


def test_the_car_stands_for_checks_and_moves_for_shifts() -> None:
    assert cabin_at("fluid_level", 1).speed == 0
    assert cabin_at("upshift_1_2_light", 1).speed > 20


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "at least one"),
        ("[[utterance]]\nfile = 'a.flac'", "utterance 1: expected `speaker`"),
        ("[[", "not TOML"),
    ],
)
def test_a_broken_scenario_is_named(tmp_path: Path, text: str, expected: str) -> None:
    path = tmp_path / "scenario.toml"
    path.write_text(text)
    with pytest.raises(DataFileError, match=expected):
        read_lines(path)
    with pytest.raises(UserError, match="no such scenario"):
        read_lines(tmp_path / "other.toml")

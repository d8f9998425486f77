"""Audio files of every usual kind come in as mono 16 kHz; anything else is one clear line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldassist.errors import UserError
from fieldassist.sound.wave import audio_files, read_wave, write_wave
from fieldassist.words.recognizer import SAMPLE_RATE

TONE = 440.0


def tone(rate: int, seconds: float = 1.0, amplitude: float = 0.5) -> np.ndarray:
    return amplitude * np.sin(2 * np.pi * TONE * np.arange(int(rate * seconds)) / rate)


@pytest.mark.parametrize("suffix", ["wav", "flac"])
@pytest.mark.parametrize("rate", [8000, 16000, 22050, 44100, 48000])
@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24"])
def test_a_tone_keeps_its_pitch_level_and_length(tmp_path, suffix, rate, channels, subtype):
    path = tmp_path / f"tone.{suffix}"
    soundfile.write(path, np.tile(tone(rate)[:, None], channels), rate, subtype=subtype)
    samples = read_wave(path)
    assert samples.dtype == np.int16 and samples.ndim == 1
    assert abs(len(samples) - SAMPLE_RATE) <= 1
    middle = samples[2000:-2000] / 32768
    # the RMS of a sine is its amplitude / sqrt(2)
    assert np.sqrt(np.mean(middle**2)) == pytest.approx(0.5 / np.sqrt(2), rel=0.01)
    spectrum = np.abs(np.fft.rfft(middle * np.hanning(len(middle))))
    assert np.argmax(spectrum) * SAMPLE_RATE / len(middle) == pytest.approx(TONE, abs=2)


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_32", "FLOAT", "DOUBLE", "ULAW", "ALAW"])
def test_other_sample_widths(tmp_path, subtype):
    path = tmp_path / "tone.wav"
    soundfile.write(path, tone(SAMPLE_RATE), SAMPLE_RATE, subtype=subtype)
    assert np.max(read_wave(path)) == pytest.approx(16384, rel=0.05)


def test_16_bit_samples_come_back_bit_for_bit(tmp_path):
    noise = np.random.default_rng(1).integers(-32768, 32767, 12345).astype(np.int16)
    for name in ("noise.wav", "noise.flac"):
        write_wave(tmp_path / name, noise)
        assert np.array_equal(read_wave(tmp_path / name), noise)


def test_a_float_file_with_values_that_are_no_numbers_is_silence_there(tmp_path):
    path = tmp_path / "odd.wav"
    soundfile.write(path, np.array([0.5, np.nan, np.inf, -np.inf]), SAMPLE_RATE, subtype="FLOAT")
    assert read_wave(path).tolist() == [16384, 0, 32767, -32768]


def broken(tmp_path: Path, kind: str) -> Path:
    path = tmp_path / f"{kind}.wav"
    soundfile.write(path, tone(SAMPLE_RATE), SAMPLE_RATE)
    whole = path.read_bytes()
    match kind:
        case "empty":
            path.write_bytes(b"")
        case "no-samples":
            soundfile.write(path, np.zeros(0), SAMPLE_RATE)
        case "truncated":
            path.write_bytes(whole[: len(whole) // 2])
        case "header-only":
            path.write_bytes(whole[:20])
        case "not-audio":
            path.write_bytes(b"The fluid was low.\n" * 50)
        case "missing":
            path.unlink()
        case "directory":
            path.unlink()
            path.mkdir()
        case "truncated-flac":
            path = path.with_suffix(".flac")
            soundfile.write(path, tone(SAMPLE_RATE), SAMPLE_RATE)
            path.write_bytes(path.read_bytes()[:-3000])
    return path


@pytest.mark.parametrize(
    ("kind", "says"),
    [
        ("empty", "empty"), ("no-samples", "0 samples"), ("truncated", "truncated"), ("header-only", ""),
        ("not-audio", "not a readable audio file"), ("missing", "cannot be read"), ("directory", "directory"),
        ("truncated-flac", ""),
    ],
)  # fmt: skip
def test_a_broken_file_is_told_in_one_line(tmp_path, kind, says):
    path = broken(tmp_path, kind)
    with pytest.raises(UserError) as caught:
        read_wave(path)
    message = str(caught.value)
    assert says in message and path.name in message and "\n" not in message


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=200), st.integers(0, 120))
def test_any_bytes_give_samples_or_one_line(tmp_path_factory, junk, keep):
    path = tmp_path_factory.mktemp("fuzz") / "x.wav"
    soundfile.write(path, tone(SAMPLE_RATE, 0.01), SAMPLE_RATE)
    path.write_bytes(path.read_bytes()[:keep] + junk)
    try:
        assert read_wave(path).dtype == np.int16
    except UserError as error:
        assert "\n" not in str(error)


def test_a_directory_is_its_recordings_by_name(tmp_path):
    for name in ("b.wav", "a.flac", "notes.txt"):
        (tmp_path / name).write_bytes(b"x")
    assert [p.name for p in audio_files(tmp_path)] == ["a.flac", "b.wav"]
    with pytest.raises(UserError, match="no such"):
        audio_files(tmp_path / "nothing")
    (tmp_path / "empty").mkdir()
    with pytest.raises(UserError, match="no recordings"):
        audio_files(tmp_path / "empty")

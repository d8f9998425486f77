"""Audio files in and out: whatever the file holds comes in as mono 16-bit samples at 16 kHz."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile
import soxr  # type: ignore[import-untyped]

from fieldassist.errors import UserError
from fieldassist.words.recognizer import SAMPLE_RATE, Samples

AUDIO_SUFFIXES: tuple[str, ...] = (".wav", ".flac", ".ogg", ".aiff", ".aif", ".w64")
"""File names that a directory of recordings is searched for."""

_BLOCK_SECONDS = 10.0
_UNKNOWN_LENGTH = (0, 0x7FFFFFFF, 0x7FFFF000, 0xFFFFFFFF)  # data sizes of a recorder that wrote to a pipe


class Converter:
    """Turns a stream of frames of any rate and channel count into mono 16-bit samples at 16 kHz."""

    def __init__(self, rate: int, channels: int) -> None:
        self._channels = channels
        self._stream = soxr.ResampleStream(rate, SAMPLE_RATE, 1, dtype="float32") if rate != SAMPLE_RATE else None

    def convert(self, frames: npt.NDArray[np.float32], last: bool = False) -> Samples:
        """Take frames (shape frames x channels, full scale 1.0); return the samples that are ready.

        Channels are averaged; a value that is not a number counts as silence. `last` flushes the filter.
        """
        mono = frames.mean(axis=1, dtype=np.float32) if self._channels > 1 else frames[:, 0]
        mono = np.nan_to_num(mono, nan=0.0, posinf=1.0, neginf=-1.0)
        if self._stream is not None:
            mono = self._stream.resample_chunk(np.ascontiguousarray(mono), last=last)
        scaled: Samples = np.clip(np.rint(mono * 32768.0), -32768, 32767).astype(np.int16)
        return scaled


def read_wave(path: str | Path) -> Samples:
    """Return the whole of an audio file as mono 16-bit samples at 16 kHz.

    Takes what libsndfile reads (WAV, FLAC, Ogg, AIFF...), any rate, channel count and sample width.
    Raises UserError when the file is missing, empty, truncated or not audio.
    """
    blocks = list(stream_wave(path))
    return np.concatenate(blocks)


def stream_wave(path: str | Path) -> Iterator[Samples]:
    """Yield an audio file in stretches of about ten seconds, converted as `read_wave` does it.

    Memory stays flat however long the file is. Raises UserError as `read_wave` does, before the first
    stretch where the file's header shows the fault.
    """
    path = Path(path)
    _refuse_what_is_no_file(path)
    _refuse_truncated_riff(path)
    try:
        with soundfile.SoundFile(path) as file:
            rate, channels, frames = file.samplerate, file.channels, file.frames
            if frames <= 0:
                raise UserError(f"{path}: no sound in it (0 samples); expected a recording")
            converter = Converter(rate, channels)
            done = 0
            for block in file.blocks(int(rate * _BLOCK_SECONDS), dtype="float32", always_2d=True):
                done += len(block)
                yield converter.convert(block, last=done >= frames)
            if done < frames:
                raise UserError(
                    f"{path}: truncated: {frames / rate:.2f} s promised, {done / rate:.2f} s there; copy it again"
                )
    except soundfile.LibsndfileError as error:
        reason = str(error.error_string).rstrip(".")
        raise UserError(f"{path}: not a readable audio file ({reason}); expected WAV or FLAC") from None


def write_wave(path: str | Path, samples: Samples) -> None:
    """Write mono 16-bit samples at 16 kHz as WAV or FLAC, by the suffix. Raises UserError when it cannot."""
    try:
        soundfile.write(path, samples, SAMPLE_RATE, subtype="PCM_16")
    except (soundfile.LibsndfileError, OSError) as error:
        raise UserError(f"{path}: cannot be written ({error})") from None


def audio_files(path: str | Path) -> tuple[Path, ...]:
    """Return the file itself, or a directory's audio files in order of name.

    Raises UserError when there is nothing there.
    """
    path = Path(path)
    if path.is_dir():
        found = tuple(sorted(p for p in path.iterdir() if p.suffix.lower() in AUDIO_SUFFIXES))
        if not found:
            raise UserError(f"{path}: no recordings in this directory; expected {' or '.join(AUDIO_SUFFIXES[:2])}")
        return found
    if not path.exists():
        raise UserError(f"{path}: no such file or directory")
    return (path,)


def _refuse_what_is_no_file(path: Path) -> None:
    try:
        if path.is_dir():
            raise UserError(f"{path}: is a directory; expected an audio file")
        size = path.stat().st_size
        with path.open("rb"):
            pass
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise UserError(f"{path}: cannot be read ({reason})") from None
    if size == 0:
        raise UserError(f"{path}: empty file; expected a recording")


def _refuse_truncated_riff(path: Path) -> None:
    """libsndfile plays a cut-off WAV without a word; what the chunk headers promise is checked here."""
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(12)
        if head[:4] != b"RIFF" or head[8:12] != b"WAVE":
            return
        while len(chunk := file.read(8)) == 8:
            name, length = struct.unpack("<4sI", chunk)
            if name == b"data":
                missing = length - (size - file.tell())
                if length not in _UNKNOWN_LENGTH and missing > 0:
                    raise UserError(f"{path}: truncated: {missing} bytes of sound are missing; copy it again")
                return
            file.seek(length + (length & 1), 1)
    raise UserError(f"{path}: truncated: no sound data in this WAV file; copy it again")

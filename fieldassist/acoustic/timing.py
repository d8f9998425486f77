"""Which phone is heard when in Kokoro's speech: the network decides how long each symbol lasts before it speaks.

This is where training begins: no other recogniser has to say first where the phones are.
"""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fieldassist.acoustic.features import FRAME, RATE, SHIFT
from fieldassist.acoustic.layers import SUBSAMPLING
from fieldassist.words.phones import phone_index

DURATIONS = "/encoder/Cast_output_0"
"""Name of the value in Kokoro's graph that holds the durations, in its own frames."""
FRAME_SECONDS = 600 / 24_000
"""Length of one of Kokoro's frames: samples per frame and rate of its waveform."""
OUTPUT_SECONDS = SUBSAMPLING * SHIFT / RATE
_PAUSE = 4
"""Kokoro's frames between two words from which on they are a pause; fewer belong to the words."""
_MARKS = frozenset("ˈˌː")
_VOWELS = frozenset("AIOQWYᵊaeiouɑɐɒæɔəɚɛɜɪʊʌᵻ")


@functools.cache
def _phone_of() -> dict[str, int]:
    path = Path(__file__).resolve().parent / "kokoro_symbols.toml"
    table = tomllib.loads(path.read_text(encoding="utf-8"))["phones"]
    return {symbol: phone_index(phone) for symbol, phone in table.items()}


def phones_spoken(symbols: Sequence[str], durations: Sequence[int]) -> npt.NDArray[np.int8]:
    """Phone index (0 is silence) at each output of the clip.

    symbols: what was spoken; durations: Kokoro's frames of each, with one more before and one behind. An output
    has the phone in the middle of its frame of features. Raises ValueError when the two don't fit together.
    """
    if len(durations) != len(symbols) + 2:
        raise ValueError(f"{len(symbols)} symbols with {len(durations)} durations")
    known = _phone_of()
    runs: list[tuple[int, float]] = [(0, float(durations[0]))]
    ahead = 0.0  # frames of a stress mark or of half a gap belong to what follows
    for place, (symbol, length) in enumerate(zip(symbols, durations[1:-1], strict=True)):
        if symbol in known:
            phone = known[symbol]
            before = symbols[place - 1] if place else ""
            after = symbols[place + 1] if place + 1 < len(symbols) else ""
            if symbol == "ɹ" and before == "ɜ":
                phone = phone_index("ER")
            elif symbol == "ɹ" and before == "ə" and after not in _VOWELS and after not in _MARKS:
                phone = phone_index("ER")
                runs[-1] = phone, runs[-1][1]
            runs.append((phone, length + ahead))
            ahead = 0.0
        elif symbol in _MARKS:
            if symbol == "ː":
                runs[-1] = runs[-1][0], runs[-1][1] + length
            else:
                ahead += length
        elif symbol == " " and length < _PAUSE and runs[-1][0]:
            runs[-1] = runs[-1][0], runs[-1][1] + length / 2
            ahead += length / 2
        else:
            runs.append((0, length + ahead))
            ahead = 0.0
    runs.append((0, float(durations[-1]) + ahead))
    ends = np.cumsum([length for _, length in runs]) * FRAME_SECONDS
    count = max(1, -(-(1 + max(0, round(ends[-1] * RATE) - FRAME) // SHIFT) // SUBSAMPLING))
    middles = np.arange(count) * OUTPUT_SECONDS + FRAME / RATE / 2
    which = np.searchsorted(ends, middles, side="right").clip(max=len(runs) - 1)
    return np.asarray(np.array([phone for phone, _ in runs], np.int8)[which], np.int8)

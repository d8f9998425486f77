"""What it costs to take one sound for another: articulatory distance between phones.

A substitution costs 0 (same) to about 1 (nothing alike); leaving a sound out or putting one in costs what its
weight in the word is worth: final stops, H and the neutral vowel are easily lost in noise, stressed vowels
and hissing sounds are not. The features are the usual chart of the International Phonetic Alphabet for
English; the weights are ours.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from fieldassist.phrases.phonemes import PHONE_INDEX, PHONES, VOWELS

# height (0 high .. 4 low), backness (0 front .. 2 back), rounded, gliding towards (front 1, back 2), r-coloured
_VOWEL_FEATURES: dict[str, tuple[float, float, float, float, float]] = {
    "IY": (0, 0, 0, 0, 0), "IH": (0.8, 0.4, 0, 0, 0), "EY": (1.6, 0, 0, 1, 0), "EH": (2.2, 0.2, 0, 0, 0),
    "AE": (3.2, 0.2, 0, 0, 0), "AA": (4, 1.6, 0, 0, 0), "AO": (3, 2, 0.6, 0, 0), "OW": (1.8, 2, 1, 2, 0),
    "UH": (0.8, 1.6, 0.8, 0, 0), "UW": (0, 1.8, 1, 0, 0), "AH": (2.4, 1.1, 0, 0, 0), "ER": (1.8, 1.1, 0.2, 0, 1),
    "AY": (3.6, 1, 0, 1, 0), "AW": (3.6, 1.2, 0.4, 2, 0), "OY": (2.6, 1.8, 0.8, 1, 0),
}  # fmt: skip
# place (lips 0 .. throat 5), manner, voiced
_CONSONANT_FEATURES: dict[str, tuple[float, str, int]] = {
    "P": (0, "stop", 0), "B": (0, "stop", 1), "T": (2, "stop", 0), "D": (2, "stop", 1), "K": (4, "stop", 0),
    "G": (4, "stop", 1), "CH": (2.6, "affricate", 0), "JH": (2.6, "affricate", 1), "F": (0.6, "fricative", 0),
    "V": (0.6, "fricative", 1), "TH": (1.2, "fricative", 0), "DH": (1.2, "fricative", 1), "S": (2, "hiss", 0),
    "Z": (2, "hiss", 1), "SH": (2.6, "hiss", 0), "ZH": (2.6, "hiss", 1), "HH": (5, "fricative", 0),
    "M": (0, "nasal", 1), "N": (2, "nasal", 1), "NG": (4, "nasal", 1), "L": (2, "liquid", 1),
    "R": (2.6, "liquid", 1), "W": (0.4, "glide", 1), "Y": (3, "glide", 1),
}  # fmt: skip
_MANNER_DISTANCE: dict[frozenset[str], float] = {
    frozenset(("stop", "affricate")): 0.35, frozenset(("affricate", "hiss")): 0.3,
    frozenset(("affricate", "fricative")): 0.5, frozenset(("fricative", "hiss")): 0.4,
    frozenset(("stop", "fricative")): 0.5, frozenset(("stop", "hiss")): 0.65, frozenset(("stop", "nasal")): 0.55,
    frozenset(("liquid", "glide")): 0.4, frozenset(("nasal", "liquid")): 0.55, frozenset(("nasal", "glide")): 0.65,
}  # fmt: skip
_SPECIAL: dict[frozenset[str], float] = {
    frozenset(("T", "D")): 0.12,  # both are a tap between vowels: shutter, shudder
    frozenset(("AH", "IH")): 0.15,  # unstressed
    frozenset(("AH", "UH")): 0.2,
    frozenset(("AA", "AO")): 0.1,  # one vowel for many speakers
    frozenset(("ER", "R")): 0.25,
    frozenset(("ER", "AH")): 0.3,
    frozenset(("W", "UW")): 0.3,
    frozenset(("Y", "IY")): 0.3,
    frozenset(("L", "AH")): 0.7,
    frozenset(("L", "OW")): 0.6,
}

_WEAK = {"AH": 0.4, "IH": 0.45, "ER": 0.5, "HH": 0.3, "T": 0.4, "D": 0.4, "Y": 0.35, "W": 0.45, "N": 0.5,
         "R": 0.45,
         "L": 0.5, "DH": 0.4, "V": 0.45, "P": 0.5, "B": 0.5, "K": 0.5, "G": 0.5, "TH": 0.5, "F": 0.55, "M": 0.55,
         "NG": 0.5}  # fmt: skip


def substitution(one: str, other: str) -> float:
    """Return the cost of hearing `one` as `other`; symmetric."""
    if one == other:
        return 0.0
    special = _SPECIAL.get(frozenset((one, other)))
    if special is not None:
        return special
    if (one in VOWELS) != (other in VOWELS):
        return 1.1
    if one in VOWELS:
        a, b = _VOWEL_FEATURES[one], _VOWEL_FEATURES[other]
        glide = 0.0 if a[3] == b[3] else 0.25
        return min(1.0, 0.15 + 0.18 * abs(a[0] - b[0]) + 0.2 * abs(a[1] - b[1]) + 0.12 * abs(a[2] - b[2]) + glide
                   + 0.3 * abs(a[4] - b[4]))  # fmt: skip
    c, d = _CONSONANT_FEATURES[one], _CONSONANT_FEATURES[other]
    manner = 0.0 if c[1] == d[1] else _MANNER_DISTANCE.get(frozenset((c[1], d[1])), 0.75)
    return min(1.0, 0.1 + 0.1 * abs(c[0] - d[0]) + manner + 0.1 * abs(c[2] - d[2]))


def omission(phone: str) -> float:
    """Return the cost of a sound that was left out or put in."""
    return _WEAK.get(phone, 0.65)


@lru_cache(maxsize=1)
def cost_tables() -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]:
    """Return (substitution costs, 39 x 39; omission costs, 39), indexed as PHONES."""
    n = len(PHONES)
    table = np.zeros((n, n), np.float32)
    for a in PHONES:
        for b in PHONES:
            table[PHONE_INDEX[a], PHONE_INDEX[b]] = substitution(a, b)
    return table, np.array([omission(p) for p in PHONES], np.float32)

"""Guess how an unknown word is said: from known parts first, then from its letters.

The letter rules are a small set for shop words that no dictionary has; they are meant to be close enough for
phonetic matching, and the tests report how close they come to CMUdict.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import lru_cache

Phones = tuple[str, ...]
Known = Callable[[str], tuple[Phones, ...]]

_VOWELS = "aeiouy"

# (letters, what must follow (a pattern, "" for anything), phones), tried in this order at each place.
_RULES: tuple[tuple[str, str, str], ...] = (
    ("tion", "", "SH AH N"), ("ssion", "", "SH AH N"), ("sion", "", "ZH AH N"), ("cious", "", "SH AH S"),
    ("tious", "", "SH AH S"), ("ture", "$", "CH ER"), ("ous", "$", "AH S"), ("ing", "$", "IH NG"),
    ("able", "$", "AH B AH L"), ("ible", "$", "AH B AH L"), ("le", "$", "AH L"), ("les", "$", "AH L Z"),
    ("age", "$", "IH JH"), ("eigh", "", "EY"), ("igh", "", "AY"), ("ough", "t", "AO"), ("ough", "", "OW"),
    ("augh", "", "AO"), ("tch", "", "CH"), ("sch", "", "S K"), ("dge", "", "JH"), ("ck", "", "K"),
    ("ch", "", "CH"), ("sh", "", "SH"), ("ph", "", "F"), ("th", "", "TH"), ("wh", "", "W"), ("qu", "", "K W"),
    ("gh", "", "G"), ("ng", "$", "NG"), ("ng", "[sk]", "NG"), ("nk", "", "NG K"), ("kn", "", "N"),
    ("wr", "", "R"), ("sc", "[eiy]", "S"), ("x", "", "K S"), ("q", "", "K"),
    ("air", "", "EH R"), ("are", "$", "EH R"), ("ear", "", "IH R"), ("eer", "", "IH R"), ("ier", "$", "IY ER"),
    ("our", "", "AW R"), ("oor", "", "AO R"), ("ore", "", "AO R"), ("ar", "(?![aeiouy])", "AA R"),
    ("or", "$", "ER"), ("or", "", "AO R"), ("er", "(?![aeiouy])", "ER"), ("ir", "(?![aeiouy])", "ER"),
    ("ur", "(?![aeiouy])", "ER"), ("ure", "$", "Y ER"), ("ire", "$", "AY ER"),
    ("ai", "", "EY"), ("ay", "", "EY"), ("au", "", "AO"), ("aw", "", "AO"), ("ea", "d$", "EH"), ("ea", "", "IY"),
    ("ee", "", "IY"), ("ei", "", "IY"), ("ey", "$", "IY"), ("eu", "", "UW"), ("ew", "", "UW"), ("ie", "", "IY"),
    ("oa", "", "OW"), ("oe", "$", "OW"), ("oi", "", "OY"), ("oy", "", "OY"), ("oo", "k", "UH"), ("oo", "", "UW"),
    ("ou", "", "AW"), ("ow", "$", "OW"), ("ow", "", "AW"), ("ue", "$", "UW"), ("ui", "", "UW"),
    ("all", "", "AO L"), ("al", "[kmt]", "AO"), ("old", "", "OW L D"), ("ind", "$", "AY N D"),
    ("a", "[bcdfgjklmnpstvxz]e(s|d)?$", "EY"), ("e", "[bcdfgjklmnpstvxz]e(s|d)?$", "IY"),
    ("i", "[bcdfgjklmnpstvxz]e(s|d)?$", "AY"), ("o", "[bcdfgjklmnpstvxz]e(s|d)?$", "OW"),
    ("u", "[bcdfgjklmnpstvxz]e(s|d)?$", "UW"),
    ("a", "$", "AH"), ("a", "", "AE"), ("i", "$", "IY"), ("i", "", "IH"), ("o", "$", "OW"), ("o", "", "AA"),
    ("u", "$", "UW"), ("u", "", "AH"), ("y", "$", "IY"), ("y", "[aeiou]", "Y"), ("y", "", "IH"),
    ("e", "", "EH"),
    ("c", "[eiy]", "S"), ("c", "", "K"), ("g", "[eiy]", "JH"), ("g", "", "G"), ("b", "", "B"), ("d", "", "D"),
    ("f", "", "F"), ("h", "", "HH"), ("j", "", "JH"), ("k", "", "K"), ("l", "", "L"), ("m", "", "M"),
    ("n", "", "N"), ("p", "", "P"), ("r", "", "R"), ("s", "", "S"), ("t", "", "T"), ("v", "", "V"),
    ("w", "", "W"), ("z", "", "Z"),
)  # fmt: skip
_COMPILED = tuple((letters, re.compile(after), tuple(phones.split())) for letters, after, phones in _RULES)
_VOICELESS = frozenset(("P", "T", "K", "F", "TH", "S", "SH", "CH", "HH"))
_HISSING = frozenset(("S", "Z", "SH", "ZH", "CH", "JH"))


def guess(word: str, known: Known) -> tuple[Phones, ...]:
    """Return likely pronunciations of a word that the dictionary lacks; at least one, never empty.

    `known` looks words up and returns () for those it lacks. Tried in turn: a known stem with an ending
    (-s, -ed, -ing, -er), two known words joined (up+shift), and the letters.
    """
    plain = re.sub(r"[^a-z']", "", word.lower()).strip("'")
    if not plain:
        return (("AH",),)
    return _from_stem(plain, known) or _from_parts(plain, known) or (from_letters(plain),)


@lru_cache(maxsize=4096)
def from_letters(word: str) -> Phones:
    """Read a word by the letter rules alone."""
    out: list[str] = []
    at = 0
    while at < len(word):
        rest = word[at:]
        if rest == "e" and len(word) > 2 and any(v in word[:at] for v in _VOWELS):
            break  # a final e is silent once the word has a vowel
        if rest == "ed" and at > 1 and word[at - 1] not in "td":
            out.append("T" if out and out[-1] in _VOICELESS else "D")
            break
        if at + 1 < len(word) and word[at] == word[at + 1] and word[at] not in _VOWELS:
            at += 1  # a doubled consonant is said once
            continue
        for letters, after, phones in _COMPILED:
            if rest.startswith(letters) and (not after.pattern or after.match(rest, len(letters))):
                out.extend(phones)
                at += len(letters)
                break
        else:
            at += 1
    plural = word.endswith("s") and not word.endswith("ss")
    if plural and len(out) > 1 and out[-1] == "S" and out[-2] not in _VOICELESS:
        out[-1] = "Z"
    return tuple(out) or ("AH",)


def _from_stem(word: str, known: Known) -> tuple[Phones, ...]:
    for ending in ("'s", "s", "es", "ed", "ing", "er", "ers"):
        if not word.endswith(ending) or len(word) - len(ending) < 3:
            continue
        base = word[: -len(ending)]
        stems = [base, base + "e"] + ([base[:-1]] if base[-1] == base[-2] and base[-1] not in _VOWELS else [])
        for stem in stems:
            found = known(stem)
            if found:
                return tuple(phones + _ending(phones[-1], ending) for phones in found)
    return ()


def _ending(last: str, ending: str) -> Phones:
    """How an ending is said after a sound."""
    if ending in ("s", "es", "'s"):
        return ("IH", "Z") if last in _HISSING else ("S",) if last in _VOICELESS else ("Z",)
    if ending == "ed":
        return ("IH", "D") if last in ("T", "D") else ("T",) if last in _VOICELESS else ("D",)
    return {"ing": ("IH", "NG"), "er": ("ER",), "ers": ("ER", "Z")}[ending]


def _from_parts(word: str, known: Known) -> tuple[Phones, ...]:
    """Split into two known words, the split nearest the middle first."""
    places = sorted(range(2, len(word) - 2), key=lambda i: abs(len(word) / 2 - i))
    for at in places:
        first, second = known(word[:at]), known(word[at:]) or _from_stem(word[at:], known)
        if first and second:
            return (first[0] + second[0],)
    return ()

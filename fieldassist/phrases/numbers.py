"""Spoken numbers, both ways: words to a value, and a value to the ways people say it.

Read: "forty five", "a hundred and five", "one oh five", "one fifty", "twenty one hundred", "two thousand
four hundred", "twenty-four hundred and fifty", "eighteen fifty", "two one double oh", "one point five",
"point five", "two and a half", "half". Values from 0 to 99,999 with up to three decimals.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence

UNITS: dict[str, int] = {
    "zero": 0, "one": 1, "two": 2, "three": 3, "four": 4, "five": 5, "six": 6, "seven": 7, "eight": 8, "nine": 9,
}  # fmt: skip
TEENS: dict[str, int] = {
    "ten": 10, "eleven": 11, "twelve": 12, "thirteen": 13, "fourteen": 14, "fifteen": 15, "sixteen": 16,
    "seventeen": 17, "eighteen": 18, "nineteen": 19,
}  # fmt: skip
TENS: dict[str, int] = {
    "twenty": 20, "thirty": 30, "forty": 40, "fifty": 50, "sixty": 60, "seventy": 70, "eighty": 80, "ninety": 90,
}  # fmt: skip
ZEROS: tuple[str, ...] = ("zero", "oh", "nought")
REPEATS: dict[str, int] = {"double": 2, "triple": 3}
JOINERS: tuple[str, ...] = ("a", "and", "hundred", "thousand", "grand", "point", "half", "quarter", "quarters")
WORDS: frozenset[str] = frozenset((*UNITS, *TEENS, *TENS, *ZEROS, *REPEATS, *JOINERS))
"""Every word that can be part of a number."""

_AND_PARTS = {("a", "half"): 0.5, ("a", "quarter"): 0.25, ("three", "quarters"): 0.75}
_BEFORE_THOUSANDS = frozenset(("half", "quarter", "quarters", *UNITS))
"""Last words of a number that is no whole one and is counted in thousands."""
LARGEST = 99_999
_NEAR = 0.12
"""Share by which two numbers differ at most that are tries at one."""

_NAMES = {value: word for table in (UNITS, TEENS, TENS) for word, value in table.items()}
_DIGIT_NAMES = tuple(UNITS)


def read_number(words: str | Sequence[str]) -> float | None:
    """Return the value of a phrase that is a number from its first word to its last, or None."""
    tokens = (words if isinstance(words, str) else " ".join(words)).replace("-", " ").split()
    tokens = ["thousand" if token == "grand" else token for token in tokens]
    if not tokens or words in ("grand", ["grand"], ("grand",)):  # "holding grand" is no number
        return None
    if tokens in (["half"], ["a", "half"], ["half", "a"]):
        return 0.5
    if len(tokens) > 2 and tokens[-1] == "thousand" and tokens[-2] in _BEFORE_THOUSANDS:
        thousands = read_number(tokens[:-1])  # "two and a half thousand", "two point one thousand"
        if thousands is not None and thousands % 1 and thousands * 1000 <= LARGEST:
            return round(thousands * 1000, 3)
    if len(tokens) > 3 and tokens[-3] == "and" and (tokens[-2], tokens[-1]) in _AND_PARTS:
        whole = _whole(tokens[:-3])
        return None if whole is None else whole + _AND_PARTS[tokens[-2], tokens[-1]]
    if "point" in tokens:
        at = tokens.index("point")
        whole = _whole(tokens[:at]) if at else 0
        digits = _digits(tokens[at + 1 :])
        if whole is None or not digits or len(digits) > 3:
            return None
        return float(f"{whole}.{digits}")
    value = _whole(tokens)
    return None if value is None else float(value)


def stretches(words: Sequence[str], without: Collection[int] = ()) -> list[tuple[int, int]]:
    """Return the places (from, to) where words of numbers stand together; those at `without` are none."""
    out, at = [], 0
    while at < len(words):
        end = at
        while end < len(words) and words[end] in WORDS and end not in without:
            end += 1
        if end > at:
            out.append((at, end))
        at = max(end, at + 1)
    return out


def standing(values: Sequence[Sequence[str | None]]) -> list[Sequence[str | None]]:
    """Return the numbers (words, unit) that stand: one that the next begins again is a false start, and of two
    that lie near each other the last one is meant.

    "sixty, um, sixty two pounds" is 62 pounds, "twenty four, twenty five miles an hour" is 25; "seventeen
    seventeen" and "fifty" are 1750, "one seventy one" and "seventy five" 175.
    """
    out: list[Sequence[str | None]] = []
    for value in values:
        again = begun_again(f"{out[-1][0]} {value[0]}") if out and out[-1][1] is None else None
        if again is not None and again != value[0]:
            out[-1] = [again, value[1]]
            continue
        if out and out[-1][1] in (None, value[1]) and _goes_on(out[-1][0] or "", value[0] or ""):
            out.pop()
        out.append(value)
    return out


def begun_again(words: str) -> str | None:
    """Return the number that words end in when they say it, or one near it, twice: "twenty twenty two" is 22 then,
    "thirty nine forty" 40."""
    tokens = words.split()
    for cut in range(1, len(tokens)):
        before, again = " ".join(tokens[:cut]), " ".join(tokens[cut:])
        if read_number(again) is not None and _goes_on(before, again):
            return again
    return None


def _goes_on(before: str, after: str) -> bool:
    """The second number says the first again, or one near it."""
    if f"{after} ".startswith(f"{before} "):
        return True
    one, other = read_number(before), read_number(after)
    return one is not None and other is not None and abs(one - other) <= _NEAR * max(one, other)


def say_number(value: float) -> tuple[str, ...]:
    """Return the ways a value is said, the commonest first; `read_number` reads every one back.

    Raises ValueError outside 0..LARGEST or with more than three decimals.
    """
    if not 0 <= value <= LARGEST or round(value, 3) != value:
        raise ValueError(f"expected a number from 0 to {LARGEST} with at most three decimals, got {value!r}")
    whole = int(value)
    decimals = f"{value - whole:.3f}"[2:].rstrip("0")
    ways = _ways_of_whole(whole)
    if not decimals:
        return ways
    spelled = " ".join(_DIGIT_NAMES[int(d)] for d in decimals)
    out = [f"{way} point {spelled}" for way in ways]
    if whole == 0:
        out.insert(0, f"point {spelled}")
    if decimals == "5":
        out = [out[0], *(["half", "a half"] if whole == 0 else [f"{ways[0]} and a half"]), *out[1:]]
    return tuple(dict.fromkeys(out))


def spell_out(text: str) -> str:
    """Return typed text with its figures as words: `2-3 at 45` becomes `two three at forty five`."""

    def figures(match: re.Match[str]) -> str:
        number = match.group().replace(",", "")
        if len(number.split(".")[0]) > 5 or len(number.partition(".")[2]) > 3:
            return " ".join(_DIGIT_NAMES[int(d)] if d.isdigit() else "point" for d in number)
        return say_number(float(number))[0]

    text = re.sub(r"(?<=\d)(st|nd|rd|th)\b", "th", text)
    text = re.sub(r"\b\d{1,2}th\b", lambda m: _ORDINALS.get(int(m.group()[:-2]), m.group()[:-2]), text)
    text = re.sub(r"(?<=\d)\s*(?:-|–|>|→|->)\s*(?=\d)", " ", text)
    text = re.sub(r"(?<=\d)(?=[a-z/])|(?<=[a-z])(?=\d)", " ", text)
    return re.sub(r"\d{1,3}(?:,\d{3})+(?:\.\d+)?|\d+(?:\.\d+)?|\.\d+", figures, text)


_ORDINALS = {
    1: "first", 2: "second", 3: "third", 4: "fourth", 5: "fifth", 6: "sixth", 7: "seventh", 8: "eighth",
}  # fmt: skip


def _whole(tokens: list[str]) -> int | None:
    """Read a whole number."""
    if "thousand" in tokens:
        at = tokens.index("thousand")
        left, right = _multiplier(tokens[:at], 99), _after_and(tokens[at + 1 :])
        rest = _below_thousand(right) if right else 0
        if rest is None and 2 <= len(digits := _digits(right)) <= 3:
            rest = int(digits)  # "two thousand two fifty"
        return None if left is None or rest is None else left * 1000 + rest
    if "hundred" in tokens:
        return _hundreds(tokens)
    digits = _digits(tokens)
    return int(digits) if digits and len(digits) <= 5 else None


def _hundreds(tokens: list[str]) -> int | None:
    at = tokens.index("hundred")
    left, right = _multiplier(tokens[:at], 99), tokens[at + 1 :]
    rest = _small(_after_and(right)) if right else 0
    return None if left is None or rest is None else left * 100 + rest


def _below_thousand(tokens: list[str]) -> int | None:
    if "hundred" in tokens:
        value = _hundreds(tokens)
        return value if value is not None and value < 1000 else None
    return _small(tokens)


def _after_and(tokens: list[str]) -> list[str]:
    return tokens[1:] if len(tokens) > 1 and tokens[0] == "and" else tokens


def _multiplier(tokens: list[str], largest: int) -> int | None:
    """Read what stands before hundred or thousand: a, or 1..largest; nothing said means one."""
    if tokens in ([], ["a"]):
        return 1
    value = _small(tokens)
    if value is None and len(tokens) == 2 and all(UNITS.get(token) for token in tokens):
        value = int(_digits(tokens))  # "one eight hundred"
    return value if value is not None and 0 < value <= largest else None


def _small(tokens: list[str]) -> int | None:
    """Read 0..99 said the plain way, or `oh five`."""
    if len(tokens) == 1:
        word = tokens[0]
        return next((table[word] for table in (UNITS, TEENS, TENS) if word in table), None)
    if len(tokens) == 2 and UNITS.get(tokens[1], 0) > 0:
        if tokens[0] in TENS:
            return TENS[tokens[0]] + UNITS[tokens[1]]
        if tokens[0] in ZEROS:
            return UNITS[tokens[1]]
    return None


def _digits(tokens: list[str]) -> str:
    """Join groups said one after the other (`eighteen fifty`, `one oh five`); empty if it is no number."""
    groups: list[str] = []
    i = 0
    while i < len(tokens):
        word = tokens[i]
        following = tokens[i + 1] if i + 1 < len(tokens) else ""
        if word in TENS:
            unit = UNITS.get(following, 0)
            groups.append(str(TENS[word] + unit))
            i += 2 if unit else 1
        elif word in TEENS:
            groups.append(str(TEENS[word]))
            i += 1
        elif word in REPEATS and (following in UNITS or following in ZEROS):
            groups.append(str(UNITS.get(following, 0)) * REPEATS[word])
            i += 2
        elif word in UNITS or word in ZEROS:
            groups.append(str(UNITS.get(word, 0)))
            i += 1
        else:
            return ""
    return "".join(groups)


def _small_name(value: int) -> str:
    if value in _NAMES:
        return _NAMES[value]
    return f"{_NAMES[value // 10 * 10]} {_NAMES[value % 10]}"


def _ways_of_whole(value: int) -> tuple[str, ...]:
    """Say a whole number in all its ways."""
    digits = " ".join(_DIGIT_NAMES[int(d)] for d in str(value))
    out: list[str] = []
    if value < 100:
        out.append(_small_name(value))
        if value == 0:
            out.append("oh")
    else:
        high, low = divmod(value, 100)
        if 10 < high < 100 and high % 10:  # twenty one hundred, twenty four hundred and fifty
            out += [f"{_small_name(high)} hundred{tail}" for tail in _tails(low)]
        if 10 <= high < 100 and low:
            out.append(f"{_small_name(high)} {_small_name(low) if low > 9 else 'oh ' + _small_name(low)}")
        out += _cardinals(value)
        if 1 <= high < 10:
            if low > 9:
                out.append(f"{_small_name(high)} {_small_name(low)}")  # one fifty
            elif low:
                out.append(f"{_small_name(high)} oh {_small_name(low)}")
    if value > 9:
        out += [digits, digits.replace("zero", "oh")]
        out += [_doubled(str(value), zero) for zero in ZEROS]
    readable = (way for way in out if _whole(way.split()) == value)
    return tuple(dict.fromkeys(readable))


def _tails(low: int) -> list[str]:
    return [f" {_small_name(low)}", f" and {_small_name(low)}"] if low else [""]


def _cardinals(value: int) -> list[str]:
    """Say 100..99,999 with hundreds and thousands, with and without `and`, and with `a`."""
    thousands, rest = divmod(value, 1000)
    if thousands:
        heads = [f"{_small_name(thousands)} thousand"]
        if rest == 0:
            tails = [""]
        elif rest < 100:
            tails = _tails(rest)
        else:
            tails = [f" {_small_name(rest // 100)} hundred{tail}" for tail in _tails(rest % 100)]
    else:
        heads = [f"{_small_name(value // 100)} hundred"]
        tails = _tails(value % 100)
    if heads[0].startswith("one "):
        heads.append("a" + heads[0][3:])
    return [head + tail for head in heads for tail in tails]


def _doubled(digits: str, zero: str) -> str:
    """Say digits one by one with two equal neighbours as `double`."""
    out: list[str] = []
    i = 0
    while i < len(digits):
        name = zero if digits[i] == "0" else _DIGIT_NAMES[int(digits[i])]
        if digits[i : i + 2] == digits[i] * 2:
            out.append(f"double {name}")
            i += 2
        else:
            out.append(name)
            i += 1
    return " ".join(out)

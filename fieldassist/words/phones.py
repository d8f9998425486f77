"""The phones of our acoustic model and their numbers in its files.

39 phones of the CMU pronouncing dictionary (stress left out) and silence. In the files of the decoder each
phone has four numbers, by its place in the word, so that it can tell where words begin and end; the network
scores two states for a phone whatever its place: its first frame, and every further frame.
"""

from __future__ import annotations

SILENCE = "SIL"
PHONES: tuple[str, ...] = (
    "AA", "AE", "AH", "AO", "AW", "AY", "B", "CH", "D", "DH", "EH", "ER", "EY", "F", "G", "HH", "IH", "IY",
    "JH", "K", "L", "M", "N", "NG", "OW", "OY", "P", "R", "S", "SH", "T", "TH", "UH", "UW", "V", "W", "Y",
    "Z", "ZH",
)  # fmt: skip
PLACES: tuple[str, ...] = ("begin", "end", "internal", "singleton")
"""Places in a word, in the order of the numbers of one phone."""

STATES = 2 * (len(PHONES) + 1)
"""Outputs of the network: first-frame and further-frame score of silence, then of each phone."""
PLACED_PHONES = 1 + len(PLACES) * len(PHONES)
"""Numbered phones of the decoder's files, 1 being silence."""

_INDEX = {phone: number for number, phone in enumerate((SILENCE, *PHONES))}


def phone_index(phone: str) -> int:
    """0 for silence, 1.. in the order of PHONES; the network's outputs are 2 x index and 2 x index + 1."""
    return _INDEX[phone]


def placed_phone(phone: str, place: str) -> int:
    """The decoder's number of a phone at a place in the word (silence has one number, whatever the place)."""
    if phone == SILENCE:
        return 1
    return 2 + len(PLACES) * (_INDEX[phone] - 1) + PLACES.index(place)


def placed_word(phones: tuple[str, ...]) -> tuple[int, ...]:
    """The decoder's numbers of a word's phones."""
    if len(phones) == 1:
        return (placed_phone(phones[0], "singleton"),)
    middle = (placed_phone(phone, "internal") for phone in phones[1:-1])
    return (placed_phone(phones[0], "begin"), *middle, placed_phone(phones[-1], "end"))


def first_transition(placed: int) -> int:
    """Transition number of the first frame of a numbered phone (that of further frames is one less)."""
    return 2 * placed


def further_transition(placed: int) -> int:
    """Transition number of the further frames of a numbered phone."""
    return 2 * placed - 1

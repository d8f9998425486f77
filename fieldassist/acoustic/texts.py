"""Sentences for synthetic speakers to say: of our own grammars, of any grammar, and general English."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from fieldassist.acoustic.corpus import words_of
from fieldassist.errors import UserError
from fieldassist.phrases.automaton import Automaton
from fieldassist.phrases.numbers import say_number

_SENTENCE = re.compile(r"(?<=[.!?])\s+")


def sentence_of(automaton: Automaton, rng: np.random.Generator, flat: float = 0.5) -> str:
    """Draw a sentence: at each state by the grammar's weights, in the share `flat` of states all arcs alike."""
    state, words = automaton.start, []
    for _ in range(60):
        arcs = automaton.leaving[state]
        final = automaton.finals.get(state)
        costs = [arc.weight for arc in arcs] + ([final.weight] if final else [])
        if rng.random() < flat:
            costs = [0.0] * len(costs)
        chances = np.exp(-np.array(costs))
        choice = int(rng.choice(len(costs), p=chances / chances.sum()))
        if choice == len(arcs):
            break
        word = arcs[choice].word
        if word is not None:
            words.append(word)
        state = arcs[choice].target
    return " ".join(words)


def number_sentence(rng: np.random.Generator) -> str:
    """A number as people say it, of the size of speeds, engine speeds, pressures or small counts."""
    kind = rng.integers(5)
    value = (rng.integers(1, 100), rng.integers(5, 48) * 50, rng.integers(1, 60) * 5, rng.integers(0, 12),
             rng.integers(6, 70) * 100)[kind]  # fmt: skip
    ways = say_number(float(value))
    text = str(rng.choice(list(ways)))
    if rng.random() < 0.3:
        units = (["miles per hour", "miles an hour"], ["rpm"], ["psi", "pounds"], ["seconds"], ["rpm"])[kind]
        text = f"{text} {rng.choice(units)}"
    return text


def general_sentences(paths: Sequence[Path], longest: int = 16) -> list[str]:
    """Sentences of two to `longest` words, free of digits, out of plain text files."""
    out: dict[str, None] = {}
    for path in paths:
        text = path.read_text(encoding="utf-8", errors="ignore")
        for paragraph in re.split(r"\n\s*\n|\n%\n", text):
            for piece in _SENTENCE.split(" ".join(paragraph.split())):
                plain = piece.strip(" \"'-_()[]")
                if re.fullmatch(r"[A-Za-z][A-Za-z',;:. !?-]*", plain) and 2 <= len(words_of(plain)) <= longest:
                    out.setdefault(plain)
    return list(out)


def frequent_words(path: Path, count: int) -> list[str]:
    """The most frequent words of a JSON list of {"word": ..., "count": ...} or of a plain list, one a line."""
    text = path.read_text(encoding="utf-8")
    try:
        listed = (
            [str(entry["word"]) for entry in json.loads(text)] if text.lstrip().startswith("[") else text.split()
        )
    except (ValueError, KeyError, TypeError):
        raise UserError(f'{path}: expected a list of words, one a line, or JSON with "word"') from None
    return [word.lower() for word in listed if re.fullmatch(r"[A-Za-z']{1,14}", word)][:count]


def word_chain(words: Sequence[str], rng: np.random.Generator) -> str:
    """Two to seven words one after another, frequent ones more often."""
    size = int(rng.integers(2, 8))
    ranks = rng.random(size) * rng.random(size) * len(words)
    return " ".join(words[int(rank)] for rank in ranks)


def mixture(
    automata: Sequence[tuple[Automaton, float]],
    general: Sequence[str],
    words: Sequence[str],
    numbers: float,
    seed: int,
) -> Iterator[str]:
    """Endless sentences: of each automaton in its share, numbers in theirs, else general ones or word chains."""
    rng = np.random.default_rng(seed)
    while True:
        draw = rng.random()
        text = ""
        for automaton, share in automata:
            if 0 <= draw < share:
                text = sentence_of(automaton, rng)
            draw -= share
        if not text and draw < 0:
            continue
        if not text and draw < numbers:
            text = number_sentence(rng)
        elif not text:
            use_text = general and (not words or rng.random() < 0.6)
            text = general[int(rng.integers(len(general)))] if use_text else word_chain(words, rng)
        yield text

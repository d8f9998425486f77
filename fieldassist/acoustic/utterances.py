"""What the encoder of `phrases.encoder` is trained on, in one file: examples, sentences like them, other talk.

Prepared apart from the training, which needs nothing else, so that this can run on another machine.
"""

from __future__ import annotations

import json
import random
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from rapidfuzz.distance import Levenshtein
from rapidfuzz.process import cdist

from fieldassist.acoustic.beginning import installed, read_encoder
from fieldassist.acoustic.corpus import words_of
from fieldassist.acoustic.senses import surrounded
from fieldassist.errors import UserError
from fieldassist.phrases.encoder import BEGIN, BETWEEN, HIDDEN, pieces_of
from fieldassist.phrases.hashing import hashed
from fieldassist.phrases.likelier import as_said
from fieldassist.phrases.phonemes import PHONE_INDEX, pronunciations
from fieldassist.phrases.search import HESITATIONS, UNKNOWN, Floats
from fieldassist.phrases.sense import Example

_DRAWN = 4
"""Sentences drawn from the words that follow each other at a procedure, for each example there."""
_BY_TWO = 0.75
"""How often the next word goes by the two before it, where it can, else by the one."""
_MOST_WORDS = 24
_STRETCHES = (1, 2, 2, 3, 3, 4, 4, 5, 6, 7, 8, 10, 12)
"""Words of a stretch of other talk: pauses and the filler cut it as they like."""
_ALIKE, _SOUNDS_APART = 6, 0.55
"""Words that sound like another, and the share of their phones in which they may differ."""

_MOST_READINGS, _AS_SAID = 4, 0.95
"""Readings of an utterance, at most; mean confidence above which one that is what was said teaches nothing new."""

_WORTH_CHOOSING = 0.4
"""Share of the words that the best reading of an utterance may have wrong, so that it teaches something."""
_MISTAKEN_WORDS, _MOST_MISTAKEN = 3, 12
"""Words in a row that are taken for others, at most; and for how many others, the commonest first."""
_LEAST_ODDS = -9.2
"""Log share of a reading that the engine rounded to nothing."""

Arrays = dict[str, npt.NDArray[np.generic]]


@dataclass(frozen=True)
class Heard:
    """How an engine heard a sentence."""

    said: str
    words: tuple[str, ...]
    sure: tuple[float, ...]
    """Of each word, 0..1."""


def read_heard(paths: Sequence[Path]) -> list[Heard]:
    """Read what the stage `heard` wrote: each first reading as surely as it was heard, and every one as if it was
    typed. Raises UserError for another file."""
    out = []
    for path in paths:
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
            try:
                found = json.loads(line)
                said, sure = str(found["said"]), [float(each) for each in found["sure"]]
                readings = [str(text).split() for text, _ in found["readings"]][:_MOST_READINGS]
                first = readings[0]
            except (ValueError, KeyError, TypeError, IndexError) as error:
                raise UserError(f"{path}:{number}: not a line of the stage heard ({error})") from None
            told = [(first, sure), *((words, [1.0] * len(words)) for words in readings)]
            for words, surely in told if len(sure) == len(first) else told[1:]:
                kept = [pair for pair in zip(words, surely, strict=True) if pair[0] not in HESITATIONS]
                as_said = [word for word, _ in kept] == said.split()
                if any(word != UNKNOWN for word, _ in kept) and not (
                    as_said and sum(share for _, share in kept) > _AS_SAID * len(kept)
                ):
                    out.append(Heard(said, *(tuple(each) for each in zip(*kept, strict=True))))
    return list(dict.fromkeys(out))


@dataclass(frozen=True)
class Choice:
    """What an engine took a sentence for, where some of it is nearer to what was said than the rest."""

    said: str
    readings: Mapping[tuple[str, ...], float]
    """Words without hesitations, and the engine's share."""

    @property
    def words(self) -> list[str]:
        """What was said without hesitations."""
        return [word for word, _ in as_said(self.said)]

    def off(self) -> list[int]:
        """Words that are wrong in each reading."""
        words = self.words
        return [int(Levenshtein.distance(words, reading)) for reading in self.readings]


def read_choices(paths: Sequence[Path]) -> list[Choice]:
    """Read the readings of what the stage `heard` wrote, where there is something to choose."""
    out = []
    for path in paths:
        for line in path.read_text(encoding="utf-8").splitlines():
            found = json.loads(line)
            shares: dict[tuple[str, ...], float] = defaultdict(float)
            for text, share in found["readings"]:
                words = tuple(word for word, _ in as_said(str(text)))
                if words:
                    shares[words] += float(share)
            choice = Choice(str(found["said"]), dict(shares))
            off = choice.off()
            if off and min(off) < max(off) and min(off) <= _WORTH_CHOOSING * len(choice.said.split()):
                out.append(choice)
    return out


def prepare(
    examples: Sequence[Example], hearable: Iterable[str], frequent: Iterable[str], talk: Sequence[str],
    heard: Sequence[Heard] = (), choices: Sequence[Choice] = (),
) -> Arrays:  # fmt: skip
    """Return everything that `acoustic.encoder.train` needs.

    hearable: words of the grammars; frequent: words whose pieces are kept beside those of the examples; talk:
    sentences of general English; heard, choices: examples and other talk as an engine heard them. Raises UserError
    without the encoder that is begun from.
    """
    every = [*examples, *surrounded(examples)]
    known = {*hearable, *(word for said, _, _ in examples for word in said)}
    procedures = sorted({at for _, at, _ in examples})
    meanings = sorted({meaning for _, _, meaning in examples})
    base, vocabulary = read_encoder(installed())
    theirs = np.sort(hashed(vocabulary))
    needed = {piece for word in {*known, *frequent} for piece in pieces_of(word, theirs)}
    letters = "abcdefghijklmnopqrstuvwxyz"
    needed |= {BEGIN, BETWEEN, HIDDEN, "'", *letters, *(f"##{letter}" for letter in letters)}
    pieces = sorted(needed, key=lambda piece: int(hashed([piece])[0]))
    out: Arrays = {name: array for name, array in base.items() if name != "words"}
    out["words"] = base["words"][[vocabulary[piece] for piece in pieces]]
    out |= {"pieces": np.array(pieces), "meanings": np.array(meanings), "procedures": np.array(procedures)}

    words: dict[str, int] = {UNKNOWN: 0}
    stretches = list(_stretches(talk))
    drawn = [(said, at) for at in procedures for said in _drawn([s for s, p, _ in examples if p == at])]
    out |= _packed("examples", [said for said, _, _ in every], words)
    out |= _packed("drawn", [said for said, _ in drawn], words)
    out |= _packed("talk", stretches, words)
    out |= _packed("procedure", [procedure.split("_") for procedure in procedures], words)
    out["examples_at"] = np.array([procedures.index(at) for _, at, _ in every], np.uint8)
    out["examples_mean"] = np.array([meanings.index(meaning) for _, _, meaning in every], np.uint8)
    out["drawn_at"] = np.array([procedures.index(at) for _, at in drawn], np.uint8)
    places: dict[str, list[tuple[str, str]]] = defaultdict(list)
    for said, at, meaning in examples:
        places[" ".join(words_of(" ".join(said)))].append((at, meaning))
    meant = [each for each in heard if each.said in places]
    out |= _as_heard("heard", meant, words) | _as_heard("aside", [h for h in heard if h.said not in places], words)
    rng = random.Random(2)
    chosen = [rng.choice(places[each.said]) for each in meant]
    out["heard_at"] = np.array([procedures.index(at) for at, _ in chosen], np.uint8)
    out["heard_mean"] = np.array([meanings.index(meaning) for _, meaning in chosen], np.uint8)

    out |= _chosen_from(choices, places, procedures, rng, words) | _mistaken(choices, words)

    listed = list(words)
    row = {piece: number for number, piece in enumerate(pieces)}
    table = hashed(pieces)
    spelt = [[row[piece] for piece in pieces_of(word if word != UNKNOWN else HIDDEN, table)] for word in listed]
    out["spelt"] = np.array([piece for each in spelt for piece in each], np.uint16)
    out["spelt_begins"] = np.cumsum([0, *map(len, spelt)]).astype(np.int32)
    out["known"] = np.array([word in known for word in listed])
    out["alike"] = _alike(listed, known)
    return out


def _stretches(talk: Sequence[str]) -> Iterable[list[str]]:
    """Cut sentences into stretches."""
    rng = random.Random(1)
    for sentence in talk:
        words, at = [word for word in words_of(sentence) if word not in HESITATIONS], 0
        while at < len(words):
            size = rng.choice(_STRETCHES)
            yield list(words[at : at + size])
            at += size


def _drawn(sentences: Sequence[Sequence[str]]) -> Iterable[list[str]]:
    """Draw sentences by which words follow one or two others in given ones: nobody said them, but one might."""
    rng = random.Random(len(sentences))
    by_two: dict[tuple[str, str], list[str]] = defaultdict(list)
    by_one: dict[str, list[str]] = defaultdict(list)
    for sentence in sentences:
        spoken = ["", "", *(word for word in sentence if word not in HESITATIONS), ""]
        for one, two, word in zip(spoken, spoken[1:], spoken[2:], strict=False):
            by_two[one, two].append(word)
            by_one[two].append(word)
    for _ in range(_DRAWN * len(sentences)):
        first, last = "", ""
        out: list[str] = []
        while len(out) < _MOST_WORDS:
            follows = by_two.get((first, last))
            word = rng.choice(follows if follows and rng.random() < _BY_TWO else by_one[last])
            if not word:
                break
            out.append(word)
            first, last = last, word
        if out:
            yield out


def _packed(name: str, sentences: Sequence[Sequence[str]], words: dict[str, int]) -> Arrays:
    """Return sentences as numbers of words, one after another, and where each begins; new words are added."""
    said = [[word for word in sentence if word not in HESITATIONS] for sentence in sentences]
    flat = [words.setdefault(word, len(words)) for sentence in said for word in sentence]
    return {name: np.array(flat, np.int32), f"{name}_begins": np.cumsum([0, *map(len, said)]).astype(np.int32)}


def _as_heard(name: str, heard: Sequence[Heard], words: dict[str, int]) -> Arrays:
    """The same of what was heard, and how surely each word was, in hundredths."""
    sure = [round(100 * share) for each in heard for share in each.sure]
    return _packed(name, [each.words for each in heard], words) | {f"{name}_sure": np.array(sure, np.uint8)}


def _chosen_from(
    choices: Sequence[Choice], places: Mapping[str, Sequence[tuple[str, str]]], procedures: Sequence[str],
    rng: random.Random, words: dict[str, int],
) -> Arrays:  # fmt: skip
    """Return the readings of all choices one after another: to which choice each belongs, the engine's log share,
    how many words are wrong, and the procedure; of other talk that is drawn."""
    of, odds, off, at = [], [], [], []
    for number, choice in enumerate(choices):
        there = rng.choice([place for place, _ in places.get(choice.said, ())] or procedures)
        of += [number] * len(choice.readings)
        at += [procedures.index(there)] * len(choice.readings)
        odds += [float(np.log(share)) if share > 0 else _LEAST_ODDS for share in choice.readings.values()]
        off += choice.off()
    readings = [reading for choice in choices for reading in choice.readings]
    return _packed("readings", readings, words) | {
        "readings_of": np.array(of, np.int32), "readings_odds": np.array(odds, np.float32),
        "readings_off": np.array(off, np.uint8), "readings_at": np.array(at, np.uint8),
    }  # fmt: skip


def _mistaken(choices: Sequence[Choice], words: dict[str, int]) -> Arrays:
    """Return which words in a row, or none, the engine took for which others, or none, and how often."""
    seen: dict[tuple[str, ...], Counter[tuple[str, ...]]] = defaultdict(Counter)
    for choice in choices:
        said = choice.words
        first = next(iter(choice.readings))
        for part in Levenshtein.opcodes(said, first):
            one, other = said[part.src_start : part.src_end], first[part.dest_start : part.dest_end]
            if part.tag != "equal" and max(len(one), len(other)) <= _MISTAKEN_WORDS:
                seen[tuple(one)][tuple(other)] += 1
    rows = [(one, *each) for one, others in seen.items() for each in others.most_common(_MOST_MISTAKEN)]
    return (
        _packed("mistaken", [one for one, _, _ in rows], words)
        | _packed("taken_for", [other for _, other, _ in rows], words)
        | {"mistaken_often": np.array([often for _, _, often in rows], np.int32)}
    )


def _alike(words: Sequence[str], known: set[str]) -> npt.NDArray[np.int32]:
    """Return for each word those of the known ones that sound most like it, (words, _ALIKE): what an engine that
    knows no others takes it for. 0, which is no word, where none does."""
    targets = [number for number, word in enumerate(words) if word in known]
    sounds = [_sounds(word) for word in words]
    out = np.zeros((len(words), _ALIKE), np.int32)
    for begin in range(0, len(words), 2000):
        apart: Floats = cdist(
            sounds[begin : begin + 2000], [sounds[t] for t in targets], scorer=Levenshtein.normalized_distance,
            dtype=np.float32, workers=-1,
        )  # fmt: skip
        for at, row in enumerate(apart, begin):
            near = [n for n in np.argsort(row)[: _ALIKE + 1] if row[n] < _SOUNDS_APART and targets[n] != at]
            out[at] = [targets[near[k % len(near)]] for k in range(_ALIKE)] if near else 0
    return out


def _sounds(word: str) -> str:
    """The first pronunciation, a letter for each phone."""
    return "".join(chr(65 + PHONE_INDEX[phone]) for phone in pronunciations(word)[0]) if word != UNKNOWN else ""

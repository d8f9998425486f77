"""Ways to take an utterance: what the search finds, which of it says something else, and what speaks for each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fieldassist.deduce.step import Step
from fieldassist.phrases import decision
from fieldassist.phrases.as_words import NO_ZEROS
from fieldassist.phrases.automaton import Arc
from fieldassist.phrases.compose import Composed
from fieldassist.phrases.numbers import read_number
from fieldassist.phrases.phonemes import pronunciations
from fieldassist.phrases.search import (
    HESITATIONS,
    PLAIN_WORDS,
    SMALL_WORDS,
    UNKNOWN,
    Alignment,
    Costs,
    HeardWord,
    Lattice,
    Mark,
)

SKIP_PLAIN, SKIP_WORD = Costs().skip_plain, Costs().skip_word
LENIENCE = 0.4
"""Of the cost of a passed-over word, what is not held against the reading: the search must rather take a word
for one that sounds like it than pass over it, but a word too many is no sign that the rest was misheard."""
FIRST_SKIPPED, FURTHER_SKIPPED = 0.45, 0.1
"""Costs of a passed-over word round a finding that the step asks for, of each of the first two and of further
ones: people put an observation into many words of their own. Plain words cost nothing there."""
SURE_WORDS, PLAIN_ROUND_ONE = 2, 0.08
"""Words that carry the sense from which on that holds; cost of a plain word round fewer."""
PLAIN_ELSEWHERE = 0.7
"""Cost of a passed-over plain word on top of the search's where the reading is nothing that the step asks for."""
TORN = 2.0
"""Cost of a number put together over other words ("doing seventy, the road says fifty"), or of one that is none
("couldn't fault that one")."""
POINTING_WORDS = frozenset(("that", "this", "which", "each", "every", "any", "another", "good", "bad"))
UNIT_WORDS = frozenset(("second", "sec", "mile", "pound", "psi", "p", "bar"))
"""Words before a "one" that counts nothing, and what follows one that does."""
OPENING_WORDS = HESITATIONS | {
    "okay", "right", "sorry", "actually", "yeah", "yes", "no", "so", "and", "but", "wait", "hey",
}  # fmt: skip
"""What people say before they take back what was read to them."""


@dataclass(frozen=True)
class Reading:
    """One way to take the utterance."""

    composed: Composed
    alignment: Alignment
    heard: tuple[HeardWord, ...]
    cost: float

    @property
    def key(self) -> object:
        """What the reading says; readings with equal keys are the same finding in other words."""
        c = self.composed
        return (c.findings, c.command, tuple(sorted(c.changes.items(), key=str)), c.corrects)

    @property
    def empty(self) -> bool:
        """Nothing was said that the tool could use."""
        c = self.composed
        return not c.findings and c.command is None and not (c.corrects and c.changes)


def alignments_of(lattice: Lattice, words: Sequence[HeardWord]) -> list[Alignment]:
    """Return the best alignment and, where it is not beyond doubt, the best without each part of its sense."""
    best = lattice.best()
    if best is None:
        return []
    torn = torn_in(best, words)
    if not torn and _beyond_doubt(best, words):
        return [best]
    out = [best]
    for ban in _bans(best):
        other = lattice.best(ban, limit=best.cost + 1.5)
        if other is not None:
            out.append(other)
    if torn and (whole := lattice.best(limit=best.cost + TORN, without=torn)) is not None:
        out.append(whole)
    return out


def _beyond_doubt(best: Alignment, words: Sequence[HeardWord]) -> bool:
    """Every word was heard as it stands in the grammar, and surely: other readings cost a mismatch at least."""
    said = [word.text for i, word in enumerate(words) if i not in best.skipped]
    return list(best.words) == said and all(word.confidence >= 0.9 for word in words)


def torn_in(alignment: Alignment, words: Sequence[HeardWord]) -> list[Arc]:
    """Arcs that go on with a number after words, other than hesitations, that were passed over inside of it; and a
    "one" that is none: "couldn't fault that one"."""
    passed = [i for i in alignment.skipped if words[i].text not in HESITATIONS]
    out = []
    inside, end = False, 0
    for arc, (begin, stop) in zip(alignment.arcs, alignment.spans, strict=True):
        if arc.word is None:
            continue
        begins = any(tag.key == "value" for tag in arc.tags)
        broken = inside and "value" in arc.slots and not begins and any(end <= i < begin for i in passed)
        if broken or (begins and stop - begin == 1 and _is_pronoun(words, begin)):
            out.append(arc)
        inside, end = "value" in arc.slots, stop
    return out


def _is_pronoun(words: Sequence[HeardWord], at: int) -> bool:
    """Tell whether a "one" stands for a thing and begins no number and no measure."""
    before = [word.text for word in words[:at] if word.text not in NO_ZEROS]
    if words[at].text != "one" or not before or before[-1] not in POINTING_WORDS:
        return False
    said = [word.text for word in words[at:] if word.text not in NO_ZEROS]
    longer = any(read_number(said[:length]) is not None for length in range(2, len(said) + 1))
    return not longer and not UNIT_WORDS & {*said[1:2]}


def word_for_word(alignment: Alignment, words: Sequence[HeardWord]) -> bool:
    """All that was said, but for hesitations and small words, stands in the grammar as it was said."""
    said = [word.text for i, word in enumerate(words) if i not in alignment.skipped]
    passed = {words[i].text for i in alignment.skipped}
    return list(alignment.words) == said and passed <= SMALL_WORDS | set(HESITATIONS)


def opening(words: Sequence[HeardWord]) -> int:
    """The number of words before the first that says something: "oh, sorry"."""
    return next((i for i, word in enumerate(words) if word.text not in OPENING_WORDS), len(words))


_SENSE = ("kind", "command", "shift", "into", "gear", "range", "where", "present")
_COMMON_IN_NUMBERS = {"hundred", "and", "point"}


def _bans(best: Alignment) -> list[set[Mark]]:
    """Return what shuts out one part of the sense of a reading each."""
    out: list[set[Mark]] = [{tag for tag in best.tags if tag.key == key} for key in _SENSE]
    numbers = {arc.word for arc in best.arcs if arc.word is not None and "value" in arc.slots}
    out.append({*(numbers - _COMMON_IN_NUMBERS)})
    return [marks for marks in out if marks]


def different(readings: Sequence[Reading]) -> list[Reading]:
    """Readings that say something else than the first, not only less of the same.

    A command is said alone: one with words passed over ("no" of "no leaks") is no reading to weigh.
    """
    best = readings[0]
    sound = _sound(best)
    return [
        r
        for r in readings[1:]
        if r.key != best.key
        and not _says_less(r.composed, best.composed)
        and _sound(r) != sound
        and (r.composed.command is None or passed_over(r) == 0)
    ]


def _sound(reading: Reading) -> tuple[str, ...]:
    """The phones of a reading's words but the small ones. Two readings of the same sounds differ in how the
    grammar takes them, which its weights decide, and not in what was heard: there is nothing to ask."""
    words = (word for word in reading.alignment.words if word not in SMALL_WORDS)
    return tuple(phone for word in words for phone in pronunciations(word)[0])


def _says_less(one: Composed, other: Composed) -> bool:
    """The first says nothing that the other does not say too."""
    if one.command is not None or other.command is not None or not one.findings or not other.findings:
        return False
    a, b = one.findings[0].to_json(), other.findings[0].to_json()
    return all(key in b and b[key] == value for key, value in a.items())


def evidence_for(
    reading: Reading, step: Step | None = None, other_talk: float | None = None
) -> decision.Evidence:
    """Return what speaks for a reading at a step and against it; other_talk: as the engine has it."""
    findings = reading.composed.findings
    bare = bool(findings) and not any(
        getattr(findings[0], key) is not None and key not in reading.composed.assumed
        for key in ("shift", "gear", "range", "where", "value", "throttle", "load")
    )
    carrying = [reading.heard[i].confidence for i in _content(reading)]
    confidence = sum(carrying) / max(1, len(carrying))
    total_doubt = sum(1.0 - word.confidence for word in reading.heard)
    kinds = (*step.kinds, "normal") if step is not None else ()
    expected = bool(findings) and findings[0].kind in kinds
    named = any(tag.key in ("kind", "unit") for tag in reading.alignment.tags)  # and not a bare number
    asked = step is not None and expected and findings[0].kind != "normal" and named
    skipped, plain = passed_over(reading), passed_over(reading, PLAIN_WORDS)
    misfit = reading.alignment.misfit + reading.cost - reading.alignment.cost
    if asked:
        other = skipped - plain
        misfit -= SKIP_PLAIN * plain + SKIP_WORD * other
        if len(carrying) < SURE_WORDS:
            misfit += (SKIP_WORD - LENIENCE) * other + PLAIN_ROUND_ONE * plain
        else:
            misfit += FIRST_SKIPPED * min(other, 2.0) + FURTHER_SKIPPED * max(0.0, other - 2.0)
        skipped = other
    else:
        misfit += PLAIN_ELSEWHERE * plain - LENIENCE * skipped
    return decision.Evidence(
        misfit, len(carrying), skipped, reading.composed.odd, confidence, total_doubt, bare, expected, other_talk
    )


def _content(reading: Reading) -> list[int]:
    """Heard words that carry the sense of a reading; small words and talk round it do not."""
    carrying: set[int] = set()
    for arc, (begin, end) in zip(reading.alignment.arcs, reading.alignment.spans, strict=True):
        if "talk" not in arc.slots and arc.word not in SMALL_WORDS:
            carrying.update(range(begin, max(end, begin + 1)))
    return sorted(i for i in carrying if i < len(reading.heard))


def passed_over(reading: Reading, among: frozenset[str] | None = None) -> float:
    """Heard content words that found no place; of them those `among` some."""
    words = [reading.heard[i] for i in reading.alignment.skipped]
    return sum(
        word.confidence
        for word in words
        if word.text not in SMALL_WORDS and word.text not in HESITATIONS and word.text != UNKNOWN
        and (among is None or word.text in among)
    )

"""The one interface behind which every speech engine stands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.int16]
"""Mono 16-bit samples at SAMPLE_RATE."""

SAMPLE_RATE = 16_000
"""Hz. Every engine and every room works at this rate; `sound` converts at the door."""


@dataclass(frozen=True)
class Word:
    """One recognised word."""

    text: str
    start: float
    """Seconds from the start of the utterance."""
    end: float
    confidence: float
    """0..1 as the engine states it."""


@dataclass(frozen=True)
class Hypothesis:
    """What an engine heard in one utterance."""

    text: str
    """Words joined by a space, lower case; `[unk]` for a stretch that fits no phrase; empty for nothing."""
    words: tuple[Word, ...]
    confidence: float
    """0..1 for the whole utterance."""
    alternatives: tuple[tuple[str, float], ...] = ()
    """Further readings with their confidence, best first, where the engine gives them."""
    other_talk: float | None = None
    """Probability, 0..1, that all of it was talk outside of the grammar; None where the engine does not weigh
    that. Text, words and confidences tell what was said if it was none; `[unk]` where there is hardly a doubt."""


class Recognizer(Protocol):
    """A speech engine, loaded once and used for many utterances.

    The utterance is cut out by `sound.endpoint` before it comes here, so that every engine sees the
    same audio; `feed` may be called while it is still being spoken.
    """

    name: str
    """`vosk` or `sphinx`."""
    weighs_talk: bool
    """What it hears is weighed against other talk, so that it may listen for more than the grammars hold."""

    def use_phrases(self, phrases: Sequence[str]) -> tuple[str, ...]:
        """Expect these phrases from the next utterance on; return the words that the engine lacks."""

    def start(self) -> None:
        """Begin an utterance."""

    def feed(self, samples: Samples) -> str:
        """Take a stretch of audio; return the partial text so far (may be empty)."""

    def pause(self) -> None:
        """Hear that the speaker pauses: what was fed may be all, and an engine that decodes at the end may begin.

        What is fed after it belongs to the same utterance. It may take as long as `finish`, and changes nothing
        of what is heard.
        """

    def finish(self) -> Hypothesis:
        """End the utterance and return what was heard."""

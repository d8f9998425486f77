"""Speech recognition by pocketsphinx, whose English acoustic model comes in its package."""

from __future__ import annotations

import math
import re
import time
from collections.abc import Sequence

import numpy as np
import pocketsphinx

from fieldassist.errors import UserError
from fieldassist.words.recognizer import SAMPLE_RATE, Hypothesis, Samples, Word

_FRAMES_PER_SECOND = 100
_BUDGET_SECONDS = 2.0
_BUDGET_PER_AUDIO_SECOND = 1.5
_FLOOR_LSB = 8.0
"""RMS of the noise added to every utterance: pocketsphinx goes astray on digital silence."""

_VARIANT = re.compile(r"\(\d+\)$")
_NOT_A_JSGF_WORD = re.compile(r"/[^/]*/|\{[^}]*\}|<[^>]*>|//[^\n]*|/\*.*?\*/", re.DOTALL)


class SphinxEngine:
    """A `Recognizer` on pocketsphinx with a JSGF grammar.

    Best-path search over the word lattice stays off: with a grammar it can run for minutes on one noisy
    utterance. An utterance that still costs more time than it is worth is given up and heard as nothing.
    """

    name = "sphinx"

    def __init__(self, sample_rate: int = SAMPLE_RATE) -> None:
        """Load the bundled English model. sample_rate: Hz, must be 16000 as that is the model's rate."""
        if sample_rate != SAMPLE_RATE:
            raise UserError(f"engine sphinx works at {SAMPLE_RATE} Hz, not at {sample_rate}")
        self._decoder = pocketsphinx.Decoder(lm=None, bestpath=False, loglevel="FATAL")
        self._floor = np.random.default_rng(0)
        self._speaking = False
        self._has_grammar = False
        self._spent = 0.0
        self._seconds = 0.0

    def use_phrases(self, phrases: Sequence[str]) -> tuple[str, ...]:
        """Expect exactly these phrases; return the words without a pronunciation (their phrases go unheard)."""
        missing = self.missing_words(phrases)
        usable = [phrase for phrase in phrases if phrase.strip() and not set(phrase.split()) & set(missing)]
        if usable:
            self.use_grammar("#JSGF V1.0;\ngrammar phrases;\npublic <phrase> = " + " | ".join(usable) + ";\n")
        else:
            self._has_grammar = False
        return missing

    def use_grammar(self, jsgf: str) -> None:
        """Expect what a JSGF grammar allows. Raises UserError when pocketsphinx cannot use it."""
        missing = self.missing_words(_NOT_A_JSGF_WORD.sub(" ", jsgf.partition(";")[2]).splitlines())
        if missing:
            raise UserError(f"grammar: no pronunciation for {', '.join(missing)}; add it to the lexicon")
        self._drop_utterance()
        try:
            self._decoder.add_jsgf_string("grammar", jsgf)
            self._decoder.activate_search("grammar")
        except (ValueError, RuntimeError) as error:
            raise UserError(f"grammar: pocketsphinx cannot use it ({error})") from None
        self._has_grammar = True

    def missing_words(self, phrases: Sequence[str]) -> tuple[str, ...]:
        """Return the words that have no pronunciation, sorted."""
        words = sorted({word for phrase in phrases for word in re.findall(r"[\w'.-]+", phrase)})
        return tuple(word for word in words if self._decoder.lookup_word(word) is None)

    def add_pronunciation(self, word: str, phones: str) -> None:
        """Teach a word: `phones` in ARPAbet without stress marks, as `S P R AE G`."""
        if self._decoder.lookup_word(word) is None:
            self._decoder.add_word(word, phones, True)

    def start(self) -> None:
        """Begin an utterance, dropping one that was not finished."""
        self._drop_utterance()
        self._spent = self._seconds = 0.0
        self._floor = np.random.default_rng(0)  # the same utterance is heard the same way every time
        if self._has_grammar:
            self._decoder.start_utt()
            self._speaking = True

    def feed(self, samples: Samples) -> str:
        """Take a stretch of audio; return the partial text so far."""
        if not self._speaking or len(samples) == 0:
            return ""
        before = time.process_time()
        floor = self._floor.normal(0.0, _FLOOR_LSB, len(samples))
        noisy = np.clip(samples + floor, -32768, 32767).astype(np.int16)
        self._decoder.process_raw(noisy.tobytes(), False, False)
        partial = self._decoder.hyp()
        self._spent += time.process_time() - before
        self._seconds += len(samples) / SAMPLE_RATE
        if self._spent > _BUDGET_SECONDS + _BUDGET_PER_AUDIO_SECOND * self._seconds:
            self._drop_utterance()
            return ""
        return partial.hypstr if partial is not None else ""

    def finish(self) -> Hypothesis:
        """End the utterance and return what was heard."""
        if not self._speaking:
            return Hypothesis("", (), 0.0)
        self._drop_utterance()
        heard = self._decoder.hyp()
        if heard is None or not heard.hypstr:
            return Hypothesis("", (), 0.0)
        words = tuple(
            Word(
                text=_VARIANT.sub("", segment.word),
                start=segment.start_frame / _FRAMES_PER_SECOND,
                end=(segment.end_frame + 1) / _FRAMES_PER_SECOND,
                confidence=_confidence(segment.ascore, segment.end_frame - segment.start_frame + 1),
            )
            for segment in self._decoder.seg()
            if not segment.word.startswith(("<", "(", "[", "+"))
        )
        if not words:
            return Hypothesis("", (), 0.0)
        frames = [word.end - word.start for word in words]
        overall = sum(w.confidence * n for w, n in zip(words, frames, strict=True)) / sum(frames)
        return Hypothesis(" ".join(word.text for word in words), words, overall)

    def _drop_utterance(self) -> None:
        if self._speaking:
            self._decoder.end_utt()
            self._speaking = False


def _confidence(score: float, frames: int) -> float:
    """Map a segment's acoustic score to 0..1.

    pocketsphinx states it relative to the best sound unit of every frame, so that its logarithm per frame
    is near 0 where the word fits and falls where the sounds are others.
    """
    if score <= 0.0:
        return 0.0
    per_frame = -math.log(score) / max(1, frames)
    return 1.0 / (1.0 + math.exp((per_frame - 0.0035) / 0.0008))

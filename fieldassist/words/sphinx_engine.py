"""Speech recognition by pocketsphinx, whose English acoustic model comes in its package."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import Any

import numpy as np
import pocketsphinx

from fieldassist.errors import UserError
from fieldassist.phrases.automaton import Automaton, Promised
from fieldassist.phrases.phonemes import pronunciations
from fieldassist.words.recognizer import SAMPLE_RATE, Hypothesis, Samples, Word

_FRAMES_PER_SECOND = 100
_LEAST_SAMPLES = SAMPLE_RATE // 10
_MOST_EARLY = 3  # decodings of one utterance in its pauses: who stops and starts again all the time can wait

_SEARCH_WIDTH = {"beam": 1e-72, "wbeam": 1e-56, "pbeam": 1e-72, "lw": 2.0, "maxhmmpf": 900}
"""Wide beams and a light hand with the grammar's weights. On 67 spoken orders of real people with kitchen noise
these and the decoding of whole utterances heard 97 / 79 / 69 % right (clean / 12 / 6 dB); wider beams (1e-80,
1e-60) heard the same at more cost, narrower ones (1e-56, 1e-40) less at 12 dB, and at 1e-64 what is not for the
tool already sounds surer. The limit of active states per
frame keeps a large grammar from taking its time: with the shop talk of the shipped ones a fifth of it, hearing
the same."""
_FLOOR_LSB = 8.0
"""RMS of the noise added to every utterance: pocketsphinx goes astray on digital silence."""

_VARIANT = re.compile(r"\(\d+\)$")
_EVEN_COST = 0.00455
_COST_SPREAD = 0.0005

_SEARCH = "grammar"

_Transition = tuple[int, int, float] | tuple[int, int, float, str]


class SphinxEngine:
    """A `Recognizer` on pocketsphinx with a grammar.

    An utterance is decoded in a pause or at its end, all of it at once: normalised over its own length it is heard
    far better than while it comes in (and the same way every time).
    Best-path search over the word lattice stays off: with a grammar it can run for minutes on one noisy
    utterance. `words.contained` puts a time limit around the rest.
    """

    name = "sphinx"
    weighs_talk = False

    def __init__(self, sample_rate: int = SAMPLE_RATE) -> None:
        """Load the bundled English model. sample_rate: Hz, must be 16000 as that is the model's rate."""
        if sample_rate != SAMPLE_RATE:
            raise UserError(f"engine sphinx works at {SAMPLE_RATE} Hz, not at {sample_rate}")
        self._decoder = pocketsphinx.Decoder(
            lm=None, bestpath=False, cmn="batch", loglevel="FATAL", **_SEARCH_WIDTH
        )
        self._has_grammar = False
        self._pieces: list[Samples] = []
        self._early: Hypothesis | None = None
        self._attempts = 0

    def use_phrases(self, phrases: Sequence[str]) -> tuple[str, ...]:
        """Expect exactly these phrases; return the words without a pronunciation (their phrases go unheard)."""
        missing = self._learn({word for phrase in phrases for word in phrase.split()})
        usable = [phrase for phrase in phrases if phrase.strip() and not set(phrase.split()) & set(missing)]
        transitions: list[_Transition] = []
        states = 2  # the start and the end
        for phrase in usable:
            words = phrase.split()
            here = 0
            for number, word in enumerate(words):
                there = 1 if number == len(words) - 1 else states
                states += number < len(words) - 1
                transitions.append((here, there, 1 / len(usable) if number == 0 else 1.0, word))
                here = there
        self._use(transitions, 0, 1)
        return missing

    def use_promised(self, grammar: Promised) -> tuple[str, ...]:
        """Expect the sentences of a compiled grammar that is still to be made."""
        return self.use_automaton(grammar.make())

    def use_automaton(self, automaton: Automaton) -> tuple[str, ...]:
        """Expect the sentences of a compiled grammar; return the words without a pronunciation."""
        missing = self._learn(set(automaton.words))
        end = automaton.states
        transitions: list[_Transition] = []
        for arc in automaton.arcs:
            if arc.word is None:
                transitions.append((arc.source, arc.target, math.exp(-arc.weight)))
            elif arc.word not in missing:
                transitions.append((arc.source, arc.target, math.exp(-arc.weight), arc.word))
        transitions += [(state, end, math.exp(-final.weight)) for state, final in automaton.finals.items()]
        self._use(transitions, automaton.start, end)
        return missing

    def _use(self, transitions: list[_Transition], start: int, end: int) -> None:
        self._has_grammar = bool(transitions)
        if not transitions:
            return
        try:
            self._decoder.add_fsg(_SEARCH, self._decoder.create_fsg(_SEARCH, start, end, transitions))
            self._decoder.activate_search(_SEARCH)
        except (ValueError, RuntimeError) as error:
            raise UserError(f"engine sphinx: cannot use this grammar ({error})") from None

    def _learn(self, words: set[str]) -> tuple[str, ...]:
        """Add the pronunciations that the bundled dictionary lacks; return the words that have none."""
        missing = []
        for word in sorted(words):
            if self._decoder.lookup_word(word) is not None:
                continue
            if not any(letter.isalpha() for letter in word) or word.startswith(("<", "[")):
                missing.append(word)
                continue
            for number, phones in enumerate(pronunciations(word), start=1):
                name = word if number == 1 else f"{word}({number})"
                self._decoder.add_word(name, " ".join(phones), False)
        return tuple(missing)

    def start(self) -> None:
        """Begin an utterance, dropping one that was not finished."""
        self._pieces = []
        self._early = None
        self._attempts = 0

    def feed(self, samples: Samples) -> str:
        """Take a stretch of audio; there is no partial text before the end."""
        if len(samples):
            self._pieces.append(samples)
            self._early = None
        return ""

    def watch_for(self, watched: object) -> bool:
        """It cannot."""
        return False

    def watch(self, samples: Samples, anew: bool) -> str:
        """Nothing is watched for."""
        return ""

    def pause(self) -> None:
        """Decode what was fed, so that the result is there by the time that the pause has been long enough."""
        if self._early is None and self._attempts < _MOST_EARLY:
            self._attempts += 1
            self._early = self._decode()

    def finish(self) -> Hypothesis:
        """End the utterance and return what was heard."""
        heard = self._early if self._early is not None else self._decode()
        self.start()
        return heard

    def _decode(self) -> Hypothesis:
        samples = np.concatenate([np.zeros(0, np.int16), *self._pieces])
        if not self._has_grammar or len(samples) < _LEAST_SAMPLES:
            return Hypothesis("", (), 0.0)
        floor = np.random.default_rng(0).normal(0.0, _FLOOR_LSB, len(samples))
        noisy = np.clip(np.rint(samples + floor), -32768, 32767).astype(np.int16)
        self._decoder.reinit_feat()  # forgets the noise of earlier utterances: the same sound, the same words
        self._decoder.start_utt()
        self._decoder.process_raw(noisy.tobytes(), False, True)
        unfinished = self._spoken()
        self._decoder.end_utt()
        spoken = self._spoken() or unfinished  # what broke off in the middle of a sentence was said all the same
        if not spoken:
            return Hypothesis("", (), 0.0)
        words = tuple(
            Word(
                text=_VARIANT.sub("", segment.word),
                start=segment.start_frame / _FRAMES_PER_SECOND,
                end=(segment.end_frame + 1) / _FRAMES_PER_SECOND,
                confidence=_confidence([segment]),
            )
            for segment in spoken
        )
        return Hypothesis(" ".join(word.text for word in words), words, _confidence(spoken))

    def _spoken(self) -> list[Any]:
        """The words of the best path so far, without silence and noise."""
        segments = self._decoder.seg() if self._decoder.hyp() is not None else ()
        return [segment for segment in segments if not segment.word.startswith(("<", "(", "[", "+"))]


def _confidence(segments: Sequence[Any]) -> float:
    """Map the acoustic score of some words to 0..1.

    pocketsphinx states it relative to the best sound unit of every frame, so that its logarithm per frame is
    near 0 where the words fit and falls where the sounds are others. On spoken orders of real people (clean to
    6 dB) rightly heard ones lay at 0.0017 to 0.0041 (5th and 95th percentile), and other talk that was forced
    into the grammar at 0.0050 to 0.0069.
    """
    frames = sum(segment.end_frame - segment.start_frame + 1 for segment in segments)
    cost = -sum(math.log(max(segment.ascore, 1e-300)) for segment in segments) / max(1, frames)
    return 1.0 / (1.0 + math.exp(min(700.0, (cost - _EVEN_COST) / _COST_SPREAD)))

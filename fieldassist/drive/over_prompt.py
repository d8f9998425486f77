"""Commands said over a prompt: heard while it comes back from the loudspeaker, without waiting for a pause.

Two things have to come together. The engine, watching what is left when the prompt is subtracted, finds the
command among any other talk for two looks in a row; and where it found it, somebody speaks: the stream in which
prompts are suppressed as well stands out of the noise. What is left of a prompt sounds like a command now and
then, but it does not stand out in that stream; a voice that does is rarely a command by chance.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fieldassist.phrases.automaton import Automaton, automaton_of
from fieldassist.phrases.phrase_set import PhraseSet
from fieldassist.sound.band import BandPass
from fieldassist.words.recognizer import SAMPLE_RATE, Samples

COMMANDS: Mapping[str, str] = {
    "hold": "hold_briefly", "strike": "strike_briefly", "skip": "skip_step_briefly", "again": "again_briefly",
}  # fmt: skip
"""What may be said over a prompt, and the rule of `commands.gram` that has its wordings."""
STANDS_OUT = 11.0
"""dB by which both streams must rise over the noise. Of "hold" by synthetic speakers in cabin noise at 12 dB nine
in ten reach 15, of what is left of prompts alone taken for "hold" next to nothing reaches 10..."""
OTHERS_STAND_OUT = 13.0
"""...and taken for another wording, now and then 12."""
WORD = "hold"
"""The word that the prompts teach, for which they are listened over most of all."""
WORD_COST = 4.5
"""Nats for it in the midst of other talk. From 3 to 6 the share of tries in which synthetic speakers are heard
over a prompt as loud as they are falls from 94 to 88 %, and that of other single words by people over a prompt
that are taken for it from 9 to 2 %."""
USUAL_COST = 6.5
"""The same for the usual wordings of every command: other words sound like them more often."""
WORDING = 3.0
"""How much the weights of the wordings count."""
GOES_ON_SECONDS = 0.8
"""For so long after a prompt its last words, and a command said over them, are still on their way."""

_LOOKS = 2
_BAND = (400.0, 3500.0)  # Hz; a car's noise lies below
_FRAME = SAMPLE_RATE // 100
_VOWEL = 15  # frames, in half of which it has to be as loud as it is said to be: a click is not
_SEEN_SECONDS = (1.5, 0.2)  # of the past; the engine finds a word so much after it was said
_NOISE_SECONDS = 4.0
_NOISE_SHARE = 0.3  # of the time is quieter than what is taken for the noise
_LEAD_SECONDS = 0.5
_MOST_WORDS = 6
_KEPT = 1000


@dataclass(frozen=True)
class Spotted:
    """A command heard over a prompt."""

    command: str
    """Key of COMMANDS."""
    text: str
    """Its words."""
    samples: Samples
    """The sound around it."""
    end: float
    """Seconds of the stream."""


def commands(phrases: PhraseSet) -> dict[str, Automaton]:
    """Return the wordings of each command that may be said over a prompt."""
    return {name: phrases.rule(f"commands.{rule}").without_tags() for name, rule in COMMANDS.items()}


def watched(wordings: Mapping[str, Automaton]) -> tuple[tuple[Automaton, float], ...]:
    """Return what the engine is to watch for: unusual wordings have to fit better than their weights say."""
    return (
        (automaton_of([WORD]), WORD_COST),
        *((_weighed(each), USUAL_COST - WORDING * _least_weight(each)) for each in wordings.values()),
    )


def _weighed(automaton: Automaton) -> Automaton:
    arcs = tuple(arc._replace(weight=WORDING * arc.weight) for arc in automaton.arcs)
    finals = {state: final._replace(weight=WORDING * final.weight) for state, final in automaton.finals.items()}
    return Automaton(automaton.states, arcs, finals, automaton.start)


def _least_weight(automaton: Automaton) -> float:
    """Weight of the likeliest sentence."""
    least = {automaton.start: 0.0}
    for _ in range(automaton.states):
        for arc in automaton.arcs:
            if arc.source in least:
                least[arc.target] = min(least.get(arc.target, math.inf), least[arc.source] + arc.weight)
    return min(least[state] + final.weight for state, final in automaton.finals.items() if state in least)


class OverPrompt:
    """Follows the stream and decides what was said over a prompt."""

    def __init__(self, wordings: Mapping[str, Automaton]) -> None:
        """`wordings`: as `commands` gives them."""
        self._wordings = dict(wordings)
        self.forget()

    def forget(self) -> None:
        """Begin with another stream."""
        self._suppressed, self._subtracted = _Loudness(), _Loudness()
        self._heard: deque[Samples] = deque()
        self._position = 0
        self._left = 0  # samples for which the end of a prompt is still listened to
        self._watching = False
        self._last: tuple[int, str] | None = None
        self._looks = 0
        self._taken = 0  # words of commands that were taken
        self.found: deque[tuple[float, str, float]] = deque(maxlen=_KEPT)
        """What the engine found lately, taken or not: second of the stream, words, dB over the noise."""

    def listens(self, prompting: bool, samples: int) -> bool:
        """Tell whether a stretch of so many samples is to be watched."""
        self._left = round(GOES_ON_SECONDS * SAMPLE_RATE) if prompting else max(0, self._left - samples)
        return self._left > 0

    def take(self, suppressed: Samples, subtracted: Samples, listening: bool) -> tuple[Samples, bool] | None:
        """Take a stretch of both streams; return what the engine is to watch, and whether it begins anew."""
        self._position += len(subtracted)
        self._suppressed.take(suppressed, listening)
        self._subtracted.take(subtracted, listening)
        self._heard.append(subtracted)
        while len(self._heard) > 1 and sum(map(len, self._heard)) - len(self._heard[0]) > 2 * SAMPLE_RATE:
            self._heard.popleft()
        anew, self._watching = listening and not self._watching, listening
        if not listening:
            return None
        if not anew:
            return subtracted, False
        self._last, self._looks, self._taken = None, 0, 0
        lead = np.concatenate(self._heard)
        return lead[-len(subtracted) - round(_LEAD_SECONDS * SAMPLE_RATE) :], True

    def look(self, text: str) -> Spotted | None:
        """Look at the words that the engine has found in the stream so far."""
        words = text.split()
        found = self._command_at_the_end(words) if len(words) > self._taken else None
        if found is None:
            self._last = None
            return None
        command, said = found
        now = (len(words), said)
        self._looks = self._looks + 1 if now == self._last else 1
        self._last = now
        if self._looks < _LOOKS:
            return None
        loudness = min(self._suppressed.stands_out(), self._subtracted.stands_out())
        self.found.append((self._position / SAMPLE_RATE, said, loudness))
        if loudness < (STANDS_OUT if said == WORD else OTHERS_STAND_OUT):
            return None
        self._taken, self._last = len(words), None
        return Spotted(command, said, np.concatenate(self._heard), self._position / SAMPLE_RATE)

    def _command_at_the_end(self, words: list[str]) -> tuple[str, str] | None:
        for count in range(min(_MOST_WORDS, len(words) - self._taken), 0, -1):
            text = " ".join(words[-count:])
            for command, automaton in self._wordings.items():
                if automaton.accepts(text):
                    return command, text
        return None


class _Loudness:
    """How loud a stream is in the band of speech, and how loud it is when no prompt plays."""

    def __init__(self) -> None:
        self._filter = BandPass(*_BAND)
        self._rest = np.zeros(0)
        self._recent: deque[float] = deque([0.0] * 2 * _VOWEL, maxlen=round(_SEEN_SECONDS[0] * 100))
        self._noise: deque[float] = deque(maxlen=round(_NOISE_SECONDS * 100))

    def take(self, samples: Samples, listening: bool) -> None:
        """Take the next stretch."""
        if not len(samples):
            return
        band = np.concatenate([self._rest, self._filter.take(samples)])
        whole = len(band) // _FRAME * _FRAME
        powers = np.square(band[:whole]).reshape(-1, _FRAME).mean(axis=1).tolist()
        self._rest = band[whole:]
        self._recent.extend(powers)
        if not listening:
            self._noise.extend(powers)

    def stands_out(self) -> float:
        """dB by which the loudest moment of the last second rises over the noise."""
        if not self._noise:
            return 0.0
        recent = np.array(self._recent)[: -round(_SEEN_SECONDS[1] * 100)]
        loudest = np.median(np.lib.stride_tricks.sliding_window_view(recent, _VOWEL), axis=1).max()
        return 10.0 * float(np.log10((loudest + 1.0) / (np.quantile(list(self._noise), _NOISE_SHARE) + 1.0)))

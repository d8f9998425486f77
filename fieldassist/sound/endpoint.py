"""Cuts a stream of sound into utterances."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from fieldassist.sound.activity import CHUNK, CHUNK_SECONDS, Activity, ActivityMeter
from fieldassist.sound.level import Level, Levels, Watch
from fieldassist.words.recognizer import SAMPLE_RATE, Samples

HANGOVER = 0.6
"""Seconds of no speech that end an utterance: a speaker who looks for a number pauses less."""
LONGEST = 15.0
"""Seconds after which an utterance is cut off: nobody reports for longer, a radio does."""
ECHO_TAIL = 0.25
"""Seconds for which a prompt still rings in the car after its last sample was handed out."""

_PRE_ROLL = 0.2  # before the first sign of speech
_LEAST_PRE_ROLL = 0.5  # before the neural detector was sure
_LOOK_BACK = 1.2  # how far back a beginning is looked for
_KEPT_AFTER = round(0.3 / CHUNK_SECONDS)  # chunks of the pause that ended it

_BEGINS = 0.5  # probability of speech that begins an utterance...
_BEGIN_CHUNKS = 2  # ...in so many of the last three chunks
_GOES_ON = 0.35
_CHANGE = 0.25  # nats: something beside the noise
_GAP_CHUNKS = 6  # quiet chunks within a beginning that is still one
_LEVEL_EVERY = 32  # chunks: once a second
_SLACK = 0.2  # seconds by which change alone may draw an end out: a soft last sound, not a rattle


@dataclass(frozen=True)
class Utterance:
    """One stretch of speech, cut out."""

    samples: Samples
    start: float
    """Seconds from the beginning of the stream."""
    end: float
    over_prompt: bool = False
    """It began while a prompt was playing: not to be matched."""


@dataclass(frozen=True)
class Began:
    """Somebody speaks."""

    start: float
    samples: Samples
    """The sound from `start` on, so far."""
    over_prompt: bool


@dataclass(frozen=True)
class Went:
    """Somebody goes on speaking."""

    samples: Samples


@dataclass(frozen=True)
class Paused:
    """Somebody pauses. Unless they go on within what is left of the hangover, that was the whole utterance."""


@dataclass(frozen=True)
class Ended:
    """Somebody has spoken."""

    utterance: Utterance
    """Its sound is that of `Began` and of every `Went` after it, put together."""


Cut = Began | Went | Paused | Ended


class Endpointer:
    """Finds where speech begins and ends.

    Half duplex: an utterance that begins while a prompt plays is marked `over_prompt`, and ends with the
    prompt, so that an answer which began early is heard from there on as an utterance of its own.
    """

    def __init__(self) -> None:
        """Ready for the first sample of a stream."""
        self._meter = ActivityMeter()
        self._pending = np.zeros(0, np.int16)
        self._chunks = 0  # looked at so far
        self._history: deque[tuple[Samples, Activity]] = deque(maxlen=round(_LOOK_BACK / CHUNK_SECONDS))
        self._inside: list[Samples] = []
        self._handed_out = 0  # of the chunks inside
        self._first = 0  # chunk that the utterance begins with
        self._free_from = 0  # first chunk that belongs to no earlier utterance
        self._last_speech = 0
        self._last_change = 0
        self._over_prompt = False
        self._prompting = False
        self._prompt_ends: int | None = None  # chunk
        self._levels = Levels()
        self._watch = Watch()
        self._told: list[str] = []

    @property
    def position(self) -> float:
        """Seconds of the stream taken so far."""
        return self._chunks * CHUNK_SECONDS + len(self._pending) / SAMPLE_RATE

    @property
    def speaking(self) -> bool:
        """Whether an utterance is under way."""
        return bool(self._inside)

    @property
    def level(self) -> Level:
        """Level of speech and noise over the last half minute or so."""
        return self._levels.level

    def troubles(self) -> tuple[str, ...]:
        """Return what is new about level and noise since last asked, in words for the driver.

        The first verdict is told whatever it is, a few seconds after somebody spoke; later ones when they have
        lasted a while.
        """
        told, self._told = tuple(self._told), []
        return told

    def prompt(self, playing: bool) -> None:
        """Say that a prompt has begun, or that its last sample has been played."""
        if playing:
            self._prompting, self._prompt_ends = True, None
        elif self._prompting:
            self._prompt_ends = self._chunks + round(ECHO_TAIL / CHUNK_SECONDS)

    def push(self, samples: Samples) -> list[Cut]:
        """Take the next stretch of the stream (any length); return what happened in it, in order."""
        self._pending = np.concatenate([self._pending, samples])
        cuts: list[Cut] = []
        whole = len(self._pending) // CHUNK * CHUNK
        for at in range(0, whole, CHUNK):
            cuts += self._take(self._pending[at : at + CHUNK])
        self._pending = self._pending[whole:]
        if self._inside:
            cuts += self._hand_out()
        return cuts

    def flush(self) -> list[Cut]:
        """End the stream: an utterance under way ends here."""
        cuts: list[Cut] = []
        if len(self._pending):
            rest = np.zeros(CHUNK, np.int16)
            rest[: len(self._pending)] = self._pending
            self._pending = self._pending[:0]
            cuts += self._take(rest)
        if self._inside:
            cuts += self._end()
        return cuts

    def _take(self, chunk: Samples) -> list[Cut]:
        activity = self._meter.look(chunk)
        self._history.append((chunk, activity))
        self._chunks += 1
        if not self._prompting:
            self._levels.note(chunk, activity)
            self._look_at_level()
        cuts: list[Cut] = []
        if self._prompt_ends is not None and self._chunks > self._prompt_ends:
            self._prompting, self._prompt_ends = False, None
            if self._inside and self._over_prompt:
                self._inside.append(chunk)
                return self._end()
        if self._inside:
            self._inside.append(chunk)
            if self._is_over(activity):
                cuts += self._end()
            elif self._chunks - self._last_speech == _KEPT_AFTER:
                cuts += [*self._hand_out(), Paused()]
        elif self._begins():
            cuts.append(self._begin())
        return cuts

    def _look_at_level(self) -> None:
        if self._chunks % _LEVEL_EVERY == 0:
            verdict = self._watch.look(self.level, self._chunks * CHUNK_SECONDS)
            if verdict is not None:
                self._told.append(verdict)

    def _begins(self) -> bool:
        recent = [activity.speech for _, activity in list(self._history)[-3:]]
        fresh = self._chunks - self._free_from
        return sum(speech > _BEGINS for speech in recent[-fresh:] if fresh > 0) >= _BEGIN_CHUNKS

    def _begin(self) -> Began:
        """Look back from where the detector is sure to where something first rose out of the noise."""
        back = gap = 0
        for number, (_, activity) in enumerate(reversed(self._history)):
            gap = 0 if activity.change > _CHANGE else gap + 1
            if gap > _GAP_CHUNKS:
                break
            if gap == 0:
                back = number
        back = max(back + round(_PRE_ROLL / CHUNK_SECONDS), round(_LEAST_PRE_ROLL / CHUNK_SECONDS))
        back = min(back, len(self._history) - 1, self._chunks - 1 - self._free_from)
        self._first = self._chunks - 1 - back
        self._inside = [chunk for chunk, _ in list(self._history)[len(self._history) - 1 - back :]]
        self._handed_out = len(self._inside)
        self._last_speech = self._last_change = self._chunks
        self._over_prompt = self._prompting
        return Began(self._first * CHUNK_SECONDS, np.concatenate(self._inside), self._over_prompt)

    def _is_over(self, activity: Activity) -> bool:
        if activity.speech > _GOES_ON:
            self._last_speech = self._chunks
        if activity.change > _CHANGE:
            self._last_change = self._chunks
        last = max(self._last_speech, min(self._last_change, self._last_speech + round(_SLACK / CHUNK_SECONDS)))
        quiet = (self._chunks - last) * CHUNK_SECONDS
        return quiet >= HANGOVER or len(self._inside) * CHUNK_SECONDS >= LONGEST

    @property
    def _kept(self) -> int:
        """How many of the chunks inside belong to the utterance if nothing more is said."""
        return min(len(self._inside), self._last_speech - self._first + _KEPT_AFTER)

    def _hand_out(self) -> list[Cut]:
        fresh = self._inside[self._handed_out : self._kept]
        self._handed_out += len(fresh)
        return [Went(np.concatenate(fresh))] if fresh else []

    def _end(self) -> list[Cut]:
        cuts = self._hand_out()
        kept = self._inside[: self._kept]
        end = (self._first + len(kept)) * CHUNK_SECONDS
        samples = np.concatenate(kept)
        cuts.append(Ended(Utterance(samples, self._first * CHUNK_SECONDS, end, self._over_prompt)))
        self._free_from = self._first + len(kept)
        self._inside = []
        return cuts


def utterances(samples: Samples) -> tuple[Utterance, ...]:
    """Return the utterances of a whole recording."""
    endpointer = Endpointer()
    cuts = endpointer.push(samples) + endpointer.flush()
    return tuple(cut.utterance for cut in cuts if isinstance(cut, Ended))

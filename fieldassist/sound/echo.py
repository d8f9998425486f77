"""Takes the program's own prompts out of what the microphone hears, so that "hold" is heard over them.

What is played is known to the sample; when and how it comes back through loudspeaker, cabin and microphone is not.
When: every prompt opens the loudspeaker anew and comes back some hundredths of a second earlier or later than the
one before, so it is looked for, and sound is held back for the half second that this takes. How: the canceller of
the WebRTC audio processing module (package `pywebrtc-audio`) follows the path, and keeps what it has learnt
from prompt to prompt, since each is offered to it equally long before it comes back.

It suppresses what it cannot subtract, and with it much of a voice that speaks over a loud prompt. So there is a
second stream, of a canceller that only subtracts: words over a prompt are heard in that one, and the first says
whether anybody but the loudspeaker speaks.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from pywebrtc_audio import EchoCanceller as WebRtcEchoCanceller

from fieldassist.sound.linear import BLOCK, LinearCanceller
from fieldassist.words.recognizer import SAMPLE_RATE, Samples

FRAME = SAMPLE_RATE // 100
"""Samples that the cancellers take at a time."""
assert FRAME % BLOCK == 0
LATEST_SECONDS = 0.8
"""The latest that a prompt is looked for: a wireless loudspeaker takes a quarter of a second."""
HELD_BACK_SECONDS = 1.2
"""For so long sound is held back until it is known how late a prompt comes back, where prompts do come back..."""
HELD_BACK_IN_VAIN_SECONDS = 0.4
"""...and where the last one did not: a headset, or a loudspeaker too soft to matter."""
RINGS_SECONDS = 0.4
"""For so long after its end a prompt is still heard in the cabin."""

_LEAD = round(0.008 * SAMPLE_RATE)  # samples by which a prompt is offered before it comes back
_FIRST_LOOK_SECONDS = 0.3
_LONGEST_LOOK_SECONDS = 2.0
_AGREEMENT = round(0.002 * SAMPLE_RATE)
_LEAST_HEARD = round(0.12 * SAMPLE_RATE)  # samples of a prompt that must have come back
_SURE = 6.0  # times by which the peak of the correlation stands above its usual height
_BAND = (200.0, 5000.0)  # Hz
_CLOCK_SECONDS = 20.0


class Played(Protocol):
    """A prompt under way, as a player gives it."""

    @property
    def samples(self) -> Samples:
        """The whole prompt."""

    @property
    def began(self) -> float | None:
        """Moment at which the device took its first sample; None before that. Later when it stopped in between."""

    @property
    def handed(self) -> int:
        """Samples of it that the device has taken so far."""


@dataclass
class _Prompt:
    played: Played
    began: float
    start: int
    """Sample of the microphone's stream at which the device took its first sample."""
    delay: int | None = None
    """Samples from then until it comes back; None as long as that is not known."""
    looking: bool = True
    guess: int | None = None
    """Delay that the last look gave: two that agree are believed."""
    near: Samples = field(default_factory=lambda: np.zeros(0, np.int16))
    """What came in from `start` on, while it is being looked for."""

    def begin_anew(self, began: float, start: int) -> None:
        """The device stopped and went on: what is known of the delay stays, what was looked at is of no use."""
        self.began, self.start = began, start
        self.guess, self.near = None, self.near[:0]

    def is_over(self, position: int) -> bool:
        late = round(LATEST_SECONDS * SAMPLE_RATE) if self.delay is None else self.delay
        return position > self.start + self.played.handed + late + round(RINGS_SECONDS * SAMPLE_RATE)


class EchoCanceller:
    """Cleans one microphone's stream. While nothing is played, samples pass through untouched."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        """`clock`: what `Played.began` was read from."""
        self._now = clock
        self._canceller = WebRtcEchoCanceller(SAMPLE_RATE, 1)
        self._subtracting = LinearCanceller()
        self.subtracted = np.zeros(0, np.int16)
        """The same stretch as `clean` returned last, with the prompts only subtracted."""
        self._clock = _StreamClock()
        self._prompts: list[_Prompt] = []
        self._latest: Played | None = None
        self._held = np.zeros(0, np.int16)
        self.delay: int | None = None
        """Samples after which the last prompt came back that did; None when there was none."""
        self._in_vain = False

    def clean(self, samples: Samples, played: Played | None) -> Samples:
        """Return what is ready of the stream, without the prompts; `played` is the prompt being played now.

        What is held back comes later, at the latest with the end of the prompt. An empty stretch says that the
        microphone is away.
        """
        if not len(samples):
            self._clock.restart()
        begin = self._clock.position - len(self._held)
        self._clock.note(self._now(), len(samples))
        if played is not None and played.began is not None:
            if played is not self._latest:
                self._latest = played
                self._prompts.append(_Prompt(played, played.began, self._clock.position_at(played.began)))
            elif self._prompts and self._prompts[-1].began != played.began:
                self._prompts[-1].begin_anew(played.began, self._clock.position_at(played.began))
        near = np.concatenate([self._held, samples])
        self._held = near[:0]
        if not self._prompts:
            self.subtracted = near
            return near
        for prompt in self._prompts:
            self._look_for(prompt, samples)
        ready = self._ready(begin, len(near), played)
        cleaned = subtracted = near[:0]
        if ready:
            far = self._far(begin, ready)
            if ready > len(samples) + FRAME:  # held back until now: gone through twice, it is clean from its start
                self._subtracting.process(near[:ready], far)
                self._canceller.process(near[:ready], far)
            cleaned = self._canceller.process(near[:ready], far)
            subtracted = self._subtracting.process(near[:ready], far)
        self._prompts = [
            prompt for prompt in self._prompts if prompt.played is played or not prompt.is_over(begin + ready)
        ]
        self._held = near[ready:]
        if not self._prompts:
            cleaned, subtracted = (np.concatenate([part, self._held]) for part in (cleaned, subtracted))
            self._held = near[:0]
        self.subtracted = subtracted
        return cleaned

    def _ready(self, begin: int, length: int, played: Played | None) -> int:
        """How much can be cleaned now, in whole frames: all but what belongs to a prompt still looked for."""
        seconds = HELD_BACK_IN_VAIN_SECONDS if self._in_vain else HELD_BACK_SECONDS
        patience = round(seconds * SAMPLE_RATE)
        ready = length
        for prompt in self._prompts:
            waiting = prompt.looking and prompt.delay is None and prompt.played is played
            if waiting and begin + length - prompt.start < patience:
                ready = min(ready, max(0, prompt.start - begin))
        return ready // FRAME * FRAME

    def _far(self, begin: int, length: int) -> Samples:
        """What comes back in these samples of the stream, a little early."""
        out = np.zeros(length, np.int16)
        for prompt in self._prompts:
            delay = prompt.delay if prompt.delay is not None else self.delay
            if delay is None:
                continue
            start = prompt.start + delay - _LEAD
            first, last = max(begin, start), min(begin + length, start + prompt.played.handed)
            if first < last:
                out[first - begin : last - begin] = prompt.played.samples[first - start : last - start]
        return out

    def _look_for(self, prompt: _Prompt, samples: Samples) -> None:
        """Look for a prompt in what came in since it began, as long as there is hope."""
        if not prompt.looking:
            return
        end = self._clock.position
        begin = max(end - len(samples), prompt.start)
        prompt.near = np.concatenate([prompt.near, samples[len(samples) - max(0, end - begin) :]])
        seconds = len(prompt.near) / SAMPLE_RATE
        if seconds < _FIRST_LOOK_SECONDS:
            return
        far = prompt.played.samples[: min(prompt.played.handed, len(prompt.near))]
        found = delay_of(far, prompt.near)
        if found is not None and prompt.guess is not None and abs(found - prompt.guess) <= _AGREEMENT:
            self.delay = prompt.delay = found
        prompt.guess = found
        if prompt.delay is not None or seconds > _LONGEST_LOOK_SECONDS:
            self._in_vain = prompt.delay is None
            prompt.looking = False
            prompt.near = prompt.near[:0]


def delay_of(far: Samples, near: Samples) -> int | None:
    """Return how many samples later `far` is found in `near`, None when it is not plain to see.

    Generalized cross-correlation with phase transform (Knapp and Carter, "The generalized correlation method for
    estimation of time delay", IEEE Transactions on Acoustics, Speech, and Signal Processing 24(4), 1976).
    """
    size = 1 << (len(far) + len(near)).bit_length()
    cross = np.fft.rfft(near, size) * np.conj(np.fft.rfft(far, size))
    hertz = np.fft.rfftfreq(size, 1 / SAMPLE_RATE)
    weight = ((hertz >= _BAND[0]) & (hertz <= _BAND[1])) / (np.abs(cross) + 1.0)
    likeness = np.fft.irfft(cross * weight, size)
    usual = float(np.sqrt(np.mean(np.square(likeness)))) + 1e-12
    latest = min(len(near) - _LEAST_HEARD, round(LATEST_SECONDS * SAMPLE_RATE))
    if latest <= 0:
        return None
    peak = int(np.argmax(likeness[:latest]))
    return peak if likeness[peak] > _SURE * usual else None


class _StreamClock:
    """Which sample of a stream belongs to which moment.

    Stretches are handed over when they are complete, or later when the program was busy: the earliest of the last
    seconds tell the time.
    """

    def __init__(self) -> None:
        self.position = 0
        """Samples so far."""
        self._offsets: deque[tuple[float, float]] = deque()

    def note(self, now: float, count: int) -> None:
        """Take in that `count` more samples were there at a moment."""
        self.position += count
        offset = now - self.position / SAMPLE_RATE
        while self._offsets and self._offsets[-1][1] >= offset:
            self._offsets.pop()
        self._offsets.append((now, offset))
        while self._offsets[0][0] < now - _CLOCK_SECONDS:
            self._offsets.popleft()

    def restart(self) -> None:
        """The stream broke off: what was learnt of its time no longer holds."""
        self._offsets.clear()

    def position_at(self, moment: float) -> int:
        """Return the sample that had come in last at a moment."""
        return round((moment - self._offsets[0][1]) * SAMPLE_RATE) if self._offsets else self.position

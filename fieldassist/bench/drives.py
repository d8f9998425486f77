"""Drives for the benchmarks: the loop with real parts, prompts rendered and not played."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable
from contextlib import ExitStack, closing

import numpy as np

from fieldassist.deduce import load_unit
from fieldassist.drive.dialogue import Heard, State
from fieldassist.drive.hearing import Hearing
from fieldassist.drive.loop import DriveLoop
from fieldassist.drive.speaker import Speaker
from fieldassist.record.store import Store
from fieldassist.sound.player import Player
from fieldassist.sound.source import AudioSource
from fieldassist.sound.voice import Voice
from fieldassist.words.recognizer import Samples

UNIT = "three_speed_simpson"
GEARS = 3


class QuietScreen:
    """A screen that shows nothing."""

    def __init__(self) -> None:
        self.on_heard: Callable[[Heard, State], None] | None = None

    def said(self, text: str, why: str) -> None:
        """Shows nothing."""

    def heard(self, heard: Heard, state: State) -> None:
        """Tell whoever asked."""
        if self.on_heard is not None:
            self.on_heard(heard, state)

    def moved(self, state: State) -> None:
        """Shows nothing."""

    def told(self, text: str) -> None:
        """Shows nothing."""


class Watched:
    """A source that notes how long the loop stays away from it: a microphone must hold that much."""

    def __init__(self, source: AudioSource) -> None:
        self._source = source
        self._left: float | None = None
        self._away: Counter[int] = Counter()  # ms, counted: a list of them would grow all through the drive

    def read(self) -> Samples | None:
        """Read from the source."""
        if self._left is not None:
            self._away[round(1000 * (time.monotonic() - self._left))] += 1
        samples = self._source.read()
        self._left = time.monotonic()
        return samples

    def away(self, percent: float) -> int:
        """Return the milliseconds between handing a stretch out and being asked for the next: so many percent of
        the times were no longer."""
        lengths = np.array(sorted(self._away))
        shares = np.cumsum([self._away[length] for length in lengths])
        return int(lengths[np.searchsorted(shares, percent / 100 * shares[-1])])

    def troubles(self) -> tuple[str, ...]:
        """Those of the source."""
        return self._source.troubles()

    def close(self) -> None:
        """Close the source."""
        self._source.close()


def quiet_loop(
    file: Store,
    state: State,
    source: AudioSource,
    hearing: Hearing,
    voice: Voice,
    stack: ExitStack,
    screen: QuietScreen,
) -> DriveLoop:
    """Return a loop whose prompts are rendered and then taken as played at once."""
    player = Player(None)
    player.has_device = False
    return DriveLoop(
        file, state, load_unit(UNIT), source, hearing,
        lambda heard: stack.enter_context(closing(Speaker(voice, player, heard))),
        screen, kept="Everything is kept in the session file.", half_duplex=False,
    )  # fmt: skip

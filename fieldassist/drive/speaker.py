"""Says what the dialogue wants said, one thing after another, while the loop goes on listening."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from fieldassist.errors import UserError
from fieldassist.sound.player import Player, Playing
from fieldassist.sound.voice import Voice


@dataclass(frozen=True)
class Spoken:
    """A prompt that began to play."""

    text: str
    why: str
    at: float
    """`time.monotonic()` when its first sample was handed to the device."""


class Speaker:
    """Renders and plays in a thread of its own, in the order in which things are to be said."""

    def __init__(self, voice: Voice, player: Player, heard: Callable[[Spoken], None] | None = None) -> None:
        """`heard` is told (in the speaker's thread) of each prompt as it begins to play."""
        self._voice = voice
        self._player = player
        self._heard = heard
        self._changed = threading.Condition()
        self._queue: deque[tuple[str, str]] = deque()
        self._playing: Playing | None = None
        self._working = False
        self._why: str | None = None  # what is being said is said for
        self._closed = False
        self._told: list[str] = []
        self._mute = False
        self._hushed = 0  # times
        self._thread = threading.Thread(target=self._run, daemon=True, name="speaker")
        self._thread.start()

    @property
    def busy(self) -> bool:
        """Whether something is being said, or still to be said."""
        with self._changed:
            return self._working or bool(self._queue)

    @property
    def playing(self) -> Playing | None:
        """The prompt that is being played; None between two."""
        with self._changed:
            return self._playing

    def say(self, text: str, why: str) -> None:
        """Say this after what is already to be said; returns at once."""
        with self._changed:
            self._queue.append((text, why))
            self._changed.notify_all()

    def hush(self, but: str = "") -> None:
        """Stop in the middle of the word, and drop what was still to be said; `but`: not what is said for this."""
        with self._changed:
            self._queue = deque(item for item in self._queue if item[1] == but)
            if self._why == but:
                return
            self._hushed += 1
            if self._playing is not None:
                self._playing.stop()

    def wait(self, seconds: float | None = None) -> bool:
        """Wait until all is said; False when that takes longer than `seconds`."""
        limit = None if seconds is None else time.monotonic() + seconds
        with self._changed:
            while self._working or self._queue:
                rest = None if limit is None else limit - time.monotonic()
                if rest is not None and rest <= 0:
                    return False
                self._changed.wait(rest)
        return True

    def troubles(self) -> tuple[str, ...]:
        """Return what went wrong with voice or loudspeaker since last asked."""
        with self._changed:
            told, self._told = tuple(self._told), []
        return told + self._player.troubles()

    def close(self) -> None:
        """Say what is still to be said no more, and end the voice's process."""
        self.hush()
        with self._changed:
            self._closed = True
            self._changed.notify_all()
        self._thread.join()
        self._voice.close()

    def _run(self) -> None:
        while True:
            with self._changed:
                while not self._queue and not self._closed:
                    self._changed.wait()
                if self._closed:
                    return
                text, why = self._queue.popleft()
                self._working, self._why = True, why
                hushed = self._hushed
            self._speak(text, why, hushed)
            with self._changed:
                self._working, self._why = False, None
                self._playing = None
                self._changed.notify_all()

    def _speak(self, text: str, why: str, hushed: int) -> None:
        if self._mute:
            return
        try:
            samples = self._voice.render(text)
        except UserError as error:
            with self._changed:  # the drive goes on without a voice: everything is shown as well
                self._mute = True
                self._told.append(str(error))
            return
        with self._changed:
            if self._hushed != hushed:
                return
            playing = self._playing = self._player.play(samples, text)
        if self._heard is not None:
            self._heard(Spoken(text, why, time.monotonic()))
        playing.wait(playing.seconds + 5.0)

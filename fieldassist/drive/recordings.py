"""Recordings in place of a microphone, each chosen when its turn comes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from fieldassist.sound.source import FileSource
from fieldassist.words.recognizer import Samples


class Recordings:
    """An `AudioSource` that asks for its next recording only when the last one has been dealt with.

    A recording is thus an answer to what has just been said, as it is on the road, and never talks into a prompt.
    """

    def __init__(self, choose: Callable[[], Path | None], pace: float | None = None) -> None:
        """`choose` names the next recording, None when there is none left; `pace` as for `FileSource`."""
        self._choose = choose
        self._pace = pace
        self._current: FileSource | None = None
        self.file: Path | None = None
        """The recording that is being played."""

    def read(self) -> Samples | None:
        """Return the next stretch; every recording is followed by a second of silence."""
        while True:
            if self._current is None:
                self.file = self._choose()
                if self.file is None:
                    return None
                self._current = FileSource(self.file, self._pace)
            samples = self._current.read()
            if samples is not None:
                return samples
            self._current = None

    def troubles(self) -> tuple[str, ...]:
        """A file has none."""
        return ()

    def close(self) -> None:
        """Stop reading."""
        self._current = None

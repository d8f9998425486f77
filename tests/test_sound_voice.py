"""The voice keeps what it has rendered within bounds, and two threads may ask it."""

from __future__ import annotations

import threading
import time

import numpy as np
import pytest

from fieldassist.errors import UserError
from fieldassist.sound import voice as voice_module
from fieldassist.sound.voice import Voice
from fieldassist.words.recognizer import SAMPLE_RATE, Samples


class Slow(Voice):
    """Takes its time in place of a speech library: a second of sound for every word."""

    def __init__(self) -> None:
        super().__init__()
        self.rendered: list[str] = []
        self.at_once = 0

    def _render_now(self, text: str) -> Samples:
        self.at_once += 1
        assert self.at_once == 1, "two threads in the speech library"
        time.sleep(0.05)
        self.rendered.append(text)
        self.at_once -= 1
        return np.ones(SAMPLE_RATE * len(text.split()), np.int16)


def test_prompts_used_last_are_kept_and_no_more_than_fit(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(voice_module, "_KEPT_SAMPLES", 5 * SAMPLE_RATE)
    voice = Slow()
    for text in ("one", "two words", "three", "one", "now four words more", "one", "two words"):
        voice.render(text)
    # "two words" and "three", used longest ago, had to make room for the four words
    assert voice.rendered == ["one", "two words", "three", "now four words more", "two words"]
    assert sum(map(len, voice._kept.values())) == voice._kept_samples <= 5 * SAMPLE_RATE
    voice.render("longer than all that may be kept together")
    assert list(voice._kept) == ["longer than all that may be kept together"]


def test_what_is_rendered_in_the_background_is_rendered_once() -> None:
    voice = Slow()
    voice.warm("hello")
    time.sleep(0.01)
    assert len(voice.render("hello")) == SAMPLE_RATE
    assert voice.rendered == ["hello"]


def test_trouble_in_the_background_comes_out_when_it_is_to_be_said(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(_: object, text: str) -> Samples:
        raise UserError("voice: no speech library")

    monkeypatch.setattr(Voice, "_render_now", refuse)
    trouble: list[object] = []
    monkeypatch.setattr(threading, "excepthook", trouble.append)
    voice = Voice()
    voice.warm("hello")
    for thread in threading.enumerate():
        if thread.name == "voice":
            thread.join()
    assert not trouble
    with pytest.raises(UserError, match="no speech library"):
        voice.render("hello")

"""A microphone that refuses, dies, or is another one when it comes back: with a sound library made up for it."""

from __future__ import annotations

import contextlib
import threading
import time
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from fieldassist.errors import UserError
from fieldassist.sound import devices, source
from fieldassist.sound.devices import Device
from fieldassist.sound.source import Microphone
from fieldassist.words.recognizer import SAMPLE_RATE


class PortAudioError(Exception):
    pass


class Library:
    """As much of `sounddevice` as a microphone needs: streams of a tone, on devices with their own rates."""

    PortAudioError = PortAudioError

    def __init__(self) -> None:
        self.device: Device | None = Device(0, "desk microphone", 1, 48_000.0)
        self.takes: set[tuple[int, int]] = {(48_000, 1)}
        """(rate, channels) that the device accepts."""
        self.silent = False
        self.opened: list[tuple[int, int]] = []
        self.streams: list[Stream] = []

    def InputStream(self, *, samplerate: int, channels: int, callback: Any, **_: Any) -> Stream:
        if self.device is None or (samplerate, channels) not in self.takes:
            raise PortAudioError(f"Invalid sample rate {samplerate}")
        self.opened.append((samplerate, channels))
        self.streams.append(Stream(self, samplerate, channels, callback))
        return self.streams[-1]


class Stream:
    def __init__(self, library: Library, rate: int, channels: int, callback: Any) -> None:
        self._library, self._rate, self._channels, self._callback = library, rate, channels, callback
        self.active = False

    def start(self) -> None:
        self.active = True
        threading.Thread(target=self._run, daemon=True).start()

    def abort(self, ignore_errors: bool = True) -> None:
        self.active = False

    close = abort

    def _run(self) -> None:
        block, at = self._rate // 20, 0
        while self.active:
            if not self._library.silent:
                tone = 0.3 * np.sin(2 * np.pi * 440 * (at + np.arange(block)) / self._rate)
                frames = np.repeat(tone[:, None], self._channels, axis=1).astype(np.float32)
                self._callback(frames, block, None, SimpleNamespace(input_overflow=False))
                at += block
            time.sleep(0.05)


@pytest.fixture
def library(monkeypatch: pytest.MonkeyPatch) -> Library:
    library = Library()
    monkeypatch.setattr(source, "portaudio", lambda: library)
    monkeypatch.setattr(source, "default_device", lambda kind: library.device)
    monkeypatch.setattr(source, "rescan", lambda: None)
    monkeypatch.setattr(source, "in_use", lambda: contextlib.nullcontext())
    monkeypatch.setattr(devices, "portaudio", lambda: library)
    return library


def listen(microphone: Microphone, seconds: float, until: str = "") -> tuple[np.ndarray, list[str]]:
    """Read for some time, or until something is told."""
    pieces, told = [], []
    end = time.monotonic() + seconds
    while time.monotonic() < end and not (until and any(until in text for text in told)):
        pieces.append(microphone.read())
        told += microphone.troubles()
    return np.concatenate(pieces), told


def pitch(samples: np.ndarray) -> float:
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples))))
    return float(np.argmax(spectrum) * SAMPLE_RATE / len(samples))


@pytest.mark.parametrize("takes", [(48_000, 1), (44_100, 1), (48_000, 2), (8_000, 1)])
def test_a_device_that_refuses_our_rate_is_taken_at_its_own(library: Library, takes: tuple[int, int]) -> None:
    library.device = Device(0, "desk microphone", takes[1], float(takes[0]))
    library.takes = {takes}
    microphone = Microphone()
    heard, told = listen(microphone, 1.2)
    microphone.close()
    assert library.opened == [takes] and told == []
    assert pitch(heard[-SAMPLE_RATE // 2 :]) == pytest.approx(440, abs=5)
    assert len(heard) == pytest.approx(1.1 * SAMPLE_RATE, rel=0.25), "neither stretched nor squeezed"


def test_a_device_that_takes_nothing_is_refused_with_the_remedy(library: Library) -> None:
    library.takes = set()
    with pytest.raises(UserError, match="no microphone answers: plug one in"):
        Microphone()
    library.device = None
    with pytest.raises(UserError, match="no microphone answers"):
        Microphone()


def test_the_next_default_is_taken_when_the_microphone_is_unplugged(library: Library) -> None:
    """Another device with another rate, as a headset's radio link goes and the laptop's own is left."""
    microphone = Microphone()
    listen(microphone, 0.4)
    library.device, library.takes = Device(3, "built-in microphone", 2, 44_100.0), {(44_100, 2)}
    library.streams[-1].active = False
    _, told = listen(microphone, 4.0, until="back")
    heard, more = listen(microphone, 0.8)
    microphone.close()
    assert told + more == ["The microphone is gone. I keep looking for one.", "The microphone is back."]
    assert microphone.device_name == "built-in microphone"
    assert pitch(heard[-SAMPLE_RATE // 2 :]) == pytest.approx(440, abs=5)


def test_a_stream_that_stays_open_and_gives_nothing_is_a_lost_one(library: Library) -> None:
    microphone = Microphone()
    listen(microphone, 0.4)
    library.silent = True
    _, told = listen(microphone, 4.0, until="gone")
    assert told == ["The microphone is gone. I keep looking for one."] and microphone.lost
    library.silent = False
    _, told = listen(microphone, 4.0, until="back")
    assert told == ["The microphone is back."] and not microphone.lost
    microphone.close()


def test_while_none_is_there_it_is_told_once_and_reading_goes_on(library: Library) -> None:
    microphone = Microphone()
    listen(microphone, 0.4)
    library.device = None
    library.streams[-1].active = False
    heard, told = listen(microphone, 2.5)
    assert told == ["The microphone is gone. I keep looking for one."]
    assert len(heard) < SAMPLE_RATE // 2
    library.device = Device(1, "desk microphone", 1, 48_000.0)
    _, told = listen(microphone, 3.0, until="back")
    assert told == ["The microphone is back."]
    microphone.close()

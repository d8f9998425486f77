"""Microphone and loudspeaker for real, over a virtual sound card."""

from __future__ import annotations

import threading
import time

import numpy as np
import pytest
from virtual_card import VirtualCard, heard, virtual_card

from fieldassist.commands.check import check_microphone, check_output, check_voice
from fieldassist.resources import shipped
from fieldassist.sound.devices import rescan
from fieldassist.sound.echo import EchoCanceller
from fieldassist.sound.player import Player
from fieldassist.sound.source import Microphone
from fieldassist.sound.voice import Voice
from fieldassist.sound.wave import read_wave
from fieldassist.words.recognizer import SAMPLE_RATE


@pytest.fixture(scope="module")
def card():
    with virtual_card() as card:
        rescan()
        if not Player().has_device:
            pytest.skip("no virtual sound card: PortAudio does not see it (Debian: libasound2-plugins)")
        yield card


def tone(hertz: float, seconds: float) -> np.ndarray:
    at = np.arange(int(seconds * SAMPLE_RATE)) / SAMPLE_RATE
    return (8000 * np.sin(2 * np.pi * hertz * at)).astype(np.int16)


def listen(microphone: Microphone, seconds: float, until=lambda samples: False) -> np.ndarray:
    stretches = []
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        stretches.append(microphone.read())
        if until(stretches[-1]):
            break
    return np.concatenate(stretches)


def pitch(samples: np.ndarray) -> float:
    loud = samples[np.abs(samples) > 2000]
    assert len(loud) > 1000, "nothing came through"
    first, last = np.flatnonzero(np.abs(samples) > 2000)[[0, -1]]
    middle = samples[first + 1000 : last - 1000].astype(float)
    spectrum = np.abs(np.fft.rfft(middle * np.hanning(len(middle))))
    return float(np.argmax(spectrum) * SAMPLE_RATE / len(middle))


def test_what_is_said_comes_in_and_what_is_played_goes_out(card: VirtualCard):
    microphone = Microphone()
    listen(microphone, 4.0, until=len)
    card.say(tone(700, 1.0), wait=False)
    assert pitch(listen(microphone, 2.5)) == pytest.approx(700, abs=10)
    assert microphone.troubles() == ()
    microphone.close()
    with card.recording() as path:
        began = time.monotonic()
        playing = Player().play(tone(900, 1.0))
        assert time.monotonic() - began < 0.1, "playing must not hold up the caller"
        assert playing.wait(5) and not playing.stopped
        time.sleep(0.3)
        assert pitch(heard(path)) == pytest.approx(900, abs=10)


def test_a_prompt_is_stopped_in_the_middle(card: VirtualCard):
    player = Player()
    with card.recording() as path:
        playing = player.play(tone(900, 4.0))
        time.sleep(1.0)
        began = time.monotonic()
        playing.stop()
        assert playing.wait(1.0) and playing.stopped
        assert time.monotonic() - began < 0.3
        time.sleep(0.3)
        loud = np.flatnonzero(np.abs(heard(path)) > 2000)
        assert 0.3 < (loud[-1] - loud[0]) / SAMPLE_RATE < 2.0
    assert player.troubles() == ()


def test_a_microphone_that_goes_away_comes_back_and_the_stream_goes_on(card: VirtualCard):
    microphone = Microphone()
    listen(microphone, 4.0, until=len)
    card.plug_out("mic")
    told: list[str] = []
    end = time.monotonic() + 10
    while time.monotonic() < end and not any("gone" in text for text in told):
        assert microphone.read() is not None
        told += microphone.troubles()
    card.plug_in("mic")
    end = time.monotonic() + 15
    while time.monotonic() < end and not any("back" in text for text in told):
        assert microphone.read() is not None
        told += microphone.troubles()
    assert told[:2] == ["The microphone is gone. I keep looking for one.", "The microphone is back."]
    listen(microphone, 2.0)
    card.say(tone(600, 1.0), wait=False)
    assert pitch(listen(microphone, 3.0)) == pytest.approx(600, abs=10)
    microphone.close()


def test_a_slow_reader_loses_nothing_within_the_ring_and_is_told_beyond_it(card: VirtualCard, monkeypatch):
    microphone = Microphone()
    listen(microphone, 4.0, until=len)
    microphone._ring_limit = SAMPLE_RATE  # one second instead of thirty
    time.sleep(2.5)
    held = listen(microphone, 0.1)
    told = microphone.troubles()
    assert len(told) == 1 and "missing" in told[0]
    assert 0.8 <= len(held) / SAMPLE_RATE + len(microphone._pending) / SAMPLE_RATE <= 1.6
    microphone.close()


def test_prompts_are_taken_out_of_what_comes_back_from_the_loudspeaker(card: VirtualCard):
    speech = shipped("audio_fixtures") / "second_gear_slips"
    prompts = [read_wave(speech / f"{name}.flac") for name in ("24_flare_two_three", "36_slips_in_second")]
    microphone, player, canceller = Microphone(), Player(), EchoCanceller()
    listen(microphone, 4.0, until=len)
    less = []
    with card.echoing(-3.0):
        for prompt in prompts * 2:
            playing = player.play(prompt)
            near, cleaned = [], []
            end = time.monotonic() + len(prompt) / SAMPLE_RATE + 1.5
            while time.monotonic() < end:
                near.append(microphone.read())
                cleaned.append(canceller.clean(near[-1], None if playing.done else playing))
            before, after = np.concatenate(near).astype(float), np.concatenate(cleaned).astype(float)
            assert np.abs(before).max() > 500, "the echo was not heard"
            less.append(10 * np.log10(np.mean(before**2) / (np.mean(after**2) + 1e-3)))
    microphone.close()
    assert canceller.delay is not None and 0.0 < canceller.delay / SAMPLE_RATE < 0.8
    assert sorted(less)[2] > 10.0, f"reduced by {less} dB"


def test_without_an_output_device_prompts_are_kept_as_files(tmp_path, monkeypatch):
    monkeypatch.setattr("fieldassist.sound.player.default_device", lambda kind: None)
    player = Player(tmp_path / "prompts")
    assert not player.has_device
    assert player.play(tone(900, 0.2), "Pull away, light throttle.").done
    assert [path.name for path in (tmp_path / "prompts").iterdir()] == ["prompt-0001-pull-away-light-throttle.wav"]


def test_the_check_command_judges_the_microphone_and_plays_its_prompt(card: VirtualCard, capsys):
    microphone = Microphone()
    listen(microphone, 4.0, until=len)
    microphone.close()
    recording = shipped("audio_fixtures") / "second_gear_slips" / "24_flare_two_three.flac"
    voice = Voice()
    prompt, spoken = check_voice(voice)
    voice.close()
    assert spoken.good
    with card.recording() as path:
        assert check_output(prompt).good
        time.sleep(0.3)
        assert np.abs(heard(path)).max() > 2000
    said = threading.Timer(1.0, card.say, (read_wave(recording),))
    said.start()
    line = check_microphone()
    said.join()
    assert line.good and "speech" in line.text and "noise" in line.text, line.text


def test_a_loudspeaker_that_fails_is_told_once_and_its_prompts_are_kept(tmp_path, monkeypatch):
    player = Player(tmp_path / "prompts")
    player.has_device = True
    outcomes = iter([False, False, True])
    monkeypatch.setattr(player, "_stream", lambda samples, playing: next(outcomes))
    for text in ("One.", "Two.", "Three."):
        assert player.play(tone(900, 0.1), text).wait(2)
    assert player.troubles() == (
        "The loudspeaker is gone: prompts are shown and kept as files.",
        "The loudspeaker is back.",
    )
    kept = sorted(path.name for path in (tmp_path / "prompts").iterdir())
    assert kept == ["prompt-0001-one.wav", "prompt-0002-two.wav"]

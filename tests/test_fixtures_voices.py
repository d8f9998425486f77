"""The drivers of the synthetic speakers, as far as they need nothing beyond the product's own dependencies."""

from __future__ import annotations

import numpy as np
import pytest

from fieldassist.acoustic.voices import (
    ENGINES,
    Speaker,
    kokoro_phonemes,
    licences,
    load_speakers,
    missing,
    mixed_speakers,
    role_speaker,
    speak,
)
from fieldassist.errors import UserError

ESPEAK = Speaker("espeak:en-us", "espeak", "en-us", "train")


def test_phonemes_are_those_that_the_network_was_trained_on() -> None:
    # One capital per diphthong, one sign per affricate (Kokoro-82M's own phoneme alphabet); eSpeak NG gives IPA.
    phonemes = kokoro_phonemes("shift", "us")
    assert phonemes == "ʃˈɪft"
    chatter = kokoro_phonemes("jaw chatter, no load", "us")
    assert "ʤ" in chatter
    assert "ʧ" in chatter
    assert "O" in chatter
    assert ", " in chatter
    assert "Q" in kokoro_phonemes("no load", "gb")
    assert not set(phonemes + chatter) & set("^ː")


def test_a_pause_is_as_long_as_written() -> None:
    whole, parts = speak("flare", ESPEAK), speak("flare [1.5] flare", ESPEAK)
    assert parts.dtype == np.float32
    assert parts.size == pytest.approx(2 * whole.size + 24_000, abs=1_600)
    assert np.max(np.abs(whole)) > 0.05
    quiet = np.flatnonzero(np.abs(parts) > 1e-4)
    assert np.max(np.diff(quiet)) >= 24_000


def test_faster_speech_is_shorter() -> None:
    assert speak("second gear slips", ESPEAK, 1.5).size < 0.85 * speak("second gear slips", ESPEAK).size


def test_nothing_to_say_and_nobody_to_say_it() -> None:
    with pytest.raises(UserError, match="nothing to say"):
        speak("  ", ESPEAK)
    with pytest.raises(UserError, match="no voice"):
        speak("hello", Speaker("espeak:xx", "espeak", "no-such-voice", "train"))
    with pytest.raises(UserError, match="engine"):
        missing("gramophone")
    with pytest.raises(UserError, match="technician_a"):
        role_speaker("conductor")


def test_every_engine_has_its_licence_named() -> None:
    assert set(licences()) == set(ENGINES)
    assert {s.engine for split in ("train", "test", "fixtures") for s in load_speakers(split)} <= set(licences())


def test_mixes_are_drawn_the_same_way_again() -> None:
    one = mixed_speakers("train", 30, seed=7)
    assert one == mixed_speakers("train", 30, seed=7)
    assert one != mixed_speakers("train", 30, seed=8)
    assert all(0.3 <= speaker.share <= 0.7 for speaker in one)
    assert len({speaker.id for speaker in one}) > 25

"""Level and noise: the verdicts, and the cutting of utterances out of noise."""

from __future__ import annotations

import numpy as np
import pytest

from fieldassist.acoustic.cabin import Cabin, cabin_noise
from fieldassist.acoustic.mixing import active_speech_level, add_noise, to_float, to_int16, to_level
from fieldassist.resources import shipped
from fieldassist.sound.endpoint import Began, Ended, Endpointer, Paused, Went, utterances
from fieldassist.sound.level import measure
from fieldassist.sound.wave import read_wave
from fieldassist.words.recognizer import SAMPLE_RATE

CLIP = "second_gear_slips/24_flare_two_three.flac"


@pytest.fixture(scope="module")
def voice():
    """Voiced bursts as a mouth makes them would need a person; a rendered sentence stands in."""
    from fieldassist.sound.voice import Voice

    spoken = Voice()
    samples = to_float(spoken.render("The shift from two to three flares at twenty one hundred."))
    spoken.close()
    return samples


def scene(voice, snr, level=-26.0, times=3, gap=2.0, seed=1):
    """Speech at an active level (ITU-T P.56) with cabin noise at an SNR; returns samples and true spans (s)."""
    voice = to_level(voice, level)
    pause = np.zeros(int(gap * SAMPLE_RATE))
    clean = np.concatenate([pause, *(x for _ in range(times) for x in (voice, pause))])
    loud = np.flatnonzero(np.abs(voice) > 0.02 * np.abs(voice).max())
    starts = [(len(pause) + n * (len(voice) + len(pause))) for n in range(times)]
    spans = [((at + loud[0]) / SAMPLE_RATE, (at + loud[-1]) / SAMPLE_RATE) for at in starts]
    noise = cabin_noise(len(clean) / SAMPLE_RATE + 1, Cabin(wander=1.0), seed).astype(float)
    return to_int16(add_noise(clean, noise, snr)), spans


@pytest.mark.parametrize("snr", [20, 10, 5])
def test_utterances_are_cut_whole_out_of_cabin_noise(voice, snr):
    samples, spans = scene(voice, snr)
    found = utterances(samples)
    assert len(found) == len(spans)
    for utterance, (start, end) in zip(found, spans, strict=True):
        assert start - 1.3 < utterance.start <= start + 0.05
        assert end - 0.1 <= utterance.end < end + 0.8
        at = round(utterance.start * SAMPLE_RATE)
        assert np.array_equal(utterance.samples, samples[at : at + len(utterance.samples)])


def test_noise_alone_is_no_utterance_even_when_it_steps_up():
    quiet = 0.1 * cabin_noise(8, Cabin(speed=10), 1)
    loud = cabin_noise(12, Cabin(speed=65, wind=0.8, indicator=True), 2)
    assert utterances(to_int16(np.concatenate([quiet, loud]))) == ()


def test_any_stretches_give_the_same_cuts(voice):
    samples, _ = scene(voice, 15)
    rng = np.random.default_rng(3)
    endpointer, cuts, at = Endpointer(), [], 0
    while at < len(samples):
        step = int(rng.integers(1, 4000))
        cuts += endpointer.push(samples[at : at + step])
        at += step
    cuts += endpointer.flush()
    ended = [cut.utterance for cut in cuts if isinstance(cut, Ended)]
    whole = utterances(samples)
    assert [(u.start, u.end) for u in ended] == [(u.start, u.end) for u in whole]
    fed, seen, paused = [], [], False
    for cut in cuts:  # what is fed while it is spoken is what is handed over at the end
        match cut:
            case Began(_, first, _):
                fed, paused = [first], False
            case Went(more):
                fed.append(more)
                paused = False
            case Paused():
                paused = True
            case Ended():
                seen.append(np.concatenate(fed))
                assert paused, "the engine was not told early that this might be all"
    assert all(np.array_equal(a, b.samples) for a, b in zip(seen, whole, strict=True))


def test_a_pause_is_told_before_the_end_and_taken_back_when_speech_goes_on(voice):
    first, second = (to_int16(to_level(voice)) for _ in range(2))
    rng = np.random.default_rng(5)

    def quiet(seconds):
        return rng.normal(0, 20, int(seconds * SAMPLE_RATE)).astype(np.int16)

    loud = np.flatnonzero(np.abs(first.astype(int)) > 300)
    first = first[: loud[-1]]
    second = second[loud[0] :]
    endpointer, cuts = Endpointer(), []
    samples = np.concatenate([quiet(1), first, quiet(0.45), second, quiet(1.5)])
    for at in range(0, len(samples), 1600):
        cuts += endpointer.push(samples[at : at + 1600])
    kinds = [type(cut).__name__ for cut in cuts]
    assert kinds.count("Began") == kinds.count("Ended") == 1
    assert kinds.count("Paused") >= 2
    assert kinds[-2:] == ["Paused", "Ended"]
    assert "Went" in kinds[kinds.index("Paused") : -2]


def test_what_is_said_over_a_prompt_is_marked_and_an_early_answer_is_heard(voice):
    samples, spans = scene(voice, 20, times=2)
    endpointer, cuts = Endpointer(), []
    middle = (spans[0][0] + spans[0][1]) / 2
    endpointer.prompt(True)
    for at in range(0, len(samples), 1600):
        if at / SAMPLE_RATE >= middle and at / SAMPLE_RATE < middle + 0.1:
            endpointer.prompt(False)
        cuts += endpointer.push(samples[at : at + 1600])
    ended = [cut.utterance for cut in cuts if isinstance(cut, Ended)]
    assert [utterance.over_prompt for utterance in ended] == [True, False, False]
    assert ended[1].start < middle + 0.6  # the rest of the early answer


def test_an_endless_talker_is_cut_off(voice):
    talk = np.tile(to_int16(to_level(voice)), 12)
    found = utterances(talk)
    assert max(u.end - u.start for u in found) <= 15.1
    assert sum(len(u.samples) for u in found) > 0.7 * len(talk)


def test_levels_agree_with_the_active_speech_level_of_itu_t_p56(voice):
    samples, _ = scene(voice, 30)
    level = measure(samples)
    active, _ = active_speech_level(to_float(samples))
    assert level.speech == pytest.approx(active, abs=3)
    assert level.snr == pytest.approx(30, abs=5)
    assert level.verdict == "The microphone is fine."


@pytest.mark.parametrize(
    ("snr", "level", "begins"),
    [(9, -26, "It is loud in the car"), (30, -50, "You are hard to hear"), (30, 0, "The microphone is too loud")],
)
def test_verdicts(voice, snr, level, begins):
    samples, _ = scene(voice, snr, level)
    assert measure(samples).verdict.startswith(begins)


def test_verdicts_without_speech():
    assert measure(np.zeros(64000, np.int16)).verdict.startswith("The microphone is silent")
    assert measure(to_int16(cabin_noise(5))).verdict.startswith("I hear the car")


def test_the_verdict_is_told_at_the_start_and_when_the_noise_has_risen_for_a_while(voice):
    good, _ = scene(voice, 25, times=3)
    loud, _ = scene(voice, 6, times=8)
    endpointer = Endpointer()
    endpointer.push(good)
    assert endpointer.troubles() == ("The microphone is fine.",)
    endpointer.push(good[:SAMPLE_RATE])
    assert endpointer.troubles() == ()
    endpointer.push(loud)
    assert endpointer.troubles() == ("It is loud in the car. Speak up, or bring the microphone closer.",)


def test_a_microphone_that_falls_silent_is_told():
    endpointer = Endpointer()
    endpointer.push(to_int16(cabin_noise(6)))
    assert endpointer.troubles() == ()  # nobody has spoken yet: nothing to say
    endpointer.push(np.zeros(60 * SAMPLE_RATE, np.int16))
    assert endpointer.troubles()[-1].startswith("The microphone is silent")


def test_a_shipped_recording_is_one_utterance():
    assert len(utterances(read_wave(shipped("audio_fixtures") / CLIP))) == 1

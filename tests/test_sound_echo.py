"""The echo canceller: made-up echoes of real prompts, with the delay known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from scipy.signal import fftconvolve

from fieldassist.bench.barge_in import cabin_response
from fieldassist.resources import shipped
from fieldassist.sound.echo import EchoCanceller, delay_of
from fieldassist.sound.wave import read_wave
from fieldassist.words.recognizer import SAMPLE_RATE, Samples

CLIPS = shipped("audio_fixtures") / "second_gear_slips"
STRETCH = SAMPLE_RATE // 10


@dataclass
class Prompt:
    samples: Samples
    began: float | None = None
    handed: int = 0


def clip(name: str) -> Samples:
    return read_wave(CLIPS / f"{name}.flac")


def prompt_of(seconds: float) -> Samples:
    """Speech of so many seconds."""
    whole = np.concatenate([clip("13_passenger_talk"), clip("24_flare_two_three"), clip("36_slips_in_second")])
    return whole[: round(seconds * SAMPLE_RATE)]


def noise(length: int, level: float = 60.0) -> np.ndarray:
    return np.random.default_rng(3).normal(0.0, level, length)


def power(samples: np.ndarray) -> float:
    return 10 * float(np.log10(np.mean(np.square(samples.astype(float))) + 1e-9))


class Cabin:
    """A microphone that hears prompts again, some time later."""

    def __init__(self, delay: float, echo: float = 0.5) -> None:
        self.now = 100.0
        self.canceller = EchoCanceller(lambda: self.now)
        self.delay, self.echo = delay, echo
        self.response = cabin_response(np.random.default_rng(1))

    def play(
        self, samples: Samples, seconds: float, over: np.ndarray | None = None, cut: float | None = None,
        asleep: float = 0.0,
    ):  # fmt: skip
        """Play a prompt for some time (`cut`: stopped after so many seconds; `asleep`: the device takes so long to
        wake up); return what came in and out."""
        size = round(seconds * SAMPLE_RATE) // STRETCH * STRETCH
        played = samples if cut is None else samples[: round(cut * SAMPLE_RATE)]
        back = self.echo * fftconvolve(played.astype(float), self.response)
        near = noise(size)
        late = round((self.delay + asleep) * SAMPLE_RATE)
        back = back[: size - late]
        near[late : late + len(back)] += back
        if over is not None:
            near[: len(over)] += over
        near = np.clip(np.rint(near), -32768, 32767).astype(np.int16)
        prompt = Prompt(samples, self.now)
        out = []
        for begin in range(0, size, STRETCH):
            self.now += STRETCH / SAMPLE_RATE
            awake = begin - round(asleep * SAMPLE_RATE)
            if asleep and 0 <= awake < STRETCH:
                prompt.began = self.now - (awake + STRETCH) / SAMPLE_RATE
            prompt.handed = min(len(played), max(700, awake + 2 * STRETCH))
            under_way = prompt if awake < len(played) + STRETCH else None
            out.append(self.canceller.clean(near[begin : begin + STRETCH], under_way))
        return near, np.concatenate(out)


def test_while_nothing_is_played_the_sound_is_untouched() -> None:
    canceller = EchoCanceller()
    samples = clip("24_flare_two_three")
    for begin in range(0, len(samples), 777):
        stretch = samples[begin : begin + 777]
        assert np.array_equal(canceller.clean(stretch, None), stretch)
    waiting = Prompt(samples)
    assert np.array_equal(canceller.clean(samples[:1600], waiting), samples[:1600]), "it has not begun"


@pytest.mark.parametrize("delay", [0.0, 0.06, 0.25, 0.45])
def test_a_prompt_is_taken_out_and_every_sample_comes_out_once(delay: float) -> None:
    cabin = Cabin(delay)
    prompt = prompt_of(4.0)
    for _ in range(2):  # the second time the path is known
        near, out = cabin.play(prompt, 6.5)
        assert len(out) == len(near)
    assert cabin.canceller.delay == pytest.approx(delay * SAMPLE_RATE, abs=48)
    loud = slice(round((delay + 0.6) * SAMPLE_RATE), round((delay + 4.0) * SAMPLE_RATE))
    assert power(near[loud]) - power(out[loud]) > 12.0
    assert np.array_equal(cabin.canceller.clean(near[:1600], None), near[:1600]), "over, and untouched again"


def test_a_delay_that_changes_from_prompt_to_prompt_is_found_each_time() -> None:
    cabin = Cabin(0.1)
    cabin.play(prompt_of(4.0), 6.0)
    for delay in (0.13, 0.08, 0.2):
        cabin.delay = delay
        near, out = cabin.play(prompt_of(4.0), 6.0)
        assert cabin.canceller.delay == pytest.approx(delay * SAMPLE_RATE, abs=48)
        loud = slice(round(1.0 * SAMPLE_RATE), round(3.8 * SAMPLE_RATE))
        assert power(near[loud]) - power(out[loud]) > 10.0


def test_a_loudspeaker_that_wakes_up_first_is_followed() -> None:
    cabin = Cabin(0.1)
    cabin.play(prompt_of(4.0), 6.0)
    near, out = cabin.play(prompt_of(4.0), 8.0, asleep=1.5)
    loud = slice(round(2.4 * SAMPLE_RATE), round(5.4 * SAMPLE_RATE))
    assert power(near[loud]) - power(out[loud]) > 10.0


def test_what_the_driver_says_over_a_prompt_stays() -> None:
    cabin = Cabin(0.15)
    cabin.play(prompt_of(4.0), 6.0)
    hold = clip("32_hold").astype(float)
    over = np.concatenate([np.zeros(round(1.5 * SAMPLE_RATE)), hold])
    _, out = cabin.play(prompt_of(4.0), 6.0, over)
    _, silent = cabin.play(prompt_of(4.0), 6.0)
    spoken = slice(round(1.5 * SAMPLE_RATE), round(1.5 * SAMPLE_RATE) + len(hold))
    assert power(out[spoken]) - power(silent[spoken]) > 10.0


def test_a_headset_without_echo_costs_nothing_but_a_short_wait() -> None:
    cabin = Cabin(0.1, echo=0.0)
    cabin.play(prompt_of(4.0), 6.0)
    assert cabin.canceller.delay is None
    prompt = Prompt(prompt_of(4.0), cabin.now, 64_000)
    near = noise(STRETCH * 10).astype(np.int16)
    given = 0
    for begin in range(0, len(near), STRETCH):
        cabin.now += 0.1
        given += len(cabin.canceller.clean(near[begin : begin + STRETCH], prompt))
        assert begin + STRETCH - given <= 0.45 * SAMPLE_RATE, "held back for longer than that after the first time"


def test_a_prompt_that_was_cut_short_is_only_so_long() -> None:
    cabin = Cabin(0.1)
    cabin.play(prompt_of(4.0), 6.0)
    near, out = cabin.play(prompt_of(4.0), 4.0, cut=1.5)
    rest = slice(round(2.6 * SAMPLE_RATE), None)
    assert power(out[rest]) == pytest.approx(power(near[rest]), abs=0.5), "nothing is put in where nothing was"


def test_a_microphone_that_went_away_in_the_middle_of_a_prompt() -> None:
    cabin = Cabin(0.1)
    near, _ = cabin.play(prompt_of(4.0), 1.0)
    cabin.canceller.clean(near[:0], None)
    cabin.now += 30.0
    for _ in range(3):
        near, out = cabin.play(prompt_of(4.0), 6.0)
    assert power(near[16_000:48_000]) - power(out[16_000:48_000]) > 8.0


def test_the_delay_is_told_only_when_it_is_plain() -> None:
    far = prompt_of(1.5)
    near = np.concatenate([np.zeros(4000), 0.3 * far])[: len(far)] + noise(len(far), 100.0)
    assert delay_of(far, near.astype(np.int16)) == pytest.approx(4000, abs=2)
    assert delay_of(far, noise(len(far), 500.0).astype(np.int16)) is None
    assert delay_of(far[:500], far[:500]) is None

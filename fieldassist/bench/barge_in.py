"""`python -m fieldassist.bench barge_in`: is "hold" heard over a prompt that comes back from the loudspeaker?

A car is made up: prompts of the shipped checklist, rendered by the program's own voice, go through a loudspeaker
that saturates a little, a synthetic cabin response (noise that decays exponentially, 60 dB in 50 to 90 ms), a way
of 60 to 350 ms that varies by 15 ms from prompt to prompt and, in every other car, a sound card whose clock is
off by 40 ppm. Held-out synthetic speakers say "hold" at a random moment of a prompt, in cabin noise. Everything
behind the microphone is what a drive uses: canceller, endpointer, engine with the grammar of a step, matcher.

- heard: share of the prompts over which "hold" was said and taken as `hold` before the prompt had ended.
- false: `hold` taken from prompts alone, per hour of prompts.

Levels: echo against speech, both as active speech level (ITU-T P.56).
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass

import numpy as np
from scipy.signal import butter, fftconvolve, sosfilt

from fieldassist.acoustic.cabin import cabin_noise, random_cabin
from fieldassist.acoustic.mixing import USUAL_LEVEL, Signal, noise_gain, rms_level, to_float, to_int16, to_level
from fieldassist.bench.speech_data import SEED, say, test_speakers
from fieldassist.deduce import load_unit, steps_for
from fieldassist.drive.checklist import load_checklist
from fieldassist.drive.dialogue import State, start
from fieldassist.drive.hearing import Hearing
from fieldassist.record.event import Event
from fieldassist.record.projection import project
from fieldassist.sound.echo import EchoCanceller
from fieldassist.sound.endpoint import Began, Ended, Endpointer, Went
from fieldassist.sound.source import STRETCH_SECONDS
from fieldassist.sound.voice import Voice
from fieldassist.words.recognizer import SAMPLE_RATE, Samples

UNIT = "three_speed_simpson"
LEVELS = (-30.0, -20.0, -15.0, -10.0, -5.0, 0.0)
"""dB of the echo against the speech."""
SNR = 12.0
"""dB of the speech against the cabin's noise."""
GAP_SECONDS = 1.5
"""Between two prompts."""
LONGEST_PROMPT = 9.0
SHORTEST_PROMPT = 2.0
"""s; in a shorter one there is no time to cut in."""
WAY_OUT = 0.2
"""s for which the player says that it is still playing after it handed over the last sample."""
STEP = "upshift_1_2_light"
"""The step that is being asked."""


@dataclass
class Prompt:
    """One prompt being played in the made-up car; a `sound.echo.Played`."""

    samples: Samples
    start: float
    """s of the microphone's stream at which the device takes the first sample."""
    now: float = 0.0

    @property
    def began(self) -> float | None:
        """The stream's own time serves as the clock."""
        return self.start if self.now >= self.start else None

    @property
    def handed(self) -> int:
        """A device takes a fifth of a second ahead."""
        ahead = self.now - self.start + 0.2
        return min(len(self.samples), max(0, round(ahead * SAMPLE_RATE)))

    @property
    def end(self) -> float:
        """s of the stream at which the device has played it."""
        return self.start + len(self.samples) / SAMPLE_RATE


@dataclass(frozen=True)
class Ride:
    """What the microphone of one car hears over a number of prompts."""

    samples: Samples
    prompts: tuple[Prompt, ...]
    said: tuple[tuple[float, float], ...]
    """From when to when somebody says "hold", for each prompt; empty when nobody does."""


@dataclass
class Count:
    """What came of some rides."""

    said: int = 0
    heard: int = 0
    false: int = 0
    prompt_seconds: float = 0.0
    waits: tuple[float, ...] = ()
    """s from the end of "hold" until it was taken, of the stream (the engine's time not in it)."""


def run(argv: list[str]) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="python -m fieldassist.bench barge_in")
    parser.add_argument("--levels", default=",".join(f"{level:g}" for level in LEVELS), help="dB, echo to speech")
    parser.add_argument("--repeats", type=int, default=2, help="times that each test voice says it (default 2)")
    parser.add_argument("--minutes", type=float, default=20.0, help="of prompts alone (default 20)")
    parser.add_argument("--engine", help="speech engine (default: the one that a drive uses)")
    parser.add_argument("--without", action="store_true", help="also without the canceller")
    args = parser.parse_args(argv)
    levels = [float(level) for level in args.levels.split(",")]
    prompts = render_prompts()
    checklist = load_checklist("road_test", steps_for(load_unit(UNIT)))
    state = start(checklist, project([Event("s", "started", "", {"unit": UNIT})]), "b")
    with closing(Hearing(args.engine, gears=3)) as hearing:
        hearing.expect(next(step for step in steps_for(load_unit(UNIT)) if step.id == STEP))
        name, voices = hearing.engine.name, len(test_speakers())
        print(f"hold over a prompt ({name}), {SNR:g} dB cabin noise, {voices} test voices (synthetic)")
        print(f"{'echo':>8}  {'canceller':<10}{'heard':>14}{'after, p50':>12}{'false holds':>24}")
        for level in levels:
            for cancelling in (True, False) if args.without else (True,):
                count = Count()
                for one in rides(prompts, level, args.repeats):
                    listen(one, hearing, state, cancelling, count)
                alone = Count()
                for one in quiet_rides(prompts, level, args.minutes):
                    listen(one, hearing, state, cancelling, alone)
                print(_row(level, cancelling, count, alone), flush=True)
    return 0


def _row(level: float, cancelling: bool, count: Count, alone: Count) -> str:
    waits = sorted(count.waits)
    after = f"{waits[len(waits) // 2]:.1f} s" if waits else "none"
    hours = (alone.prompt_seconds + count.prompt_seconds) / 3600
    false = f"{alone.false + count.false} in {60 * hours:.0f} min, {(alone.false + count.false) / hours:.1f}/h"
    share = f"{count.heard}/{count.said} {100 * count.heard / max(1, count.said):.0f} %"
    return f"{level:>5g} dB  {'on' if cancelling else 'off':<10}{share:>14}{after:>12}{false:>24}"


# The made-up car.


def render_prompts() -> tuple[Signal, ...]:
    """Every prompt and caution of the shipped checklist that is long enough to be talked into."""
    items = load_checklist("road_test", steps_for(load_unit(UNIT))).items
    texts = dict.fromkeys(text for item in items for text in (item.section.caution, item.caution, item.prompt))
    with closing(Voice()) as voice:
        rendered = [to_float(voice.render(text)) for text in texts if text]
    return tuple(r for r in rendered if SHORTEST_PROMPT <= len(r) / SAMPLE_RATE <= LONGEST_PROMPT)


def rides(prompts: tuple[Signal, ...], level: float, repeats: int) -> Iterator[Ride]:
    """Every test voice says "hold" over `repeats` prompts: each repeat in another car, over other prompts."""
    rng = np.random.default_rng(SEED)
    speakers = test_speakers()
    for car in range(repeats):
        chosen = [prompts[(car * len(speakers) + index) % len(prompts)] for index in range(len(speakers))]
        speech = [say("hold", speaker, round(float(rng.uniform(0.92, 1.15)), 2)) for speaker in speakers]
        yield ride(chosen, speech, level, car)


def quiet_rides(prompts: tuple[Signal, ...], level: float, minutes: float) -> Iterator[Ride]:
    """Prompts over which nobody speaks, for so many minutes of prompts."""
    left, car = minutes * 60, 100
    while left > 0:
        order = np.random.default_rng([SEED, car]).permutation(len(prompts))
        chosen = [prompts[index] for index in order[:40]]
        yield ride(chosen, [], level, car)
        left -= sum(map(len, chosen)) / SAMPLE_RATE
        car += 1


def ride(prompts: list[Signal], speech: list[Signal], level: float, car: int) -> Ride:
    """Mix what the microphone of a car hears: noise, prompts coming back, and `speech` over them."""
    rng = np.random.default_rng([SEED, car])
    response = cabin_response(rng)
    way = rng.uniform(0.06, 0.35)
    drift = 40e-6 if car % 2 else 0.0
    gap = round(GAP_SECONDS * SAMPLE_RATE)
    size = gap + sum(len(prompt) + gap for prompt in prompts)
    echo, voices = np.zeros(size), np.zeros(size)
    played, said = [], []
    at = gap
    for index, prompt in enumerate(prompts):
        played.append(Prompt(to_int16(prompt), at / SAMPLE_RATE))
        heard = np.interp(np.arange(len(prompt)) * (1 + drift), np.arange(len(prompt)), prompt)
        back = fftconvolve(np.tanh(2.0 * heard) / 2.0, response)
        late = at + round((way + rng.normal(0.0, 0.015)) * SAMPLE_RATE)
        echo[late : late + len(back)] += back[: size - late]
        if speech:
            word = speech[index]
            first = at + round(float(rng.uniform(0.3, len(prompt) / SAMPLE_RATE - 1.2)) * SAMPLE_RATE)
            voices[first : first + len(word)] += to_level(word)
            said.append((first / SAMPLE_RATE, (first + len(word)) / SAMPLE_RATE))
        at += len(prompt) + gap
    echo = to_level(echo, USUAL_LEVEL + level)
    noise = to_float(cabin_noise(size / SAMPLE_RATE, random_cabin(SEED + car), seed=SEED + car))[:size]
    mixed = echo + voices + noise * noise_gain(USUAL_LEVEL, rms_level(noise), SNR)
    return Ride(to_int16(mixed), tuple(played), tuple(said))


def cabin_response(rng: np.random.Generator) -> Signal:
    """Loudspeaker to microphone: the direct sound and a tail as strong within 3 dB, which decays by 60 dB in 50 to
    90 ms; 150 Hz to 7 kHz. Decay and tail of a car's cabin: common practice, no source."""
    decay = rng.uniform(0.05, 0.09)
    time = np.arange(1, round(1.5 * decay * SAMPLE_RATE)) / SAMPLE_RATE
    tail = rng.standard_normal(time.size) * 10 ** (-3.0 * time / decay)
    tail *= 10 ** (rng.uniform(-3.0, 3.0) / 20) / np.sqrt(np.sum(np.square(tail)))
    band = butter(2, (150.0, 7000.0), "bandpass", fs=SAMPLE_RATE, output="sos")
    return np.asarray(sosfilt(band, np.concatenate([[1.0], tail])))


# What the drive does with it.


def listen(heard: Ride, hearing: Hearing, state: State, cancelling: bool, count: Count) -> None:
    """Take a ride through what lies behind the microphone, stretch by stretch, and count."""
    now = 0.0
    canceller = EchoCanceller(lambda: now)
    endpointer = Endpointer()
    was_busy = False
    taken: list[float] = []
    size = round(STRETCH_SECONDS * SAMPLE_RATE)
    for begin in range(0, len(heard.samples), size):
        samples = heard.samples[begin : begin + size]
        now = (begin + len(samples)) / SAMPLE_RATE
        under_way = next((prompt for prompt in heard.prompts if prompt.start <= now < prompt.end + WAY_OUT), None)
        for prompt in heard.prompts:
            prompt.now = now
        if cancelling:
            samples = canceller.clean(samples, under_way)
        busy = under_way is not None
        if busy != was_busy:
            endpointer.prompt(busy)
            was_busy = busy
        for cut in endpointer.push(samples):
            if isinstance(cut, Began):
                hearing.start()
                hearing.feed(cut.samples)
            elif isinstance(cut, Went):
                hearing.feed(cut.samples)
            elif isinstance(cut, Ended) and hearing.finish(cut.utterance, state).command == "hold":
                taken.append(now)
    count.prompt_seconds += sum(prompt.end - prompt.start for prompt in heard.prompts)
    for (first, last), prompt in zip(heard.said, heard.prompts, strict=False):
        in_time = [at for at in taken if first <= at <= prompt.end + WAY_OUT + 2 * STRETCH_SECONDS]
        count.said += 1
        if in_time:
            count.heard += 1
            count.waits = (*count.waits, in_time[0] - last)
            taken = [at for at in taken if at not in in_time]
    count.false += len(taken)

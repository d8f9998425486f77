"""`python -m fieldassist.bench barge_in`: is a command heard over a prompt that comes back from the loudspeaker?

A car is made up: prompts of the shipped checklist, rendered by the program's own voice, go through a loudspeaker
that saturates a little, a synthetic cabin response (noise that decays exponentially, 60 dB in 50 to 90 ms), a way
of 60 to 350 ms that varies by 15 ms from prompt to prompt and, in every other car, a sound card whose clock is
off by 40 ppm. Held-out synthetic speakers say a command at a random moment of a prompt, in cabin noise; with
`--people` the words are those of real people, most of which are no commands. Everything behind the microphone is
what a drive uses: cancellers, endpointer, engine, what listens over prompts.

- heard: share of the prompts over which the command was said and taken, while the prompt plays or within
  `drive.over_prompt.GOES_ON_SECONDS` behind it.
- false: commands taken that nobody said, in so many minutes of prompts.
- `--each` tells of every try what the engine found, how far it rose over the noise and what was taken.

Levels: echo against speech, both as active speech level (ITU-T P.56).
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.signal import butter, fftconvolve, sosfilt

from fieldassist.acoustic.cabin import cabin_noise, random_cabin
from fieldassist.acoustic.fixtures import trim
from fieldassist.acoustic.mixing import USUAL_LEVEL, Signal, noise_gain, rms_level, to_float, to_int16, to_level
from fieldassist.bench.speech_data import SEED, say, test_speakers
from fieldassist.deduce import load_unit, steps_for
from fieldassist.drive.checklist import load_checklist
from fieldassist.drive.dialogue import State, start
from fieldassist.drive.hearing import Hearing
from fieldassist.drive.over_prompt import GOES_ON_SECONDS
from fieldassist.errors import UserError
from fieldassist.record.event import Event
from fieldassist.record.projection import project
from fieldassist.sound.echo import EchoCanceller
from fieldassist.sound.endpoint import Began, Cut, Ended, Endpointer, Went
from fieldassist.sound.source import STRETCH_SECONDS
from fieldassist.sound.voice import Voice
from fieldassist.sound.wave import read_wave
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
SAYS = {
    "hold": "hold", "hold on": "hold", "stop": "hold", "strike that": "strike", "skip": "skip", "again": "again",
    "say again": "again",
}  # fmt: skip
"""What each word that can be said is as a command."""


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
    """From when to when somebody says something, for each prompt; empty when nobody does."""


@dataclass
class Count:
    """What came of some rides."""

    said: int = 0
    heard: int = 0
    false: tuple[str, ...] = ()
    """Commands that nobody said."""
    prompt_seconds: float = 0.0
    waits: tuple[float, ...] = ()
    """s from the end of the word until it was taken, of the stream (the engine's time not in it)."""


def run(argv: list[str]) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="python -m fieldassist.bench barge_in")
    parser.add_argument("--levels", default=",".join(f"{level:g}" for level in LEVELS), help="dB, echo to speech")
    parser.add_argument("--words", default="hold", help='what is said, with commas between (default "hold")')
    parser.add_argument("--repeats", type=int, default=3, help="times that each test voice says it (default 3)")
    parser.add_argument("--minutes", type=float, default=10.0, help="of prompts alone (default 10)")
    parser.add_argument("--people", type=Path, help="folder of single words by people, said instead")
    parser.add_argument("--engine", help="speech engine (default: the one that a drive uses)")
    parser.add_argument("--without", action="store_true", help="also without the canceller")
    parser.add_argument("--each", action="store_true", help="tell of every try")
    args = parser.parse_args(argv)
    levels = [float(level) for level in args.levels.split(",")]
    prompts = render_prompts()
    checklist = load_checklist("road_test", steps_for(load_unit(UNIT)))
    state = start(checklist, project([Event("s", "started", "", {"unit": UNIT})]), "b")
    with closing(Hearing(args.engine, gears=3)) as hearing:
        hearing.expect(next(step for step in steps_for(load_unit(UNIT)) if step.id == STEP))
        hearing.start()  # waits until the engine is ready for the step
        name, voices = hearing.engine.name, len(test_speakers())
        print(f"commands over a prompt ({name}), {SNR:g} dB cabin noise, {voices} test voices (synthetic)")
        print(f"{'echo':>8}  {'canceller':<10}{'said':<14}{'heard':>14}{'after, p50':>12}  false")
        for level in levels:
            for cancelling in (True, False) if args.without else (True,):
                ear = Ear(hearing, state, cancelling, args.each)
                if args.people is not None:
                    for word, made in people_rides(prompts, level, args.people):
                        count = Count()
                        for one in made:
                            ear.listen(one, SAYS.get(word), count)
                        print(_row(level, cancelling, word, count), flush=True)
                else:
                    for word in args.words.split(","):
                        count = Count()
                        for one in rides(prompts, level, args.repeats, word):
                            ear.listen(one, SAYS[word], count)
                        print(_row(level, cancelling, word, count), flush=True)
                alone = Count()
                for one in quiet_rides(prompts, level, args.minutes):
                    ear.listen(one, None, alone)
                if args.minutes:
                    print(_row(level, cancelling, "nothing", alone), flush=True)
    return 0


def _row(level: float, cancelling: bool, word: str, count: Count) -> str:
    waits = sorted(count.waits)
    after = f"{waits[len(waits) // 2]:.1f} s" if waits else ""
    share = f"{count.heard}/{count.said} {100 * count.heard / max(1, count.said):.0f} %" if count.said else ""
    false = ", ".join(f"{number} {command}" for command, number in sorted(Counter(count.false).items())) or "none"
    return (
        f"{level:>5g} dB  {'on' if cancelling else 'off':<10}{word:<14}{share:>14}{after:>12}  "
        f"{false} in {count.prompt_seconds / 60:.0f} min"
    )


# The made-up car.


def render_prompts() -> tuple[Signal, ...]:
    """Every prompt and caution of the shipped checklist that is long enough to be talked into."""
    items = load_checklist("road_test", steps_for(load_unit(UNIT))).items
    texts = dict.fromkeys(text for item in items for text in (item.section.caution, item.caution, item.prompt))
    with closing(Voice()) as voice:
        rendered = [to_float(voice.render(text)) for text in texts if text]
    return tuple(r for r in rendered if SHORTEST_PROMPT <= len(r) / SAMPLE_RATE <= LONGEST_PROMPT)


def rides(prompts: tuple[Signal, ...], level: float, repeats: int, word: str = "hold") -> Iterator[Ride]:
    """Every test voice says a word over `repeats` prompts: each repeat in another car, over other prompts."""
    rng = np.random.default_rng(SEED)
    speakers = test_speakers()
    for car in range(repeats):
        chosen = [prompts[(car * len(speakers) + index) % len(prompts)] for index in range(len(speakers))]
        speech = [say(word, speaker, round(float(rng.uniform(0.92, 1.15)), 2)) for speaker in speakers]
        yield ride(chosen, speech, level, car)


def people_rides(
    prompts: tuple[Signal, ...], level: float, folder: Path
) -> Iterator[tuple[str, list[Ride]]]:
    """Single words by people, each word over ten or so prompts of a car; the file's name begins with the word."""
    files = sorted(folder.glob("*.flac"))
    if not files:
        raise UserError(f"{folder}: expected WORD_*.flac, single words by people")
    words = sorted({file.name.partition("_")[0] for file in files})
    for car, word in enumerate(words, start=200):
        speech = [to_float(read_wave(file)) for file in files if file.name.startswith(f"{word}_")]
        speech = [trim(one.astype(np.float64)) for one in speech]
        order = np.random.default_rng([SEED, car]).integers(0, len(prompts), len(speech))
        yield word, [ride([prompts[index] for index in order], speech, level, car)]


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


@dataclass(frozen=True)
class Ear:
    """What lies behind the microphone of a drive."""

    hearing: Hearing
    state: State
    cancelling: bool
    tells: bool
    """It prints what came of every try."""

    def listen(self, heard: Ride, command: str | None, count: Count) -> None:
        """Take a ride in stretch by stretch, and count; `command` is what is said in it, None for none."""
        taken = self._take_in(heard)
        count.prompt_seconds += sum(prompt.end - prompt.start for prompt in heard.prompts)
        for (first, last), prompt in zip(heard.said, heard.prompts, strict=False):
            if command is None:
                continue
            until = prompt.end + WAY_OUT + GOES_ON_SECONDS
            in_time = [(at, what) for at, what in taken if first <= at <= until and what == command]
            count.said += 1
            if in_time:
                count.heard += 1
                count.waits = (*count.waits, in_time[0][0] - last)
            if self.tells:
                self._tell(first, last, prompt, taken, bool(in_time))
            taken = [one for one in taken if one not in in_time]
        for at, what in taken if self.tells else ():
            print(f"    false: {what} at {at:.1f} s of its ride")
        count.false = (*count.false, *(what for _, what in taken))

    def _take_in(self, heard: Ride) -> list[tuple[float, str]]:
        """Return the commands taken, each with its second of the stream."""
        now = 0.0
        canceller = EchoCanceller(lambda: now)
        endpointer = Endpointer()
        if self.hearing.over_prompt is not None:
            self.hearing.over_prompt.forget()
        was_busy = False
        taken: list[tuple[float, str]] = []
        size = round(STRETCH_SECONDS * SAMPLE_RATE)
        for begin in range(0, len(heard.samples), size):
            samples = heard.samples[begin : begin + size]
            now = (begin + len(samples)) / SAMPLE_RATE
            under_way = next((one for one in heard.prompts if one.start <= now < one.end + WAY_OUT), None)
            for prompt in heard.prompts:
                prompt.now = now
            subtracted = samples
            if self.cancelling:
                samples = canceller.clean(samples, under_way)
                subtracted = canceller.subtracted
            busy = under_way is not None
            if busy != was_busy:
                endpointer.prompt(busy)
                was_busy = busy
            spotted = self.hearing.watch(samples, subtracted, busy)
            if spotted is not None:
                taken.append((now, spotted.command))
                if self.tells:
                    print(f"    taken: {spotted.text} at {now:.1f} s of its ride")
            for cut in endpointer.push(samples):
                command = self._command(cut)
                if command is not None and not self.hearing.watches:
                    taken.append((now, command))
        return taken

    def _command(self, cut: Cut) -> str | None:
        """What an engine that cannot watch makes of an utterance."""
        if self.hearing.watches:
            return None
        if isinstance(cut, Began):
            self.hearing.start()
            self.hearing.feed(cut.samples)
        elif isinstance(cut, Went):
            self.hearing.feed(cut.samples)
        elif isinstance(cut, Ended):
            command = self.hearing.finish(cut.utterance, self.state).command
            return command if command == "hold" else None
        return None

    def _tell(
        self, first: float, last: float, prompt: Prompt, taken: list[tuple[float, str]], in_time: bool
    ) -> None:
        over_prompt = self.hearing.over_prompt
        found = [
            f"{text} {at - last:+.1f} s {loudness:.0f} dB"
            for at, text, loudness in (over_prompt.found if over_prompt is not None else ())
            if first <= at <= last + 1.5
        ]
        print(
            f"    {'heard ' if in_time else 'MISSED'} {first - prompt.start:.1f} to {last - prompt.start:.1f} s "
            f"of {prompt.end - prompt.start:.1f} s; found: {', '.join(found) or 'nothing'}"
        )

"""Commands over a prompt: the canceller that only subtracts, the graph that watches, and what is taken."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import fftconvolve

from fieldassist.bench.barge_in import cabin_response
from fieldassist.drive.over_prompt import (
    USUAL_COST,
    WORD_COST,
    WORDING,
    OverPrompt,
    Spotted,
    commands,
    watched,
)
from fieldassist.phrases import load_phrases
from fieldassist.phrases.automaton import Automaton, automaton_of
from fieldassist.resources import shipped
from fieldassist.sound.linear import BLOCK, LinearCanceller
from fieldassist.sound.wave import read_wave
from fieldassist.words.models import find_model
from fieldassist.words.recognizer import SAMPLE_RATE, Samples
from fieldassist.words.watching import Watcher, model_that_watches

CLIPS = shipped("audio_fixtures") / "second_gear_slips"
STRETCH = SAMPLE_RATE // 10


def clip(name: str) -> Samples:
    return read_wave(CLIPS / f"{name}.flac")


def noise(seconds: float, level: float = 30.0) -> Samples:
    return np.random.default_rng(5).normal(0.0, level, round(seconds * SAMPLE_RATE)).astype(np.int16)


def decibels(samples: np.ndarray) -> float:
    return 10 * float(np.log10(np.mean(np.square(samples.astype(float))) + 1e-9))


def test_an_echo_is_subtracted_and_a_voice_over_it_is_left() -> None:
    far = np.concatenate([clip("13_passenger_talk"), clip("24_flare_two_three"), clip("36_slips_in_second")])
    far = far[: len(far) // BLOCK * BLOCK]
    echo = fftconvolve(far.astype(float), cabin_response(np.random.default_rng(1)))[: len(far)]
    voice = np.zeros(len(far))
    word = clip("32_hold")
    voice[-2 * SAMPLE_RATE : -2 * SAMPLE_RATE + len(word)] = word[: 2 * SAMPLE_RATE]
    echo *= 10 ** ((decibels(word) - decibels(echo)) / 20)  # as loud as the voice
    canceller = LinearCanceller()
    left = canceller.process((echo + voice + noise(len(far) / SAMPLE_RATE)[: len(far)]).astype(np.int16), far)
    alone = slice(SAMPLE_RATE, -2 * SAMPLE_RATE)
    assert decibels(left[alone]) < decibels(echo[alone]) - 12.0
    said = slice(-2 * SAMPLE_RATE, -2 * SAMPLE_RATE + min(len(word), 2 * SAMPLE_RATE))
    error = left[said] - voice[said]
    assert decibels(voice[said]) - decibels(error) > 6.0, "the voice comes through as it was"


def test_sound_passes_untouched_where_nothing_is_played() -> None:
    near = noise(1.0, 500.0)
    assert np.array_equal(LinearCanceller().process(near, np.zeros(len(near), np.int16)), near)


@pytest.fixture(scope="module")
def watcher() -> Watcher:
    return Watcher(find_model().path, watched(commands(load_phrases())))


def heard(watcher: Watcher, samples: Samples) -> str:
    text, anew = "", True
    for at in range(0, len(samples), STRETCH):
        text = watcher.watch(samples[at : at + STRETCH], anew)
        anew = False
    return text


def test_a_command_is_found_in_the_midst_of_other_talk_and_none_where_there_is_none(watcher: Watcher) -> None:
    talk = clip("13_passenger_talk")
    assert heard(watcher, np.concatenate([talk, noise(0.4), clip("32_hold"), noise(1.0)])) == "hold"
    assert heard(watcher, np.concatenate([talk, noise(1.0)])) == ""


def test_the_graph_is_made_once_and_does_without_a_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    model, sentences = find_model().path, [(automaton_of(["hold"]), WORD_COST)]
    monkeypatch.setenv("FIELDASSIST_HOME", str(tmp_path / "home"))
    word = np.concatenate([noise(0.5), clip("32_hold"), noise(1.0)])
    assert heard(Watcher(model, sentences), word) == "hold"
    kept = model_that_watches(model, sentences, tmp_path / "home" / "graphs")
    written = (kept / "graph" / "HCLG.fst").stat().st_mtime_ns
    assert heard(Watcher(model, sentences), word) == "hold"
    assert list(kept.parent.iterdir()) == [kept] and (kept / "graph" / "HCLG.fst").stat().st_mtime_ns == written
    assert model_that_watches(model, [(automaton_of(["hold"]), 5.0)], kept.parent) != kept
    assert model_that_watches(model, [(automaton_of(["skip"]), WORD_COST)], kept.parent) != kept
    (tmp_path / "file").touch()
    monkeypatch.setenv("FIELDASSIST_HOME", str(tmp_path / "file"))
    assert heard(Watcher(model, sentences), word) == "hold"


def test_what_was_watched_before_is_forgotten(watcher: Watcher) -> None:
    assert heard(watcher, np.concatenate([clip("32_hold"), noise(1.0)])) == "hold"
    assert heard(watcher, noise(1.0)) == ""


def follow(over: OverPrompt, samples: Samples, text: str, listening: bool) -> list[Spotted]:
    """Give it a stream in which the engine finds a text all the time."""
    out = []
    for at in range(0, len(samples), STRETCH):
        stretch = samples[at : at + STRETCH]
        over.take(stretch, stretch, listening)
        spotted = over.look(text) if listening else None
        out += [spotted] if spotted is not None else []
    return out


def test_a_command_is_taken_once_and_only_where_somebody_speaks() -> None:
    wordings = commands(load_phrases())
    over = OverPrompt(wordings)
    assert not follow(over, noise(3.0), "", listening=False)
    assert not follow(over, noise(3.0), "hold", listening=True), "there is but noise"

    over.forget()
    follow(over, noise(3.0), "", listening=False)
    clicks = noise(3.0)
    clicks[::8000][1:] = 20_000  # an indicator
    assert not follow(over, clicks, "hold", listening=True), "clicks are no voice"

    over.forget()
    follow(over, noise(3.0), "", listening=False)
    voice = np.concatenate([noise(0.3), clip("32_hold"), noise(0.5)])
    taken = follow(over, voice, "hold on", listening=True)
    assert [(one.command, one.text) for one in taken] == [("hold", "hold on")]
    assert not follow(over, voice, "hold on a", listening=True), "half a command"
    assert [one.command for one in follow(over, voice, "hold on strike that", listening=True)] == ["strike"]


def test_the_end_of_a_prompt_is_listened_to_for_a_while() -> None:
    over = OverPrompt(commands(load_phrases()))
    assert not over.listens(False, STRETCH)
    assert over.listens(True, STRETCH)
    after = [over.listens(False, STRETCH) for _ in range(12)]
    assert after == [True] * 7 + [False] * 5


def test_usual_wordings_cost_what_is_stated_and_others_more() -> None:
    wordings = commands(load_phrases())
    parts = watched(wordings)
    assert _cheapest(parts[0][0], "hold") + parts[0][1] == pytest.approx(WORD_COST)
    for (automaton, cost), usual, unusual in zip(
        parts[1:], ("hold", "strike that", "skip", "again"), ("pause", "take that out", "pass", "come again"),
        strict=True,
    ):  # fmt: skip
        assert _cheapest(automaton, usual) + cost == pytest.approx(USUAL_COST, abs=0.01)
        assert _cheapest(automaton, unusual) + cost > USUAL_COST + WORDING * 1.0  # a third as likely, at most


def _cheapest(automaton: Automaton, text: str) -> float:
    """Weight of the cheapest way through an automaton that says a text."""
    ways = {automaton.start: 0.0}
    for word in text.split():
        further: dict[int, float] = {}
        for arc in automaton.arcs:
            if arc.source in ways and arc.word == word:
                further[arc.target] = min(further.get(arc.target, 1e9), ways[arc.source] + arc.weight)
        ways = further
    ends = automaton.finals
    return min(weight + ends[state].weight for state, weight in ways.items() if state in ends)


def test_a_hush_leaves_cautions_to_be_said() -> None:
    import threading

    from fieldassist.drive.speaker import Speaker, Spoken
    from fieldassist.sound.player import Playing

    class Voice:
        def render(self, text: str) -> Samples:
            return noise(0.1)

        def close(self) -> None:
            pass

    class Player:
        def __init__(self) -> None:
            self.goes = threading.Event()

        def play(self, samples: Samples, text: str) -> Playing:
            playing = Playing(samples)

            def end() -> None:
                self.goes.wait(5.0)
                playing._done.set()

            threading.Thread(target=end, daemon=True).start()
            return playing

        def troubles(self) -> tuple[str, ...]:
            return ()

    said: list[Spoken] = []
    player = Player()
    with closing(Speaker(Voice(), player, said.append)) as speaker:  # type: ignore[arg-type]
        for text, why in (("Brake on.", "caution"), ("Leaks?", "prompt"), ("Hot fluid.", "caution")):
            speaker.say(text, why)
        while not said:
            speaker.wait(0.01)
        speaker.hush(but="caution")
        player.goes.set()
        assert speaker.wait(5.0)
    assert [spoken.text for spoken in said] == ["Brake on.", "Hot fluid."]

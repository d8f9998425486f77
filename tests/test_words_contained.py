"""An engine that is killed, hangs or chokes on one utterance: the drive goes on and nothing said is lost."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import numpy as np
import pytest

from fieldassist.errors import UserError
from fieldassist.phrases.automaton import automaton_of
from fieldassist.words import contained
from fieldassist.words.contained import ContainedEngine
from fieldassist.words.recognizer import Hypothesis
from fieldassist.words.worker import Worker, WorkerLost

FRAGILE = f"{__name__}:Fragile"


class Fragile:
    """An engine that hears the number of samples; loud samples kill it or hang it."""

    name = "fragile"
    DIES, HANGS = 30001, 30002

    weighs_talk = False

    def __init__(self, name=None, model=None):
        self.count = 0

    def use_phrases(self, phrases):
        self.phrases = phrases
        return ()

    def start(self):
        self.count = 0

    def feed(self, samples):
        if self.DIES in samples:
            os.kill(os.getpid(), signal.SIGSEGV)
        if self.HANGS in samples:
            time.sleep(600)
        self.count += len(samples)
        return str(self.count)

    def use_automaton(self, automaton):
        self.phrases = [f"{automaton.words[0]} {time.monotonic_ns()}"]
        return ("unheard",)

    def finish(self):
        return Hypothesis(f"{self.count} {self.phrases[0]}", (), 1.0)


@pytest.fixture(autouse=True)
def importable(monkeypatch):
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parent) + os.pathsep + os.environ.get("PYTHONPATH", ""))


@pytest.fixture
def said():
    return []


@pytest.fixture
def engine(said):
    engine = ContainedEngine(report=said.append, factory=FRAGILE)
    engine.use_phrases(["flare"])
    yield engine
    engine.close()


QUIET = np.ones(800, np.int16)


def test_an_engine_killed_between_and_within_utterances_is_replaced_and_hears_it_all(engine, said):
    for when in range(4):
        engine.start()
        for stretch in range(4):
            if stretch == when:
                os.kill(engine.pid, signal.SIGKILL)
            engine.feed(QUIET)
        assert engine.finish().text == "3200 flare"
    assert engine.restarts == 4 and len(said) == 4
    os.kill(engine.pid, signal.SIGKILL)
    assert engine.use_phrases(["slip"]) == ()
    engine.start()
    engine.feed(QUIET)
    os.kill(engine.pid, signal.SIGKILL)
    assert engine.finish().text == "800 slip"


@pytest.mark.parametrize("poison", [Fragile.DIES, Fragile.HANGS])
def test_an_utterance_that_always_fails_is_given_up_and_the_next_one_is_heard(engine, said, poison, monkeypatch):
    monkeypatch.setattr(contained, "FEED_SECONDS", 0.3)
    engine.start()
    engine.feed(QUIET)
    began = time.monotonic()
    assert engine.feed(np.full(800, poison, np.int16)) == ""
    assert time.monotonic() - began < 10
    assert engine.feed(QUIET) == ""
    assert engine.finish().text == ""
    assert said[-1].endswith("Please say it again.")
    engine.start()
    engine.feed(QUIET)
    assert engine.finish().text == "800 flare"


def test_the_automaton_that_it_has_is_not_sent_again(engine):
    told = []
    first, second = automaton_of(["flare"]), automaton_of(["slip"])
    for automaton in (first, first, second, first):
        assert engine.use_automaton(automaton) == ("unheard",)
        engine.start()
        told.append(engine.finish().text)
    assert told[0] == told[1] and len(set(told)) == 3
    os.kill(engine.pid, signal.SIGKILL)
    engine.start()
    assert engine.finish().text.startswith("0 flare ") and engine.restarts == 1
    engine.use_phrases(["bind"])
    engine.use_automaton(first)
    engine.start()
    assert engine.finish().text.startswith("0 flare ")


def expect_word(engine, word):
    """What the child calls with its engine."""
    engine.phrases = [f"{word} {time.monotonic_ns()}"]


def test_a_function_in_the_child_says_what_to_expect_once_and_again_after_a_restart(engine):
    told = []
    for word in ("flare", "flare", "slip"):
        engine.expect_by(f"{__name__}:expect_word", word)
        engine.start()
        told.append(engine.finish().text)
    assert [text.split()[1] for text in told] == ["flare", "flare", "slip"] and told[0] == told[1]
    os.kill(engine.pid, signal.SIGKILL)
    engine.start()
    assert engine.finish().text.startswith("0 slip ") and engine.restarts == 1
    with pytest.raises(UserError, match="no_such_function"):
        engine.expect_by(f"{__name__}:no_such_function")


def test_a_real_engine_killed_in_mid_utterance_still_hears_it(said):
    from fieldassist.sound.voice import Voice

    voice = Voice()
    samples = np.concatenate([voice.render("two three flare"), np.zeros(8000, np.int16)])
    voice.close()
    engine = ContainedEngine("sphinx", report=said.append)
    assert engine.name == "sphinx"
    engine.use_phrases(["two three flare", "slip in reverse"])
    for number, kill_before in enumerate((engine.feed, engine.pause, engine.finish), start=1):
        engine.start()
        engine.feed(samples[:9000])
        for call, arguments in ((engine.feed, (samples[9000:],)), (engine.pause, ()), (engine.finish, ())):
            if call == kill_before:
                os.kill(engine.pid, signal.SIGKILL)
            heard = call(*arguments)
        assert heard.text == "two three flare"
        assert engine.restarts == number
    engine.close()


def test_what_the_engine_refuses_is_refused_here_too(tmp_path):
    with pytest.raises(UserError, match="no such model folder"):
        ContainedEngine("vosk", tmp_path / "nothing")


def test_a_worker_that_cannot_start_is_told_soon():
    with pytest.raises(WorkerLost):
        Worker("fieldassist.no_such_room:Thing")


def test_no_child_outlives_its_parent():
    worker = Worker(FRAGILE)
    pid = worker.pid
    worker.close()
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)

"""Adapting the network to a voice: gradients, occupancies, what is folded in, and what the command keeps."""

from __future__ import annotations

from itertools import pairwise, product
from pathlib import Path

import numpy as np
import pytest

from fieldassist.acoustic import own_voice
from fieldassist.acoustic.adaptation import (
    Utterance,
    _Pass,
    changed,
    fit,
    learn,
    loop_occupancies,
    occupancies,
)
from fieldassist.acoustic.export import write_folder
from fieldassist.acoustic.features import BINS
from fieldassist.acoustic.layers import Layer, Network
from fieldassist.acoustic.nnet3 import read_network
from fieldassist.acoustic.own_voice import Hits
from fieldassist.acoustic.states import sentence
from fieldassist.cli import main
from fieldassist.commands import voice
from fieldassist.commands.check import Tried
from fieldassist.phrases.automaton import compile_grammar
from fieldassist.phrases.jsgf import parse_grammar
from fieldassist.sound.wave import write_wave
from fieldassist.words.graph import build_graph
from fieldassist.words.models import Preference, read_preference, write_preference
from fieldassist.words.phones import STATES


def _network(seed: int, width: int = 24, narrow: int = 6) -> Network:
    rng = np.random.default_rng(seed)

    def matrix(rows: int, columns: int, scale: float = 1.0) -> np.ndarray:
        return (rng.standard_normal((rows, columns)) * scale / np.sqrt(columns)).astype(np.float32)

    layers = [Layer((-2, -1, 0, 1, 2), matrix(width, 5 * BINS, 0.1), matrix(1, width)[0])]
    layers += [
        Layer((-r, 0, r), matrix(width, 2 * narrow), matrix(1, width)[0], matrix(narrow, 2 * width), True)
        for r in (1, 3, 6)
    ]
    return Network(tuple(layers), matrix(STATES, width, 2.0), matrix(1, STATES)[0])


def _utterances(count: int = 3) -> list[Utterance]:
    rng = np.random.default_rng(5)
    return [
        Utterance((8 * rng.standard_normal((70 + 7 * n, BINS))).astype(np.float32), sentence(["no", "leaks"]))
        for n in range(count)
    ]


def test_a_learned_change_is_the_same_inside_the_pass_and_folded_in() -> None:
    network, utterances = _network(0), _utterances()
    change = learn(network, utterances)
    scores = _Pass(network, change, utterances[1].features).scores
    assert np.abs(scores - network.scores(utterances[1].features)).max() > 1e-2
    assert changed(network, change).scores(utterances[1].features) == pytest.approx(scores, abs=2e-4)
    assert changed(network, change.scaled(0.0)).scores(utterances[1].features) == pytest.approx(
        network.scores(utterances[1].features), abs=2e-4
    )


def test_learning_makes_the_words_likelier() -> None:
    network, utterances = _network(1), _utterances()
    assert fit(changed(network, learn(network, utterances)), utterances) > fit(network, utterances) + 0.01


def test_gradients_are_those_of_finite_differences() -> None:
    network, (utterance, *_) = _network(2), _utterances()
    change = learn(network, [utterance])
    above = np.random.default_rng(0).standard_normal((len(network.scores(utterance.features)), STATES))
    found = _Pass(network, change, utterance.features).gradients(above.astype(np.float32))
    rng = np.random.default_rng(1)
    for values, gradient in zip(change.learned, found, strict=True):
        direction = rng.standard_normal(values.shape).astype(np.float32)
        sums = []
        for side in (2e-4, -4e-4):
            values += np.float32(side) * direction
            sums.append(float((_Pass(network, change, utterance.features).scores * above).sum()))
        values += np.float32(2e-4) * direction
        # Rectifiers have corners, so a finite step is a little off.
        assert (sums[0] - sums[1]) / 4e-4 == pytest.approx(float((gradient * direction).sum()), rel=0.05, abs=4.0)


def test_occupancies_of_a_sentence_are_those_of_all_its_paths() -> None:
    """Against a sum over every path, written out."""
    scores = np.random.default_rng(3).standard_normal((5, STATES)).astype(np.float32)
    item = sentence(["no"])
    size, total, counts = len(item.phone), 0.0, np.zeros((5, STATES))
    for path in product(range(size), repeat=5):
        if path[0] not in item.first or path[-1] not in item.last:
            continue
        if any(a != b and a not in item.before[b] for a, b in pairwise(path)):
            continue
        places = [2 * item.phone[s] + (t > 0 and path[t - 1] == s) for t, s in enumerate(path)]
        chance = np.exp(sum(float(scores[t, place]) for t, place in enumerate(places)))
        total += chance
        for t, place in enumerate(places):
            counts[t, place] += chance
    likelihood, found = occupancies(scores, item)
    assert likelihood == pytest.approx(np.log(total))
    assert found == pytest.approx(counts / total, abs=1e-9)


def test_occupancies_of_any_phones_are_the_gradient_of_their_likelihood() -> None:
    scores = np.random.default_rng(4).standard_normal((6, STATES)).astype(np.float32)
    phones = np.full(STATES // 2, 2 / STATES)
    likelihood, found = loop_occupancies(scores, phones)
    assert found.sum(axis=1) == pytest.approx(np.ones(6))
    for t, place in ((0, 4), (2, 7), (5, 0)):
        bent = scores.copy()
        bent[t, place] += 1e-2
        rise = (loop_occupancies(bent, phones)[0] - likelihood) / 1e-2
        assert rise == pytest.approx(found[t, place], abs=2e-3)


def test_a_clip_too_short_for_its_words_teaches_nothing() -> None:
    network = _network(0)
    short = Utterance(np.ones((6, BINS), np.float32), sentence(["twenty", "seven", "hundred"]))
    change = learn(network, [short])
    assert all(not part.any() for part in change.learned)


@pytest.fixture
def base(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A model folder of our own kind with drawn weights, and an empty home."""
    monkeypatch.setenv("FIELDASSIST_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("FIELDASSIST_VOSK_MODEL", raising=False)
    model = tmp_path / "model"
    write_folder(_network(0), model)
    grammar = compile_grammar(parse_grammar("#JSGF V1.0;\ngrammar g;\npublic <g> = no leaks;")).without_tags()
    build_graph(grammar, model / "graph")
    return model


@pytest.fixture
def clips(tmp_path: Path) -> Path:
    """Sixteen clips of noise that stand for a speaker's sentences."""
    folder = tmp_path / "clips"
    folder.mkdir()
    rng = np.random.default_rng(0)
    rows = ["file\tspeaker\ttext"]
    for number, word in enumerate(["one", "two", "three", "four"] * 4):
        write_wave(folder / f"{number}.flac", (900 * rng.standard_normal(16_000)).astype(np.int16))
        rows.append(f"{number}.flac\tpat\tslips in {word} {number // 4}")
    (folder / "manifest.tsv").write_text("\n".join(rows) + "\n")
    return folder


def _hear_with(monkeypatch: pytest.MonkeyPatch, rights: list[int], others: list[int]) -> None:
    """Stand in for hearing the clips: what each model in turn gets right."""
    own, theirs = iter(rights), iter(others)
    monkeypatch.setattr(
        voice, "hear_again", lambda *_: ("vosk", {"right": (n := next(own)), "wrong": 0, "missed": 4 - n})
    )
    monkeypatch.setattr(voice, "try_engine", lambda *_: Tried(next(theirs), 2, 50, 0.1))


def test_a_gain_is_kept_used_and_taken_back(
    base: Path, clips: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    write_preference(Preference("sphinx", None))
    before = (base / "am" / "final.mdl").read_bytes()
    _hear_with(monkeypatch, [2, 3, 3], [40, 39, 40])  # the whole change harms others, half of it does not
    assert main(["voice", str(clips), "--adapt", "--speaker", "pat", "--model", str(base)]) == 0
    assert "others: 39 right, 2 wrong of" in capsys.readouterr().out
    model = own_voice.voice_folder("pat") / "model"
    assert read_preference() == Preference("vosk", model)
    assert (base / "am" / "final.mdl").read_bytes() == before
    assert (model / "am" / "final.mdl").read_bytes() != before
    assert own_voice.base_model(str(model)) == base  # adapting again begins from the original
    assert main(["voice", "--undo"]) == 0
    assert read_preference() == Preference("sphinx", None)
    assert main(["voice", "--undo"]) == 0
    assert "No adapted voice" in capsys.readouterr().out
    assert main(["voice", "--use", "pat"]) == 0
    assert read_preference().model == model


def test_what_harms_is_refused_and_nothing_changes(
    base: Path, clips: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    _hear_with(monkeypatch, [2, 4, 4, 4], [40, 38, 38, 39])
    assert main(["voice", str(clips), "--adapt", "--speaker", "pat", "--model", str(base)]) == 1
    out = capsys.readouterr().out
    assert "Not kept: other speakers are heard worse (39 right, 2 wrong instead of 40, 2)" in out
    assert read_preference() == Preference()
    assert not list(own_voice.voice_folder("pat").parent.glob("*"))


def test_a_change_of_nothing_writes_the_same_network(base: Path, tmp_path: Path) -> None:
    network = own_voice.network_of(base)
    none = learn(network, _utterances()).scaled(0.0)
    model = own_voice.write_adapted(base, network, none, tmp_path / "copy")
    features = _utterances()[0].features
    assert read_network(model / "am" / "final.mdl").scores(features) == pytest.approx(
        network.scores(features), abs=2e-3
    )


def test_worse_is_told_in_words() -> None:
    before = Hits(10, 1, 1, 40, 3, 0.2)
    assert Hits(11, 1, 0, 40, 3, 0.1).worse_than(before) is None
    assert Hits(10, 1, 1, 40, 3, 0.3).worse_than(before) is None
    for worse, words in (
        (Hits(12, 0, 0, 39, 3, 0.9), "other speakers"),
        (Hits(12, 0, 0, 40, 4, 0.9), "other speakers"),
        (Hits(9, 1, 2, 40, 3, 0.9), "heard worse"),
        (Hits(10, 2, 0, 40, 3, 0.9), "heard worse"),
        (Hits(10, 1, 1, 40, 3, 0.2), "no better"),
    ):
        assert words in (worse.worse_than(before) or "")


def test_no_text_is_on_both_sides() -> None:
    texts = ["a", "b", "c", "d", "d", "a", "e", "d"]
    held = own_voice.held_out(texts)
    assert {t for t, h in zip(texts, held, strict=True) if h} == {"d"}


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--use", "nobody"], "nothing adapted yet"),
        (["--use", "../x"], "expected a name"),
        ([], "expected FOLDER"),
        (["CLIPS", "--adapt", "--speaker", "pat"], "no speech model of our own"),
        (["CLIPS", "--adapt", "--speaker", "sam", "--model", "BASE"], "0 clips of sam"),
    ],
)
def test_bad_use_is_told(
    arguments: list[str], words: str, base: Path, clips: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str], tmp_path: Path,
) -> None:  # fmt: skip
    monkeypatch.setattr("fieldassist.words.models.SHIPPED_MODEL", tmp_path / "nowhere")
    named = {"CLIPS": str(clips), "BASE": str(base)}
    assert main(["voice", *(named.get(argument, argument) for argument in arguments)]) == 2
    assert words in capsys.readouterr().err

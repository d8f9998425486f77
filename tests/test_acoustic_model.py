"""Features, network, model file and graph are what libvosk takes them for."""

from __future__ import annotations

import json
import shutil
import struct
from pathlib import Path

import numpy as np
import pytest

from fieldassist.acoustic.export import write_folder
from fieldassist.acoustic.features import BINS, cepstra, frame_count
from fieldassist.acoustic.layers import Layer, Network
from fieldassist.acoustic.nnet3 import compressed, expanded, read_network
from fieldassist.acoustic.rounding import rounded
from fieldassist.errors import UserError
from fieldassist.phrases.automaton import Automaton, compile_grammar
from fieldassist.phrases.jsgf import parse_grammar
from fieldassist.resources import shipped
from fieldassist.sound.wave import read_wave
from fieldassist.words.graph import Filler, build_graph, model_for_grammar, promised
from fieldassist.words.models import find_model
from fieldassist.words.phones import STATES
from fieldassist.words.vosk_engine import has_our_phones


def _clip(seconds: float, seed: int = 0) -> np.ndarray:
    """Noise with a wandering colour and level, int16."""
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal(round(seconds * 16_000))
    level = 1500 * (1.2 + np.sin(np.arange(noise.size) / 2500))
    return np.clip(np.cumsum(noise) * 0.2 % 7 * level, -32768, 32767).astype(np.int16)


def _network(seed: int = 0, width: int = 32, narrow: int = 8) -> Network:
    """A network of our shape with drawn weights whose scores differ by several nats."""
    rng = np.random.default_rng(seed)

    def matrix(rows: int, columns: int, scale: float = 1.0) -> np.ndarray:
        return (rng.standard_normal((rows, columns)) * scale / np.sqrt(columns)).astype(np.float32)

    def bias(rows: int) -> np.ndarray:
        return (0.1 * rng.standard_normal(rows)).astype(np.float32)

    layers = [Layer((-2, -1, 0, 1, 2), matrix(width, 5 * BINS, 0.1), bias(width))]
    layers += [
        Layer((-reach, 0, reach), matrix(width, 2 * narrow), bias(width), matrix(narrow, 2 * width), True)
        for reach in (1, 3, 6)
    ]
    return Network(tuple(layers), matrix(STATES, width, 3.0), bias(STATES))


def _automaton(rules: str) -> Automaton:
    return compile_grammar(parse_grammar(f"#JSGF V1.0;\ngrammar g;\n{rules}")).without_tags()


def test_cepstra_equal_those_of_an_independent_implementation() -> None:
    """Against kaldi-native-fbank, which follows Kaldi's own feature code."""
    fbank = pytest.importorskip("kaldi_native_fbank", reason="pip install kaldi-native-fbank")
    options = fbank.MfccOptions()
    options.frame_opts.dither = 0.0
    options.frame_opts.samp_freq = 16_000
    options.mel_opts.num_bins = options.num_ceps = BINS
    options.mel_opts.low_freq, options.mel_opts.high_freq = 20, -400
    options.use_energy = False
    clip = _clip(1.7)
    other = fbank.OnlineMfcc(options)
    other.accept_waveform(16_000, clip.astype(np.float32).tolist())
    other.input_finished()
    theirs = np.stack([other.get_frame(number) for number in range(other.num_frames_ready)])
    ours = cepstra(clip)
    assert ours.shape == theirs.shape == (frame_count(clip.size), BINS)
    assert np.abs(ours - theirs).max() < 5e-4


def test_model_file_keeps_the_network(tmp_path: Path) -> None:
    network = _network()
    write_folder(network, tmp_path)
    again = read_network(tmp_path / "am" / "final.mdl")
    features = cepstra(_clip(0.9))
    scores = network.scores(features)
    assert np.abs(again.scores(features) - scores).max() < 0.05 * scores.std()
    assert again.context == network.context == 2 + 1 + 3 + 6


@pytest.mark.parametrize("shape", [(3, 5), (1, 7), (64, 40)])
def test_a_compressed_matrix_is_read_as_it_was_meant(shape: tuple[int, int]) -> None:
    values = np.random.default_rng(1).standard_normal(shape).astype(np.float32)
    low, span = float(values.min()), float(np.ptp(values))
    marks, numbers = compressed(values, low, span)
    assert np.all(np.diff(marks.astype(int), axis=0) > 0)  # as Kaldi wants them
    again = expanded(marks, numbers, low, span)
    assert np.abs(again - values).max() < 0.02 * span / 6
    assert np.abs(expanded(*compressed(again, low, span), low, span) - again).max() < 1e-4 * span


def test_rounding_makes_up_for_what_it_costs(tmp_path: Path) -> None:
    """Against rounding each weight to the nearest value, on a clip that the rounding has not seen."""
    network = _network(width=64, narrow=16)
    write_folder(network, tmp_path / "nearest")
    write_folder(rounded(network, [cepstra(_clip(3.0, seed)) for seed in (1, 2, 3)]), tmp_path / "made_up")
    features = cepstra(_clip(2.0, 4))

    def error(name: str) -> float:
        scores = read_network(tmp_path / name / "am" / "final.mdl").scores(features)
        return float(np.sqrt(np.mean(np.square(scores - network.scores(features)))))

    assert error("made_up") < 0.7 * error("nearest")


def test_another_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "final.mdl"
    path.write_bytes(b"\0B<TransitionModel> ")
    with pytest.raises(UserError, match="not an acoustic model"):
        read_network(path)


def _read_graph(path: Path) -> tuple[list[tuple[int, int, int, float]], np.ndarray, int]:
    """Arcs (source, target, transition, cost), final costs and the start of a constant automaton."""
    data = path.read_bytes()
    at = 4
    for _ in range(2):
        (size,) = struct.unpack_from("<i", data, at)
        at += 4 + size
    _, _, _, start, states, arcs = struct.unpack_from("<iiQqqq", data, at)
    at += 40
    table = np.frombuffer(data, [("final", "<f4"), ("rest", "<u4", 4)], states, at)
    edges = np.frombuffer(
        data, [("in", "<i4"), ("out", "<i4"), ("cost", "<f4"), ("to", "<i4")], arcs, at + 20 * states
    )
    owner = np.repeat(np.arange(states), table["rest"][:, 1])
    listed = [(int(s), int(e["to"]), int(e["in"]), float(e["cost"])) for s, e in zip(owner, edges, strict=True)]
    return listed, table["final"], int(start)


def _least_cost(
    arcs: list[tuple[int, int, int, float]], final: np.ndarray, start: int, scores: np.ndarray
) -> tuple[float, float]:
    """Cost of the best path over all states, and the graph's part of it.

    A transition's output is its phone's: first frames even, further ones odd.
    """

    def output(transition: int) -> int:
        placed, first = (transition + 1) // 2, transition % 2 == 0
        index = 0 if placed == 1 else (placed - 2) // 4 + 1
        return 2 * index + (0 if first else 1)

    nowhere = (np.inf, 0.0)
    silent = [arc for arc in arcs if arc[2] == 0]
    spoken = [arc for arc in arcs if arc[2] > 0]

    def relaxed(best: dict[int, tuple[float, float]]) -> dict[int, tuple[float, float]]:
        changed = True
        while changed:
            changed = False
            for source, target, _, cost in silent:
                total, graph = best.get(source, nowhere)
                if total + cost < best.get(target, nowhere)[0]:
                    best[target] = (total + cost, graph + cost)
                    changed = True
        return best

    best = relaxed({start: (0.0, 0.0)})
    for frame in scores:
        ahead: dict[int, tuple[float, float]] = {}
        for source, target, transition, cost in spoken:
            total, graph = best.get(source, nowhere)
            new = total + cost - float(frame[output(transition)])
            if new < ahead.get(target, nowhere)[0]:
                ahead[target] = (new, graph + cost)
        best = relaxed(ahead)
    return min((total + final[state], graph + final[state]) for state, (total, graph) in best.items())


@pytest.mark.parametrize("seed", [0, 1])
def test_best_path_costs_what_libvosk_says(tmp_path: Path, seed: int) -> None:
    """The likelihood of libvosk's best reading against a Viterbi search of our own over our own scores."""
    vosk = pytest.importorskip("vosk")
    vosk.SetLogLevel(-1)
    network = _network(seed)
    write_folder(network, tmp_path)
    build_graph(_automaton("public <g> = no | two three flare | [no] slip;"), tmp_path / "graph")
    clip = _clip(1.3, seed)
    recognizer = vosk.KaldiRecognizer(vosk.Model(str(tmp_path)), 16_000)
    recognizer.SetMaxAlternatives(5)
    recognizer.AcceptWaveform(clip.tobytes())
    best = json.loads(recognizer.FinalResult())["alternatives"][0]["confidence"]
    # The file's 8-bit matrices are read back: those are the weights that libvosk has.
    scores = read_network(tmp_path / "am" / "final.mdl").scores(cepstra(clip)).astype(np.float64)
    cost, graph = _least_cost(*_read_graph(tmp_path / "graph" / "HCLG.fst"), scores)
    # libvosk (0.3.45) tells the likelihood with the graph's part at nine tenths. It adds up in single precision,
    # whose steps are 1.5e-5 from 128 to 256 and 6.1e-5 from 512 to 1024.
    assert best == pytest.approx(-(cost - 0.1 * graph), abs=1e-4)


def test_the_best_path_through_speech_costs_what_libvosk_says(tmp_path: Path) -> None:
    """The same with a clip of speech and the model that a drive uses, where it is of our own making."""
    vosk = pytest.importorskip("vosk")
    folder = find_model()
    if folder is None or not has_our_phones(folder.path):
        pytest.skip("no model of our own is shipped or named by FIELDASSIST_VOSK_MODEL")
    vosk.SetLogLevel(-1)
    for part in ("am", "conf"):
        shutil.copytree(folder.path / part, tmp_path / part)
    build_graph(_automaton("public <g> = no leaks | fluid level is good | [no] slip;"), tmp_path / "graph")
    clip = read_wave(shipped("audio_fixtures") / "second_gear_slips" / "03_no_leaks.flac")
    recognizer = vosk.KaldiRecognizer(vosk.Model(str(tmp_path)), 16_000)
    recognizer.SetMaxAlternatives(5)
    recognizer.AcceptWaveform(clip.tobytes())
    best = json.loads(recognizer.FinalResult())["alternatives"][0]
    scores = read_network(tmp_path / "am" / "final.mdl").scores(cepstra(clip)).astype(np.float64)
    cost, graph = _least_cost(*_read_graph(tmp_path / "graph" / "HCLG.fst"), scores)
    assert best["text"] == "no leaks"
    assert best["confidence"] == pytest.approx(-(cost - 0.1 * graph), abs=2e-4)


def test_graph_for_a_grammar_is_made_once(tmp_path: Path) -> None:
    model = tmp_path / "model"
    write_folder(_network(), model)
    grammar = _automaton("public <g> = shudder at forty five;")
    first = model_for_grammar(model, promised(grammar), tmp_path / "cache", Filler())
    written = (first / "graph" / "HCLG.fst").stat().st_mtime_ns
    assert model_for_grammar(model, promised(grammar), tmp_path / "cache", Filler()) == first
    assert (first / "graph" / "HCLG.fst").stat().st_mtime_ns == written
    assert model_for_grammar(model, promised(grammar), tmp_path / "cache") != first
    words = (first / "graph" / "words.txt").read_text().split()
    assert {"shudder", "forty", "[unk]"} <= set(words)
    assert len((first / "graph" / "phones" / "word_boundary.int").read_text().splitlines()) == 157

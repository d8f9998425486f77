"""What training computes, against slower ways to compute the same; skipped where PyTorch is not installed."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest

import fieldassist.bench
from fieldassist.acoustic.__main__ import main
from fieldassist.acoustic.corpus import Speech, joined, load_pack, read_manifest, save_pack, words_of
from fieldassist.acoustic.orders import sentences
from fieldassist.acoustic.texts import number_sentence
from fieldassist.acoustic.timing import phones_spoken
from fieldassist.errors import DataFileError, UserError
from fieldassist.phrases.automaton import compile_grammar
from fieldassist.phrases.jsgf import read_grammar
from fieldassist.phrases.numbers import WORDS, read_number
from fieldassist.resources import shipped
from fieldassist.words.phones import PHONES


def test_said_equals_the_derivative_of_a_plain_recursion() -> None:
    """Occupancies are the derivatives of the log likelihood by the scores: PyTorch's own differentiation."""
    torch = pytest.importorskip("torch")
    from fieldassist.acoustic.hmm import said, sentence, stacked

    torch.manual_seed(0)
    items = [sentence(["a", "cat"]), sentence(["the"])]
    scores = torch.randn(2, 6, 80, requires_grad=True)
    lengths = torch.tensor([6, 4])
    total = 0.0
    for row, item in enumerate(items):
        never = torch.tensor(-1e30)
        x = scores[row, : int(lengths[row])]
        a = [x[0, 2 * int(p)] if i in item.first else never for i, p in enumerate(item.phone)]
        for frame in x[1:]:
            a = [
                torch.logsumexp(
                    torch.stack(
                        [a[b] + frame[2 * int(p)] for b in item.before[i]] + [a[i] + frame[2 * int(p) + 1]]
                    ),
                    0,
                )
                for i, p in enumerate(item.phone)
            ]
        total = total + torch.logsumexp(torch.stack([a[i] for i in item.last]), 0)
    (expected,) = torch.autograd.grad(total, scores)
    likelihood, occupied = said(scores.detach(), lengths, stacked(items))
    assert float(likelihood.sum()) == pytest.approx(float(total), abs=1e-4)
    assert float((occupied - expected).abs().max()) < 1e-5


def test_anything_equals_the_derivative_of_a_plain_recursion() -> None:
    torch = pytest.importorskip("torch")
    from fieldassist.acoustic.hmm import anything, phone_model

    torch.manual_seed(1)
    model = phone_model([["a", "cat"], ["the", "dog"]])
    scores = torch.randn(1, 5, 80, requires_grad=True)
    x = scores[0]
    size = 40
    a = torch.cat([torch.full((size, size), -1e30), (model.begin.log() + x[0, 0::2])[None]])
    for frame in x[1:]:
        stay = a + frame[1::2][None]
        arrive = torch.logsumexp(a[:, :, None] + model.follow.log(), 0) + frame[0::2][None]
        a = torch.cat([torch.logaddexp(stay[:size], arrive), stay[size:]])
    total = torch.logsumexp((a + model.end.log()).reshape(-1), 0)
    (expected,) = torch.autograd.grad(total, scores)
    likelihood, occupied = anything(scores.detach(), torch.tensor([5]), model)
    assert float(likelihood[0]) == pytest.approx(float(total), abs=1e-3)
    assert float((occupied - expected).abs().max()) < 1e-4


def test_plain_network_computes_what_was_trained() -> None:
    torch = pytest.importorskip("torch")
    from fieldassist.acoustic.features import cepstrum
    from fieldassist.acoustic.network import Shape, Trainee, plain

    torch.manual_seed(2)
    trainee = Trainee(Shape(width=24, narrow=8))
    trainee.mean[:] = 10.0
    trainee.scale[:] = 0.3
    trainee.eval()
    energies = np.random.default_rng(0).normal(10, 3, (62, 40)).astype(np.float32)
    context = trainee.shape.context
    padded = np.pad(energies, ((context, context), (0, 0)), mode="edge")
    with torch.no_grad():
        scores = trainee(torch.from_numpy(padded)[None])[0][0].numpy()
    mine = plain(trainee).scores(energies @ cepstrum())
    assert np.abs(mine[: len(scores)] - scores[: len(mine)]).max() < 1e-4


def test_weights_come_back_from_the_plain_network() -> None:
    torch = pytest.importorskip("torch")
    from fieldassist.acoustic.layers import Network
    from fieldassist.acoustic.network import Shape, Trainee, plain, restored
    from fieldassist.errors import UserError

    torch.manual_seed(4)
    before = Trainee(Shape(width=24, narrow=8))
    energies = [torch.randn(6, 2 * before.shape.context + 40, 40) * 3 + 10 for _ in range(3)]
    before.mean[:] = 10.0
    before.scale[:] = 0.3
    for part in energies:
        before(part)  # normalisations that do something
    before.eval()
    network = plain(before)
    again = restored(network, energies)
    assert again.shape == before.shape
    with torch.no_grad():
        expected = before(energies[0])[0]
        assert torch.allclose(again(energies[0])[0], expected, atol=1e-3)
        again.train()
        for part in energies:
            given = again(part)[0]
        # in training a clip is normalised by its own batch, which is much like the one that was settled on
        assert torch.nn.functional.mse_loss(given, before(energies[-1])[0]) < 0.1 * expected.var()
    with pytest.raises(UserError, match="one plain layer"):
        restored(Network(network.layers[1:], network.output_weight, network.output_bias), energies)


def test_a_widened_network_computes_what_the_narrower_one_did() -> None:
    torch = pytest.importorskip("torch")
    from fieldassist.acoustic.network import Shape, Trainee, averaged, widened

    torch.manual_seed(5)
    small = Trainee(Shape(width=24, narrow=8)).eval()
    wide = Trainee(Shape(width=32, narrow=12)).eval()
    after = {name: value.clone() for name, value in wide.state_dict().items()}
    energies = torch.randn(2, 2 * small.shape.context + 10, 40)
    with torch.no_grad():
        theirs = small(energies)[0]
        assert not torch.allclose(wide(energies)[0], theirs, atol=1e-3)
        wide.load_state_dict(widened(small.state_dict(), wide.state_dict()))
        assert torch.allclose(wide(energies)[0], theirs, atol=1e-5)
    mean = averaged([small.state_dict(), after])
    old = small.state_dict()["output.weight"]
    assert torch.allclose(mean["output.weight"][:, :24], (old + after["output.weight"][:, :24]) / 2)
    assert torch.allclose(mean["output.weight"][:, 24:], after["output.weight"][:, 24:] / 2)
    assert torch.equal(mean["first.weight"][24:], after["first.weight"][24:])
    fewer = {name: value for name, value in after.items() if not name.startswith("first.")}
    for other in (small.state_dict(), fewer):
        with pytest.raises(UserError, match="as wide or narrower"):
            averaged([after, other])


def test_packs_keep_clips(tmp_path: Path) -> None:
    speech = Speech(
        np.arange(100, dtype=np.int16), np.array([0, 40, 100]), (("no",), ("two", "three")), ("a", "b"), ("x", "y")
    )
    save_pack(speech, tmp_path / "p.npz")
    again = load_pack(tmp_path / "p.npz")
    assert again.words == speech.words
    assert np.array_equal(again.samples, speech.samples)
    assert again.speakers == ("x", "y")


def test_phones_of_synthetic_speech_last_as_long_as_its_symbols() -> None:
    """Kokoro: 24 kHz, 600 samples a frame (from memory; its waves are as long as its durations say)."""
    symbols = "wˈʌn tˈu"
    durations = [8, 2, 0, 4, 2, 2, 2, 0, 6, 6]
    phones = [("SIL", *PHONES)[index] for index in phones_spoken(symbols, durations)]
    runs = [(phone, len(list(group))) for phone, group in itertools.groupby(phones)]
    # a gap of two frames between words is no pause: half of it goes to each side. In frames of 25 ms the phones
    # end at 8, 10, 14, 17, 20, 26 and 32; an output every 30 ms counts its frame's middle, 12.5 ms in.
    ends = [8, 10, 14, 17, 20, 26]
    seconds = [30e-3 * number + 12.5e-3 for number in range(len(phones))]
    expected = [sum(second >= end * 0.025 for end in ends) for second in seconds]
    names = ["SIL", "W", "AH", "N", "T", "UW", "SIL"]
    assert phones == [names[number] for number in expected]
    assert [phone for phone, _ in runs] == names
    assert tuple(
        ("SIL", *PHONES)[i] for i, _ in itertools.groupby(phones_spoken("ɜɹdəɹ", [0, 4, 4, 4, 4, 4, 0]))
    ) == ("ER", "D", "ER")
    with pytest.raises(ValueError, match="durations"):
        phones_spoken("ab", [1, 2])


def test_packs_keep_the_phones_of_synthetic_speech(tmp_path: Path) -> None:
    phones = (np.array([0, 5, 5], np.int8), np.zeros(0, np.int8))
    speech = Speech(np.zeros(9, np.int16), np.array([0, 4, 9]), (("a",), ("b",)), ("k", "k"), ("x", "y"), phones)
    save_pack(speech, tmp_path / "p.npz")
    people = Speech(np.zeros(3, np.int16), np.array([0, 3]), (("c",),), ("p",), ("z",))
    both = joined([people, load_pack(tmp_path / "p.npz")])
    assert [list(each) for each in both.phones] == [[], [0, 5, 5], []]
    assert list(both.begins) == [0, 3, 7, 12]


def test_a_first_network_learns_phones_from_clips_that_know_them() -> None:
    """Tones stand for phones: the clip that it never saw is told apart, and people's clips can then be aligned."""
    torch = pytest.importorskip("torch")
    from fieldassist.acoustic.augment import Augmenter
    from fieldassist.acoustic.first import Aligner

    rng = np.random.default_rng(0)
    tones = {0: 0.0, 5: 400.0, 9: 1200.0, 20: 3000.0}

    def clip() -> tuple[np.ndarray, np.ndarray]:
        order = [0, *rng.permutation([5, 9, 20]), 0]
        phones = np.repeat(order, 8).astype(np.int8)
        wave = np.concatenate([np.sin(2 * np.pi * tones[int(p)] * np.arange(480) / 16_000) for p in phones])
        noisy = np.append(wave, np.zeros(400)) * 8000 + rng.normal(0, 20, len(wave) + 400)
        return noisy.astype(np.int16), phones

    made = [clip() for _ in range(12)]
    begins = np.cumsum([0, *(len(wave) for wave, _ in made)])
    speech = Speech(np.concatenate([wave for wave, _ in made]), begins, (("a",),) * 12, ("k",) * 12, ("x",) * 12,
                    tuple(phones for _, phones in made))  # fmt: skip
    torch.manual_seed(0)
    augmenter = Augmenter(torch.randn(48_000), torch.device("cpu"))
    aligner = Aligner(speech, augmenter, updates=40, batch_seconds=8.0)
    wave, phones = clip()
    energies = augmenter.energies(torch.from_numpy(wave.astype(np.float32) / 32768.0)[None], warp=False)
    heard = aligner.scores(energies, torch.tensor([energies.shape[1]]))[0].argmax(1).numpy() // 2
    assert (heard[: len(phones)] == phones[: len(heard)]).mean() > 0.8
    with pytest.raises(UserError, match="phones"):
        Aligner(Speech(speech.samples, speech.begins, speech.words, speech.groups, speech.speakers), augmenter)


def test_orders_are_written_out_in_every_shape_that_they_may_have() -> None:
    """The shape is the grammar's of the benchmark: each sentence is one of its own."""
    automaton = compile_grammar(read_grammar(Path(fieldassist.bench.__file__).parent / "spoken_orders.gram"))
    slots = {"coffeeDrink": "latte", "size": "small", "roast": "dark roast", "milkAmount": "some soy milk",
             "sugarAmount": "sugar"}  # fmt: skip

    said = sentences(slots)
    assert len(said) == len(set(said)) == 9 * 3 * 2 * 2
    assert all(map(automaton.accepts, said))
    assert not automaton.accepts("brew a small latte with sugar and")


def test_a_broken_manifest_names_its_line(tmp_path: Path) -> None:
    (tmp_path / "manifest.tsv").write_text("a.flac\tme\tno leaks\nb.flac\n")
    with pytest.raises(DataFileError, match=r"manifest.tsv:2"):
        read_manifest(tmp_path)
    assert words_of("It's 'quoted', isn't it?") == ("it's", "quoted", "isn't", "it")


def test_number_sentences_read_back() -> None:
    rng = np.random.default_rng(0)
    for _ in range(200):
        words = [word for word in number_sentence(rng).split() if word in WORDS]
        assert read_number(words) is not None


def test_texts_stage_draws_from_a_grammar(tmp_path: Path) -> None:
    out = tmp_path / "texts.txt"
    grammar = shipped("grammars") / "commands.gram"
    assert main(["texts", "--grammar", f"{grammar}=0.9", "--count", "30", "--out", str(out)]) == 0
    assert len(out.read_text().splitlines()) == 30
    assert main(["texts", "--grammar", "x", "--out", str(out)]) == 2


def test_a_long_clip_is_cut_in_its_pauses_and_every_word_stays() -> None:
    pytest.importorskip("torch")
    from fieldassist.acoustic.hmm import sentence
    from fieldassist.acoustic.train import _pieces

    words = ["no", "leaks", "it", "slips"]
    whole = sentence(words)
    spoken = [int(np.flatnonzero((whole.word == number) & (whole.phone > 0))[0]) for number in range(4)]
    silence = [int(np.flatnonzero((whole.word == number) & (whole.phone == 0))[0]) for number in range(4)]
    path = np.array([0] * 30 + [spoken[0]] * 40 + [silence[0]] * 2 + [spoken[1]] * 40 + [silence[1]] * 20
                    + [spoken[2]] * 60 + [spoken[3]] * 60 + [silence[3]] * 30)  # fmt: skip
    pieces = list(_pieces(path, whole))
    # outputs are 30 ms: after 0.9 + 2.46 s comes the first pause of 0.12 s or more, cut in its middle
    assert [(first, last, words[part]) for first, last, part in pieces] == [
        (0, 122, ["no", "leaks"]), (122, len(path), ["it", "slips"])
    ]  # fmt: skip
    too_long = np.array([0] * 10 + [spoken[0]] * 300 + [spoken[1], spoken[2], spoken[3]])
    assert list(_pieces(too_long, whole)) == []


def test_what_restoring_lacks_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("torch")
    noise, other = tmp_path / "noise.npy", tmp_path / "other.npy"
    np.save(noise, np.zeros(16_000, np.float16))
    other.write_bytes(b"no noise")
    rest = ["--speech", str(tmp_path / "pack.npz"), "--out", str(tmp_path / "before.pt")]
    for given, told in ((noise, "no_model/am/final.mdl: not an acoustic model"), (other, "other.npy: no file of")):
        assert main(["restore", str(tmp_path / "no_model"), "--noise", str(given), *rest]) == 2
        err = capsys.readouterr().err
        assert told in err and err.count("\n") == 1

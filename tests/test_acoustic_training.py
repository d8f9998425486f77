"""What training computes, against slower ways to compute the same; skipped where PyTorch is not installed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fieldassist.acoustic.__main__ import main
from fieldassist.acoustic.corpus import Speech, load_pack, read_manifest, save_pack, words_of
from fieldassist.acoustic.texts import number_sentence
from fieldassist.errors import DataFileError
from fieldassist.phrases.numbers import WORDS, read_number
from fieldassist.resources import shipped


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


def test_packs_keep_clips(tmp_path: Path) -> None:
    speech = Speech(
        np.arange(100, dtype=np.int16), np.array([0, 40, 100]), (("no",), ("two", "three")), ("a", "b"), ("x", "y")
    )
    save_pack(speech, tmp_path / "p.npz")
    again = load_pack(tmp_path / "p.npz")
    assert again.words == speech.words
    assert np.array_equal(again.samples, speech.samples)
    assert again.speakers == ("x", "y")


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

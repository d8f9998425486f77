"""Learning what words speak for: their features, and the encoder that knows words by what they are like."""

from __future__ import annotations

import itertools
import pickle
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

torch = pytest.importorskip("torch")

from fieldassist.acoustic import encoder, senses, utterances  # noqa: E402
from fieldassist.acoustic.__main__ import main  # noqa: E402
from fieldassist.errors import UserError  # noqa: E402
from fieldassist.phrases.hashing import hashed  # noqa: E402
from fieldassist.phrases.sense import not_learned, surely  # noqa: E402

LIKE = {"bang": "wallop", "glide": "float", "whine": "howl", "drip": "weep"}
MISHEARD = {"bang": "gang", "glide": "lied", "whine": "nine", "drip": "trip"}
NEWER = {"bang": "zing", "drip": "ooze"}
MEANS = {"bang": "harsh", "glide": "normal", "whine": "noise", "drip": "leak"}
ROUND = ("it", "was", "quite", "now", "here", "there", "then", "again")
TALK = ("the bus is late", "where shall we eat", "rain tomorrow they say", "my sister has moved to the coast")


def sentence(random, word, denied):
    before, after = random.choice(ROUND, 2), random.choice(ROUND, 2)
    return [*before, *(["not"] if denied else []), word, *after]


def drawn(random, count, words):
    out = []
    for _ in range(count):
        word, denied = random.choice(list(LIKE)), random.random() < 0.4
        means = f"no {MEANS[word]}" if denied else MEANS[word]
        out.append((sentence(random, words.get(word, word), denied), "upshift", means))
    return out


def share_right(model, examples):
    found = [model.shares([surely(said)], at)[0] for said, at, _ in examples]
    return np.mean([max(f, key=f.get) == means for f, (_, _, means) in zip(found, examples, strict=True)])


def told_right(model, examples):
    found = [model.meanings[model.scores([surely(said)], at)[0].argmax()] for said, at, _ in examples]
    return np.mean([each == means for each, (_, _, means) in zip(found, examples, strict=True)])


def test_what_features_speak_for_is_learned():
    examples = drawn(np.random.default_rng(2), 800, {})
    model = senses.train(examples, None)
    assert not_learned(model, examples) == []
    assert share_right(model, drawn(np.random.default_rng(3), 200, {})) > 0.95  # by chance: one in eight
    assert share_right(model, drawn(np.random.default_rng(3), 200, LIKE)) < 0.4


def beginning():
    """A transformer drawn at random that has read nothing, but whose vectors of the words of a pair lie near each
    other."""
    random = np.random.default_rng(1)
    width, inner = 48, 32
    shapes = {
        "asked": (3 * width, width),
        "joined": (width, width),
        "inner": (inner, width),
        "outer": (width, inner),
    }
    out = {"positions": 0.02 * random.normal(size=(48, width)), "gain": np.ones(width), "shift": np.zeros(width)}
    for layer in range(3):
        for name, shape in shapes.items():
            out[f"{layer}.{name}"] = 0.1 * random.normal(size=shape)
            out[f"{layer}.{name}_bias"] = np.zeros(shape[0])
        for name in ("norm_one", "norm_two"):
            out |= {f"{layer}.{name}": np.ones(width), f"{layer}.{name}_bias": np.zeros(width)}
    letters = "abcdefghijklmnopqrstuvwxyz'"
    pieces = ["[CLS]", "[SEP]", "[MASK]", *letters, *(f"##{each}" for each in letters), *ROUND, "not", "upshift"]
    pieces += [word for pair in LIKE.items() for word in pair] + list(MISHEARD.values())
    vectors = {piece: random.normal(size=width) for piece in pieces}
    vectors |= {other: vectors[word] + 0.05 * random.normal(size=width) for word, other in LIKE.items()}
    out["words"] = np.array([vectors[piece] for piece in pieces])
    return {k: v.astype(np.float16) for k, v in out.items()}, {piece: at for at, piece in enumerate(pieces)}


def begin_from_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(utterances, "installed", lambda: None)
    monkeypatch.setattr(utterances, "read_encoder", lambda _: beginning())


def as_heard(examples):
    """A third of the examples with words taken for others, each surely and in doubt; and other talk."""
    out = [utterances.Heard("no such example", ("nobody", "knows"), (1.0, 0.4))]
    for said, _, _ in examples[::3]:
        words = tuple(MISHEARD.get(word, word) for word in said)
        out += [utterances.Heard(" ".join(said), words, (sure,) * len(words)) for sure in (1.0, 0.7)]
    return out


def count_batches(monkeypatch):
    """A plan's seconds become batches: as much is learned on a slow machine."""
    ticks = itertools.count()
    monkeypatch.setattr(encoder, "time", SimpleNamespace(monotonic=lambda: float(next(ticks))))


def to_choose(examples):
    """Examples with words taken for others, which the engine holds likelier than what was said."""
    found = {tuple(said): tuple(MISHEARD.get(word, word) for word in said) for said, _, _ in examples}
    unlike = {said: taken for said, taken in found.items() if taken != said}
    return [utterances.Choice(" ".join(said), {taken: 0.6, said: 0.3}) for said, taken in unlike.items()]


def test_words_that_are_like_others_or_were_heard_for_others_mean_the_same(monkeypatch, tmp_path):
    begin_from_nothing(monkeypatch)
    count_batches(monkeypatch)
    examples = drawn(np.random.default_rng(2), 1500, {})
    examples += [(text.split(), "upshift", "talk") for text in TALK] * 10
    arrays = utterances.prepare(examples, LIKE.values(), (), TALK, as_heard(examples))
    assert len(arrays["aside_begins"]) == 2 and len(arrays["heard_begins"]) > 1000
    assert list(arrays["pieces"]) == sorted(arrays["pieces"], key=lambda piece: int(hashed([piece])[0]))
    np.savez(tmp_path / "material.npz", **arrays)
    plan = encoder.Plan(
        teachers=1,
        rounds=6,
        rate=3e-3,
        student_rate=3e-3,
        layers=(0, 2),
        inner=16,
        vector=32,
        seconds=200.0,
        batch=32,
    )
    material = encoder.load_material(tmp_path / "material.npz")
    passed, set_rate = [], encoder._set_rate
    monkeypatch.setattr(encoder, "_set_rate", lambda *args: (passed.append(args[-1]), set_rate(*args)))
    first = encoder.train(material, plan, "cpu")
    assert max(passed) < 1.0  # beyond, the rate would fall below nothing and unteach
    model = senses.train(examples, first)
    assert share_right(model, drawn(np.random.default_rng(3), 200, {})) > 0.95
    assert share_right(model, drawn(np.random.default_rng(3), 200, LIKE)) > 0.8
    assert share_right(model, drawn(np.random.default_rng(3), 200, MISHEARD)) > 0.8  # no example has these words

    newer = [*examples, *(e for e in drawn(np.random.default_rng(4), 600, NEWER) if not {*NEWER} & {*e[0]})]
    later = utterances.prepare(newer, LIKE.values(), (), TALK, as_heard(examples))
    again = encoder.go_on(later, first, replace(plan, seconds=100.0), "cpu")
    fresh = drawn(np.random.default_rng(5), 200, NEWER)
    assert told_right(first, fresh) < 0.8 < 0.9 < told_right(again, fresh)
    assert told_right(again, drawn(np.random.default_rng(3), 200, {})) > 0.95
    taught = encoder.train(later, replace(plan, seconds=100.0), "cpu", before=first)
    assert told_right(taught, fresh) > 0.9
    few = utterances.prepare(examples[:1], LIKE.values(), (), TALK)
    for begin in (encoder.go_on, lambda *given: encoder.train(*given[:1], *given[2:], before=given[1])):
        with pytest.raises(UserError, match="other meanings"):
            begin(few, first, plan, "cpu")


def test_what_was_said_is_told_from_what_it_was_taken_for(monkeypatch: pytest.MonkeyPatch) -> None:
    begin_from_nothing(monkeypatch)
    count_batches(monkeypatch)
    examples = [*drawn(np.random.default_rng(2), 400, {}), (TALK[0].split(), "upshift", "talk")]
    material = utterances.prepare(examples, LIKE.values(), (), TALK, (), to_choose(examples))
    plan = encoder.Plan(
        teachers=1, rounds=1, student_rate=3e-3, layers=(0, 2), inner=16, vector=32, seconds=100.0, batch=32
    )
    learned = encoder.train(material, plan, "cpu")
    fresh = to_choose(drawn(np.random.default_rng(6), 200, {}))
    chosen = [learned.likeness([[(w, 1.0) for w in r] for r in each.readings], "upshift") for each in fresh]
    assert len(chosen) > 100 and np.mean([taken < said for taken, said in chosen]) > 0.9


def test_a_batch_is_the_same_whoever_makes_it_and_when(monkeypatch: pytest.MonkeyPatch) -> None:
    """On a GPU the large ones learn in processes of their own, from batches that others make ahead."""
    begin_from_nothing(monkeypatch)
    examples = [*drawn(np.random.default_rng(2), 299, {}), (TALK[0].split(), "upshift", "talk")]
    course = encoder._course(utterances.prepare(examples, LIKE.values(), (), TALK, as_heard(examples)))
    here = encoder._Lectures(course, encoder.Plan(rounds=2, batch=32), 3)
    there = pickle.loads(pickle.dumps(here))
    assert len(here) == 20
    for step in (7, 0, 19, 7):
        for one, other in zip(here[step], there[step], strict=True):
            assert all(torch.equal(getattr(one, key), getattr(other, key)) for key in ("rows", "sure", "right"))


@pytest.mark.parametrize(
    ("given", "told"),
    [
        (["--teachers", "0"], "needs --begin"), (["--begin", "none.npz"], "none.npz: no such file"),
        (["--teachers", "0", "--large", "folder"], "--large is for large ones"),
    ],
)  # fmt: skip
def test_what_the_stage_goes_on_from_has_to_be_there(
    given: list[str], told: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    begin_from_nothing(monkeypatch)
    path = tmp_path / "material.npz"
    np.savez(path, **utterances.prepare(drawn(np.random.default_rng(2), 30, {}), LIKE.values(), (), TALK))
    assert main(["encoder", str(path), *given, "--out", str(tmp_path / "out.npz")]) == 2
    assert told in capsys.readouterr().err


@pytest.mark.parametrize("content", [b"", b"words", None])
def test_another_file_than_the_stages_is_told(content: bytes | None, tmp_path: Path) -> None:
    path = tmp_path / "material.npz"
    if content is None:
        np.savez(path, words=np.zeros(3))
    else:
        path.write_bytes(content)
    with pytest.raises(UserError, match=r"material\.npz: (cannot be read|expected a file of the stage)"):
        encoder.load_material(path)


def test_words_that_sound_alike_are_found():
    words = ["[unk]", "low", "blow", "no", "shudder", "judder", "parliament"]
    alike = utterances._alike(words, {"low", "blow", "shudder", "judder"})
    assert alike[1, 0] == 2 and alike[3, 0] == 1 and alike[4, 0] == 5
    assert set(alike[6]) == {0} == set(alike[0])


def test_commands_are_learned_with_talk_beside_them():
    skip, lunch, bus = ["skip", "it"], ["where", "is", "lunch"], ["that", "bus", "again"]
    examples = [
        (skip, "upshift", "command skip"), (lunch, "upshift", "talk"), (bus, "cruise", "talk"),
        (skip, "stall", "command skip"), (["it", "slips"], "upshift", "slip"),
    ]  # fmt: skip
    ((said, at, meaning),) = senses.surrounded(examples)  # at the stall nothing else is said
    assert (at, meaning) == ("upshift", "command skip") and said in ([*skip, *lunch], [*lunch, *skip])

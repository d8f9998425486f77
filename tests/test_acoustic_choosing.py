"""How the encoder learns which of an engine's readings was said: against PyTorch's cross-entropy.

Needs the extra `train`; skips without it.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fieldassist.errors import UserError

torch = pytest.importorskip("torch")

from fieldassist.acoustic.choosing import Choosing, Readings, wrongly_chosen  # noqa: E402
from fieldassist.acoustic.utterances import read_choices, read_heard  # noqa: E402
from fieldassist.phrases.likelier import BY_ENGINE  # noqa: E402


def readings(of: list[int], odds: list[float], off: list[float]) -> Readings:
    nothing = torch.zeros(len(of), 1)
    return Readings(nothing, nothing, torch.tensor(of), torch.tensor(odds), torch.tensor(off))


def test_the_loss_is_the_cross_entropy_and_the_expected_errors_of_a_reference_library() -> None:
    """Three utterances with one best reading each; the third is rightly told already."""
    of, off = [0, 0, 0, 1, 1, 2, 2], [1.0, 0.0, 3.0, 2.0, 4.0, 0.0, 1.0]
    odds = [-0.2, -1.9, -4.0, -0.7, -0.7, 0.0, 0.0]
    likeness = torch.tensor([0.3, -0.5, 1.0, 0.1, 2.0, 30.0, 0.0], requires_grad=True)
    found = wrongly_chosen(likeness, readings(of, odds, off))
    told = (likeness + BY_ENGINE * torch.tensor(odds)).detach()
    missed, more = 0.0, 0.0
    for number, best in enumerate((1, 0, 0)):
        rows = [at for at, each in enumerate(of) if each == number]
        missed += float(torch.nn.functional.cross_entropy(told[rows][None], torch.tensor([best]))) / 3
        wrong = torch.tensor([off[at] - min(off[row] for row in rows) for at in rows])
        more += float((torch.softmax(told[rows], 0) * wrong).sum()) / 3
    assert float(found.detach()) == pytest.approx(missed + 0.3 * more, rel=1e-4)
    found.backward()
    slopes = likeness.grad.tolist()
    assert slopes[1] < 0 < slopes[2] and slopes[3] < 0 < slopes[4] and abs(slopes[5]) < 1e-6


def test_two_readings_that_are_as_good_share_what_is_right() -> None:
    both = readings([0, 0, 0], [0.0, 0.0, 0.0], [1.0, 1.0, 2.0])
    assert float(wrongly_chosen(torch.tensor([8.0, 8.0, -8.0]), both)) == pytest.approx(0.0, abs=1e-5)


SAID = [[1, 2, 3], [2, 4], [5, 1, 2, 3]]


def material() -> dict[str, np.ndarray[Any, Any]]:
    """Words 1 to 6; the engine takes 2 for 6, puts in 5, and 3 4 for 1."""
    def packed(name: str, lists: list[list[int]]) -> dict[str, np.ndarray[Any, Any]]:
        flat = [word for each in lists for word in each]
        return {name: np.array(flat, np.int32), f"{name}_begins": np.cumsum([0, *map(len, lists)])}

    return {
        **packed("examples", SAID), "examples_at": np.array([0, 1, 1], np.uint8),
        **packed("readings", [[1, 6, 3], [1, 2, 3], [2], [2, 4]]),
        "readings_of": np.array([0, 0, 1, 1]), "readings_odds": np.array([-0.1, -2.0, -0.7, -0.7], np.float32),
        "readings_off": np.array([1, 0, 1, 0]), "readings_at": np.array([0, 0, 1, 1]),
        **packed("mistaken", [[2], [], [3, 4]]), **packed("taken_for", [[6], [5], [1]]),
        "mistaken_often": np.array([5, 2, 1]), "alike": np.array([[0], [3], [0], [1], [6], [4], [4]], np.int32),
    }  # fmt: skip


def test_batches_hold_what_was_heard_and_examples_with_mistakes() -> None:
    spelt = [[0], *([10 + word] for word in range(1, 7))]
    choosing = Choosing(material(), spelt, [[7, 8], [7, 9, 8]], 8, 100, seed=3)
    kinds = set()
    for step in range(30):
        (batch,), (again,) = choosing[step], choosing[step]
        assert all(torch.equal(one, other) for one, other in zip(batch.rows, again.rows, strict=True))
        heard = bool((batch.odds != 0).any())
        kinds.add(heard)
        for number in range(int(batch.of[-1]) + 1):
            rows = [row[row >= 0].tolist() for row in batch.rows[batch.of == number]]
            off = batch.off[batch.of == number].tolist()
            assert min(off) == 0 < max(off) and len(rows) == len(off)
            assert all(row[0] == 7 and row[-1] == 8 for row in rows)
            words = [[piece - 10 for piece in row if piece >= 10] for row in rows]
            right = words[off.index(0)]
            assert right in SAID and sum(each == right for each in words) == 1
            if heard:
                assert {tuple(each) for each in words} in ({(1, 6, 3), (1, 2, 3)}, {(2,), (2, 4)})
    assert kinds == {True, False}


def test_choices_are_read_from_what_was_heard(tmp_path: Path) -> None:
    lines = [
        {"said": "it slips", "readings": [["it's lips", 0.6], ["it uh slips", 0.3], ["it slips", 0.1]]},
        {"said": "no leak", "readings": [["no leak", 0.9]]},
        {"said": "whines", "readings": [["wine is", 0.5], ["fine is", 0.5]]},
    ]  # fmt: skip
    path = tmp_path / "0.jsonl"
    path.write_text("".join(json.dumps(line | {"sure": [1.0]}) + "\n" for line in lines), encoding="utf-8")
    (choice,) = read_choices([path])
    assert choice.said == "it slips" and choice.off() == [2, 0]
    assert choice.readings == pytest.approx({("it's", "lips"): 0.6, ("it", "slips"): 0.4})
    path.write_text('{"said": 1}\n', encoding="utf-8")
    with pytest.raises(UserError, match=r"0\.jsonl:1"):
        read_heard([path])

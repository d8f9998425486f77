"""How an engine hears what it was told nothing of, by the shipped model on recorded speech."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile

from fieldassist.acoustic import heard
from fieldassist.acoustic.corpus import Speech, save_pack, words_of
from fieldassist.errors import UserError
from fieldassist.phrases.automaton import Automaton, automaton_of

FOLDER = Path(__file__).resolve().parents[1] / "audio_fixtures" / "second_gear_slips"
CLIPS = ("30_skip.flac", "12_no_slip_reverse.flac", "09_engage_reverse.flac", "24_flare_two_three.flac")


@pytest.fixture
def pack(tmp_path: Path) -> Path:
    told = tomllib.loads((FOLDER / "scenario.toml").read_text(encoding="utf-8"))["utterance"]
    texts = {clip: next(words_of(each["text"]) for each in told if each["file"] == clip) for clip in CLIPS}
    clips = [soundfile.read(FOLDER / clip, dtype="int16")[0] for clip in CLIPS]
    begins = np.cumsum([0, *map(len, clips)]).astype(np.int64)
    path = tmp_path / "pack.npz"
    save_pack(Speech(np.concatenate(clips), begins, tuple(texts.values()), ("us",) * 4, ("a",) * 4), path)
    return path


def test_clips_are_heard_without_the_examples_that_they_are_of(
    pack: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FIELDASSIST_HOME", str(tmp_path / "home"))
    left_out: list[int] = []

    def small(phrases: heard._Without, gears: int) -> Automaton:  # in place of all grammars: these take a minute
        left_out.append(phrases._part)
        return automaton_of(["skip this step", "skip it", "no slip in reverse", "flares on the two three"])

    monkeypatch.setattr(heard._Without, "with_own_words", small)
    out = tmp_path / "heard.jsonl"
    count = heard.hear([pack], out)
    lines = [json.loads(line) for line in out.read_text(encoding="utf-8").splitlines()]
    assert left_out == list(range(heard.PARTS)) and count == len(lines) <= 2 * len(CLIPS)
    assert any(" ".join(line["said"].split()) == line["readings"][0][0] for line in lines)
    for line in lines:
        assert 0 <= line["talk"] <= 1 and len(line["sure"]) == len(line["readings"][0][0].split())


def test_examples_of_a_part_are_left_out_and_no_others() -> None:
    shipped = heard._Without(-1).wordings()
    for part in range(heard.PARTS):
        kept = heard._Without(part).wordings()
        assert 0.5 * len(shipped) < len(kept) < len(shipped)
        assert all(heard.part_of(words_of(each.said)) != part for each in kept)


def test_workers_have_to_share_the_parts(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="--workers 6: expected 1 or a multiple of 4"):
        heard.hear([], tmp_path / "out.jsonl", 0, 6)


def test_readings_are_read_as_heard_and_as_typed(tmp_path: Path) -> None:
    pytest.importorskip("torch")
    from fieldassist.acoustic.utterances import Heard, read_heard

    path = tmp_path / "heard.jsonl"
    line = {"said": "it bangs", "readings": [["it bags", 0.6], ["it bangs", 0.4]], "sure": [1.0, 0.6]}
    path.write_text(json.dumps(line) + "\n", encoding="utf-8")
    found = read_heard([path])
    assert found == [Heard("it bangs", ("it", "bags"), (1.0, 0.6)), Heard("it bangs", ("it", "bags"), (1.0, 1.0))]
    for broken in ("{}", json.dumps(line | {"readings": []}), "[1]", "heard"):
        path.write_text(f"{json.dumps(line)}\n{broken}\n", encoding="utf-8")
        with pytest.raises(UserError, match=r"heard\.jsonl:2: not a line of the stage heard"):
            read_heard([path])

"""A technician's own clips: taken from recordings or from a session, and heard again."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fieldassist.cli import main
from fieldassist.commands.voice import judge, read_folder, take_confirmed
from fieldassist.phrases import Matcher, load_phrases
from fieldassist.record.store import Store
from fieldassist.resources import shipped
from fieldassist.sound.wave import read_wave

CLIPS = "second_gear_slips"


def test_recordings_become_a_voice_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recordings = shipped("audio_fixtures") / CLIPS
    listed = tmp_path / "say.txt"
    listed.write_text("no leaks\n# a remark\n")
    folder = tmp_path / "voice"
    assert (
        main(["voice", str(folder), "--wav", str(recordings / "03_no_leaks.flac"), "--sentences", str(listed)])
        == 0
    )
    (clip,) = read_folder(folder)
    assert (clip.speaker, clip.text) == ("technician", "no leaks")
    assert clip.file.stat().st_size > 1000
    assert "say: no leaks" in capsys.readouterr().out


def test_clips_are_heard_again_and_counted(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recordings = shipped("audio_fixtures") / CLIPS
    folder = tmp_path / "voice"
    listed = tmp_path / "say.txt"
    listed.write_text("no leaks\n")
    main(["voice", str(folder), "--wav", str(recordings / "03_no_leaks.flac"), "--sentences", str(listed)])
    assert main(["voice", str(folder), "--test", "--engine", "sphinx"]) == 0
    assert "sphinx: 1 clips, 1 right" in capsys.readouterr().out


def test_a_verdict_needs_the_same_finding() -> None:
    matcher = Matcher(load_phrases())
    meant = matcher.match("flare on the two three")
    assert judge(meant, matcher.match("flare on the two three")) == "right"
    assert judge(meant, matcher.match("flare on the one two")) == "wrong"
    assert judge(meant, matcher.match("the weather is nice in the valley")) == "missed"


def test_no_folder_and_an_empty_list_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["voice", str(tmp_path / "none"), "--test"]) == 2
    assert "no voice clips there" in capsys.readouterr().err
    empty = tmp_path / "empty.txt"
    empty.write_text("\n")
    assert main(["voice", str(tmp_path), "--sentences", str(empty)]) == 2


def test_confirmed_entries_of_a_session_give_their_clips_once(tmp_path: Path) -> None:
    samples = read_wave(shipped("audio_fixtures") / CLIPS / "03_no_leaks.flac")
    session = tmp_path / "drive.session"
    with Store.create(session, {"unit": "three_speed_simpson"}) as store:
        clip = store.add_clip(samples)
        finding = {"kind": "leak", "present": False}
        for entry, text in (("e1", "no leaks"), ("e2", "leaks")):
            heard = store.append("heard", {"step": "leak_check", "text": text, "clip": clip, "confidence": 0.9})
            store.append("entry", {"entry": entry, "step": "leak_check", "heard": heard.id, "finding": finding})
        store.append("entry_confirmed", {"entry": "e1", "by": "passenger"})
    folder = tmp_path / "voice"
    assert take_confirmed(session, folder, "me") == 1
    assert take_confirmed(session, folder, "me") == 0
    (taken,) = read_folder(folder)
    assert (taken.speaker, taken.text) == ("me", "no leaks")
    assert np.array_equal(read_wave(taken.file), samples)

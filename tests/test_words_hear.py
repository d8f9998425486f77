"""`fieldassist hear`: recordings in, findings or slots out."""

from __future__ import annotations

import json

import numpy as np
import pytest
import soundfile
from scipy.signal import resample_poly

from fieldassist.cli import main
from fieldassist.resources import shipped
from fieldassist.sound.voice import Voice
from fieldassist.sound.wave import read_wave, write_wave

GRAMMAR = """#JSGF V1.0;
grammar lights;
public <order> = turn the <what> <how> [in the <where>];
<what> = (light | lamp) {what=$};
<how> = on {state=on} | off {state=off};
<where> = (kitchen | garage) {where=$};
"""


@pytest.fixture(scope="module")
def spoken():
    voice = Voice()
    pause = np.zeros(20000, np.int16)

    def write(path, *sentences):
        write_wave(path, np.concatenate([pause, *(x for s in sentences for x in (voice.render(s), pause))]))

    yield write
    voice.close()


def test_slots_of_any_grammar(tmp_path, spoken, capsys):
    spoken(tmp_path / "a.wav", "turn the light on in the garage", "turn the lamp off")
    (tmp_path / "lights.gram").write_text(GRAMMAR)
    grammar = ["--engine", "sphinx", "--grammar", str(tmp_path / "lights.gram")]
    assert main(["hear", str(tmp_path / "a.wav"), *grammar, "--json"]) == 0
    first, second = (json.loads(line) for line in capsys.readouterr().out.splitlines())
    assert first["slots"] == {"what": "light", "state": "on", "where": "garage"}
    assert second["slots"] == {"what": "lamp", "state": "off"}
    assert first["text"] == "turn the light on in the garage" == " ".join(w["word"] for w in first["words"])
    assert 0.5 < first["start"] < 1.4 < first["end"] < second["start"] < second["end"]
    for word in second["words"]:
        assert second["start"] <= word["start"] < word["end"] <= second["end"] and 0 <= word["confidence"] <= 1
    assert main(["hear", str(tmp_path / "a.wav"), *grammar]) == 0
    assert all(len(line) <= 80 for line in capsys.readouterr().out.splitlines())


def test_findings_of_a_stereo_recording_at_another_rate(tmp_path, capsys):
    fixtures = shipped("audio_fixtures") / "second_gear_slips"
    names = ("24_flare_two_three.flac", "25_strike_that.flac")
    drive = np.concatenate([read_wave(fixtures / name) for name in names])
    soundfile.write(tmp_path / "b.wav", resample_poly(drive / 32768, 3, 1)[:, None].repeat(2, axis=1), 48000)
    assert main(["hear", str(tmp_path / "b.wav"), "--engine", "sphinx", "--json"]) == 0
    first, second = (json.loads(line) for line in capsys.readouterr().out.splitlines())
    assert first["finding"]["kind"] == "flare" and first["finding"]["shift"] == "2-3"
    assert first["decision"] == "accept" and first["command"] is None and 0 < first["score"] <= 1
    assert second["finding"] is None and second["command"] == "strike"


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["missing.wav"], "no such file"),
        (["junk.wav", "--grammar", "lights.gram"], "not a readable audio file"),
        (["junk.wav", "--grammar", "broken.gram"], "broken.gram:3"),
        (["junk.wav", "--engine", "vosk", "--model", "nowhere"], "no such model folder"),
        (["junk.wav", "--step", "fly"], "no step 'fly'"),
    ],
)
def test_bad_input_is_one_line(tmp_path, monkeypatch, capsys, arguments, says):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "junk.wav").write_bytes(b"not audio at all, only words" * 9)
    (tmp_path / "lights.gram").write_text(GRAMMAR)
    (tmp_path / "broken.gram").write_text("#JSGF V1.0;\ngrammar b;\npublic <x> = ((a;\n")
    assert main(["hear", *arguments]) == 2
    error = capsys.readouterr().err
    assert says in error and error.count("\n") == 1

"""`fieldassist match` and `fieldassist say` at the door of the program."""

from __future__ import annotations

import json

import pytest

from fieldassist.cli import main


def test_match_prints_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["match", "flares on the two three under light throttle"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("accept: flare, two three, light throttle") and out.count("\n") == 1


@pytest.mark.parametrize(
    ("text", "start"),
    [
        ("strike that", "command: strike"), ("did you see the game", "ignored: "),
        ("make that one two", "correction: "),
        ("one two at 214", "ask: "), ("", "ignored: "), ("no slip in reverse " * 30, ""),
    ],
)  # fmt: skip
def test_line_fits_a_terminal(text: str, start: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["match", text]) == 0
    out = capsys.readouterr().out
    assert out.startswith(start) and all(len(line) <= 80 for line in out.splitlines())


def test_match_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["match", "at 34", "--step", "upshift_2_3_medium", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["decision"] == "accept"
    assert found["finding"]["kind"] == "shift_speed" and found["finding"]["shift"] == "2-3"
    assert found["finding"]["value"] == 34 and found["finding"]["throttle"] == "medium"


@pytest.mark.parametrize("command", [["match", "x"], ["say"]])
def test_unknown_step_is_one_line_and_exit_code_2(command: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*command, "--step", "upshift_7_8_light"]) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1 and "no step 'upshift_7_8_light'" in error


@pytest.mark.parametrize("step", [[], ["--step", "upshift_1_2_light"], ["--step", "fluid_level"]])
def test_card_fits_a_terminal(step: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["say", *step]) == 0
    out = capsys.readouterr().out
    assert all(len(line) <= 80 for line in out.splitlines())
    assert "strike that" in out and "no, make that two three" in out

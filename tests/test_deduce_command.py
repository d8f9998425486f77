"""`fieldassist deduce`: sessions and JSON in, 80 columns or JSON out, one line for bad input."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from fieldassist.cli import main
from fieldassist.record.store import Store

QUESTION = {
    "unit": "three_speed_simpson",
    "context": {"onset": "sudden", "after": None, "temperature": "any", "complaint": "no go"},
    "findings": [
        {"kind": "slip", "range": "D", "gear": "1", "severity": "awful"},
        {"kind": "slip", "range": "L", "present": False},
        {"kind": "stall_speed", "range": "D", "value": 2900, "unit": "rpm"},
        {"kind": "fluid_condition", "where": "no such look"},
    ],
}


@pytest.fixture(autouse=True)
def _home(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("FIELDASSIST_HOME", str(tmp_path / "home"))


def ask(tmp_path: Path, data: object, *options: str) -> int:
    path = tmp_path / "question.json"
    path.write_text(data if isinstance(data, str) else json.dumps(data), encoding="utf-8")
    return main(["deduce", str(path), *options])


def test_eighty_columns(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert ask(tmp_path, QUESTION) == 0
    lines = capsys.readouterr().out.splitlines()
    assert max(len(line) for line in lines) <= 80
    for part in ("Findings", "Suspects", "Work", "Next test"):
        assert part in lines
    assert any("low one-way clutch" in line for line in lines)


def test_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert ask(tmp_path, QUESTION, "--json") == 0
    out = json.loads(capsys.readouterr().out)
    assert out["unit"] == "three_speed_simpson" and out["suspects"]


def test_a_list_with_the_unit_given(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert ask(tmp_path, QUESTION["findings"], "--unit", "three_speed_ravigneaux", "--json") == 0
    assert json.loads(capsys.readouterr().out)["unit"] == "three_speed_ravigneaux"


def test_a_session(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Struck entries do not count, skipped steps are not done, an unreadable intake answer is passed over."""
    path = tmp_path / "drive.session"
    store = Store.create(path, {"unit": "three_speed_simpson", "tyre": "205/75R15", "axle_ratio": 2.73})
    store.append("intake", {"onset": "who knows", "after": 7, "mileage": 120_000})
    for number, (finding, step) in enumerate((
        ({"kind": "slip", "range": "D", "gear": "1"}, "pull_away_D"),
        ({"kind": "slip", "range": "2", "gear": "1"}, "pull_away_2"),
        ({"kind": "fluid_condition", "where": "milky"}, "fluid_condition"),
        ({"kind": "normal", "range": "1"}, "pull_away_1"),
    )):  # fmt: skip
        store.append("entry", {"entry": f"e{number}", "step": step, "finding": finding})
        store.append("step_done", {"step": step, "how": "answered"})
    store.append("entry_struck", {"entry": "e2", "by": "driver"})
    store.append("step_done", {"step": "stall_D", "how": "skipped"})
    store.close()
    assert main(["deduce", str(path), "--json"]) == 0
    out = json.loads(capsys.readouterr().out)
    assert out["suspects"][0]["cause"] == "low_one_way_clutch:fails"
    assert out["suspects"][0]["probability"] > 0.25


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", "expected a session file or JSON"),
        ("{", "expected a session file or JSON with unit and findings (line 1)"),
        ("[1]", '"unit" is missing'),
        ('{"unit": "three_speed_simpson"}', '"findings" is missing'),
        ('{"unit": "nine_speed", "findings": []}', "nine_speed"),
        (
            '{"unit": "three_speed_simpson", "findings": [{"kind": "slip"}, {"kind": "slop"}]}',
            "finding 2: finding: kind",
        ),
        ('{"unit": "three_speed_simpson", "findings": [7]}', "finding 1"),
        ('{"unit": "three_speed_simpson", "findings": [], "context": {"onset": "odd"}}', "onset 'odd'"),
        ('{"unit": "three_speed_simpson", "findings": [], "context": {"tyre": "round"}}', "tyre 'round'"),
        ('{"unit": "three_speed_simpson", "findings": [], "done": "all"}', '"done" must be a list'),
        ("[" * 100_000, "expected a session file or JSON"),
    ],
)
def test_bad_input(content: str, message: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert ask(tmp_path, content) == 2
    error = capsys.readouterr().err
    assert message in error and len(error.splitlines()) == 1


def test_missing_file_and_broken_session(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["deduce", str(tmp_path / "nothing.json")]) == 2
    broken = tmp_path / "broken.session"
    broken.write_bytes(b"SQLite format 3\x00" + b"\x07" * 400)
    assert main(["deduce", str(broken)]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 2


def test_confirmed_cases(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Recorded once for each file, shown beside the shipped rate, taken back."""
    data = {"unit": "three_speed_simpson", "findings": [{"kind": "late"}]}
    assert ask(tmp_path, data, "--json") == 0
    before = json.loads(capsys.readouterr().out)
    for _ in range(2):
        assert ask(tmp_path, data, "--confirm", "governor_low") == 0
    text = capsys.readouterr().out
    assert "Confirmed cases of this unit: 1" in text and "with the shop's cases" in text
    assert ask(tmp_path, data, "--shipped-priors", "--json") == 0
    assert json.loads(capsys.readouterr().out)["suspects"] == before["suspects"]
    assert ask(tmp_path, data, "--take-back", "1") == 0
    assert "taken back" in capsys.readouterr().out
    assert ask(tmp_path, data, "--confirm", "gremlins") == 2
    assert "gremlins" in capsys.readouterr().err

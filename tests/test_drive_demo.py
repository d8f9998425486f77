"""`fieldassist demo` and `fieldassist drive` as they are run: real recogniser, no microphone, no network."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

from fieldassist.cli import main
from fieldassist.record.projection import SessionView, project
from fieldassist.record.store import Store
from fieldassist.resources import shipped
from fieldassist.sound.wave import read_wave

NIGHTLY = os.environ.get("FIELDASSIST_NIGHTLY") == "1"
FIXTURES = shipped("audio_fixtures") / "second_gear_slips"
WITHOUT_NETWORK = ["unshare", "-n", "--"]
"""A network namespace in which not even the loopback is up: whatever asks for a network fails."""


def can_cut_the_network_off() -> bool:
    if shutil.which("unshare") is None:
        return False
    return subprocess.run([*WITHOUT_NETWORK, "true"], capture_output=True).returncode == 0


@dataclass
class Demo:
    code: int
    out: str
    told: str
    folder: Path

    @property
    def session(self) -> Path:
        return self.folder / "demo-1.session"

    @property
    def view(self) -> SessionView:
        with Store.open(self.session, readonly=True) as store:
            return project(store.events())


QUICK = """
import sys
import fieldassist.commands.demo
from fieldassist.bench.loop import ScenarioHearing
from fieldassist.cli import main
fieldassist.commands.demo.Hearing = lambda *_: ScenarioHearing()
sys.exit(main(sys.argv[1:]))
"""
"""The demo, the real engine listening for the scenario's sentences only; the nightly run has the whole grammar."""


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    folder = tmp_path_factory.mktemp("demo")
    program = ["-m", "fieldassist"] if NIGHTLY else ["-c", QUICK]
    command = [sys.executable, *program, "demo", "--out", str(folder)]
    prefix = WITHOUT_NETWORK if can_cut_the_network_off() else []
    done = subprocess.run([*prefix, *command], capture_output=True, text=True, timeout=600, cwd=folder)
    return Demo(done.returncode, done.stdout, done.stderr, folder)


def test_it_plays_the_whole_road_test_without_any_network(demo: Demo) -> None:
    assert demo.code == 0, demo.out[-2000:] + demo.told
    assert demo.view.finished
    if not can_cut_the_network_off():
        pytest.skip("played to its end, but this machine cannot cut a program off the network")


def test_the_dialogue_fits_eighty_columns(demo: Demo) -> None:
    assert [line for line in demo.out.splitlines() if len(line) > 80 and str(demo.folder) not in line] == []
    for part in ("says", "hears", "logged", "CAUTION", "Suspects", "Next test", "Session", "Report"):
        assert part in demo.out
    assert demo.told == ""


def test_it_ends_with_the_invented_fault_among_the_first_suspects(demo: Demo) -> None:
    result = demo.view.deduced
    assert result is not None
    first = [suspect["cause"] for suspect in result["suspects"][:3]]
    assert "intermediate_band:slips" in first, first
    assert result["suspects"][0]["for"]


def test_prompts_report_and_clips_are_there(demo: Demo) -> None:
    prompts = sorted((demo.folder / "demo-1-prompts").glob("*.wav"))
    assert len(prompts) > 60 and len(read_wave(prompts[0])) > 8000
    html = (demo.folder / "demo-1.html").read_text(encoding="utf-8")
    assert re.findall(r"(?:src|href)=\"(?!data:|#)[^\"]*\"", html) == [], "self-contained"
    with Store.open(demo.session, readonly=True) as store:
        kept = set(store.clip_ids())
    assert {entry.clip for entry in demo.view.entries} <= kept


def test_cautions_come_before_what_they_are_about(demo: Demo) -> None:
    lines = demo.out.splitlines()
    caution = next(n for n, line in enumerate(lines) if "CAUTION  Full throttle only" in line)
    assert any("Kickdown" in line for line in lines[caution : caution + 3])


def test_recordings_in_place_of_a_microphone_and_taken_up_again(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    session = tmp_path / "a.session"
    clips = tmp_path / "clips"
    clips.mkdir()
    shutil.copy(FIXTURES / "01_level_good.flac", clips)
    intake = tmp_path / "intake.toml"
    intake.write_text('complaint = "runs up"\n')
    command = ["drive", "--unit", "three_speed_simpson", "--intake", str(intake), "--fast", "--no-clips"]
    assert main([*command, "--session", str(session), "--wav", str(clips)]) == 0
    out = capsys.readouterr().out
    assert "no recordings" in out and f"fieldassist drive --resume {session}" in out
    assert main(["drive", "--resume", str(session), "--fast", "--wav", str(FIXTURES / "02_fluid_dark.flac")]) == 0
    out = capsys.readouterr().out
    assert "Going on with the drive." in out and "Fluid level?" not in out
    with Store.open(session, readonly=True) as store:
        view = project(store.events())
        assert store.clip_ids() == ()
    assert view.intake["complaint"] == "runs up"
    assert [entry.step for entry in view.entries][:1] == ["fluid_level"]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ([], "--unit: name the transmission"),
        (["--unit", "no_such"], "unit 'no_such' is not known"),
        (["--unit", "three_speed_simpson", "--checklist", "no_such"], "checklist 'no_such' is not known"),
        (["--unit", "three_speed_simpson", "--checklist", "BROKEN.toml"], "BROKEN.toml:1: expected TOML"),
        (["--unit", "three_speed_simpson", "--intake", "none.toml"], "none.toml: cannot be read"),
        (["--unit", "three_speed_simpson", "--lan"], "--lan: only with --passenger"),
        (["--unit", "three_speed_simpson", "--fast"], "--fast: only with --wav"),
        (["--unit", "three_speed_simpson", "--wav", "none.wav", "--session", "NEW"], "none.wav"),
        (["--unit", "three_speed_simpson", "--wav", "CLIP", "--session", "NEW", "--model", "none"], "none"),
        (["--resume", "none.session"], "none.session: no such session file"),
        (["--resume", "BROKEN.toml"], "not a session file"),
        (["--resume", "x", "--unit", "y"], "--resume: unit"),
    ],
)
def test_bad_input_is_told_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], message: str
) -> None:
    broken = tmp_path / "BROKEN.toml"
    broken.write_text("title = ")
    names = {"BROKEN.toml": str(broken), "NEW": str(tmp_path / "new.session")}
    names["CLIP"] = str(FIXTURES / "01_level_good.flac")
    assert main(["drive", *(names.get(argument, argument) for argument in arguments)]) == 2
    told = capsys.readouterr().err
    assert message in told and told.count("\n") == 1, told
    assert not (tmp_path / "new.session").exists(), "a drive that never began leaves no session behind"

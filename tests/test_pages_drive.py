"""The passenger's page beside a recorded drive: the real command, the real recogniser, a real browser."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pages_browser import PHONE, chromium, until  # noqa: F401 (fixture)

from fieldassist.errors import UserError
from fieldassist.record.projection import project
from fieldassist.record.store import Store
from fieldassist.resources import shipped

SPOKEN = ("01_level_good", "02_fluid_dark", "03_no_leaks", "04_linkage_good", "05_throttle_linkage")
"""Recordings (synthetic voices in cabin noise) and the steps that they answer."""
STEPS = ("fluid_level", "fluid_condition", "leak_check", "selector_linkage", "throttle_linkage")


@pytest.fixture
def drive(tmp_path: Path) -> Iterator[tuple[Path, str, subprocess.Popen[str]]]:
    """A drive from recordings in real time, its session file and its page's address."""
    try:
        folder = shipped("audio_fixtures") / "second_gear_slips"
        wav = tmp_path / "wav"
        wav.mkdir()
        for name in SPOKEN:
            (wav / f"{name}.flac").symlink_to(folder / f"{name}.flac")
    except UserError as error:
        pytest.skip(str(error))
    path = tmp_path / "van.session"
    command = [sys.executable, "-u", "-m", "fieldassist", "drive", "--unit", "three_speed_simpson", "--wav",
               str(wav), "--session", str(path), "--passenger"]  # fmt: skip
    home = {"FIELDASSIST_HOME": str(tmp_path / "home")}
    program = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=os.environ | home
    )
    assert program.stdout is not None
    told = []
    for line in program.stdout:
        told.append(line)
        if line.startswith("Passenger's page: "):
            break
    else:
        pytest.fail("the drive did not start: " + "".join(told))
    yield path, told[-1].split(": ", 1)[1].strip(), program
    program.kill()
    program.communicate()


def test_confirm_correct_strike_while_a_recorded_drive_is_played(chromium: Any, drive: Any) -> None:  # noqa: F811
    path, url, program = drive
    page = chromium.new_context(viewport={"width": PHONE[0], "height": PHONE[1]}, has_touch=True).new_page()
    page.set_default_timeout(30_000)
    page.goto(url)
    page.locator("article.open button[data-do=confirm]").first.tap()
    page.wait_for_selector("article.confirmed")
    page.locator("article.open button[data-do=correct]").first.tap()
    page.select_option("#pick-kind", "fluid_condition")
    page.select_option("#pick-where", "burnt")
    page.locator("#mend-save").tap()
    page.wait_for_selector("article.corrected")
    page.locator("article.open button[data-do=strike]").first.tap()
    page.wait_for_selector("article.struck")
    until(page, "document.querySelectorAll('#suspects .suspect').length > 0")
    limit = time.monotonic() + 60
    while program.poll() is None and time.monotonic() < limit:
        time.sleep(0.05)
    assert program.returncode == 0, program.stdout.read()
    with Store.open(path, readonly=True) as store:
        view = project(store.events())
    # How well it hears is measured elsewhere; here every entry that was heard is at a step that was asked.
    assert len(view.entries) >= 3 and {entry.step for entry in view.entries} <= set(STEPS)
    states = sorted((entry.state, entry.by) for entry in view.entries if entry.state != "open")
    assert states == [("confirmed", "passenger"), ("corrected", "passenger"), ("struck", "passenger")]
    # The drive has deduced from what the passenger made of it: the correction is in its findings.
    corrected = next(entry for entry in view.entries if entry.state == "corrected")
    assert corrected.finding.where == "burnt"
    assert view.deduced is not None

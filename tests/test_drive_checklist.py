"""The checklist file: laid out for every unit, spoken short, and its mistakes told with file and line."""

from __future__ import annotations

from pathlib import Path

import pytest

from fieldassist.deduce import load_unit, steps_for, unit_names
from fieldassist.drive.checklist import CAUTION_WORDS, PROMPT_WORDS, fits, load_checklist, read_checklist
from fieldassist.drive.intake import QUESTIONS, ask_intake, read_intake
from fieldassist.errors import DataFileError, UserError
from fieldassist.finding import Finding

UNIT = load_unit("three_speed_simpson")
HEAD = 'title = "T"\n[sections.a]\ntitle = "A"\n'


@pytest.mark.parametrize("name", unit_names())
def test_the_road_test_asks_every_step_of_every_unit_but_the_pan(name: str) -> None:
    steps = steps_for(load_unit(name))
    checklist = load_checklist("road_test", steps)
    asked = {item.id for item in checklist.items}
    assert {step.id for step in steps} - asked == {"pan_inspection"}, "the pan comes off in the bay"
    for item in checklist.items:
        assert len(item.prompt.split()) <= PROMPT_WORDS and len(item.caution.split()) <= CAUTION_WORDS
        assert "{" not in item.prompt + item.caution + item.follow_up_prompt + item.title


def test_the_order_is_the_job_s_order_and_risky_work_carries_its_caution() -> None:
    checklist = load_checklist("road_test", steps_for(UNIT))
    sections = [item.section.id for item in checklist.items]
    assert sections == sorted(sections, key=["before", "standing", "road", "asked"].index)
    ids = [item.id for item in checklist.items]
    assert ids[:2] == ["fluid_level", "fluid_condition"], "what can end the job by itself comes first"
    for step in steps_for(UNIT):
        item = checklist.item(step.id)
        if item is not None and step.risk >= 0.3 and step.depth == "road":
            assert item.caution, f"{item.id}: {step.title}"
        if item is not None and step.depth in ("gauge", "pan"):
            assert item.on_request and item.caution
    stall = checklist.item("stall_D")
    assert stall is not None and stall.on_request
    assert any(fits(pattern, Finding("fluid_level", where="low")) for pattern in stall.skip_when)


@pytest.mark.parametrize(
    ("text", "line", "message"),
    [
        ("title = ", 1, "expected TOML"),
        ('[sections.a]\ntitle = "A"\n', None, "title: missing"),
        (HEAD + '[items.x]\nprompt = "P?"\n', 4, "items.x.section: missing"),
        (HEAD + '[items.x]\nsection = "b"\nprompt = "P?"\n', 5, "expected one of a"),
        (HEAD + '[items.x]\nsection = "a"\n', 4, "items.x.prompt: missing"),
        (HEAD + '[items.x]\nsection = "a"\nprompt = "P?"\nprompts = 1\n', 7, "unknown key"),
        (HEAD + '[items.x]\nsection = "a"\nprompt = "P?"\nalso = ["slip", "slop"]\n', 7, "'slop' is not one of"),
        (HEAD + '[items.x]\nsection = "a"\nprompt = "a b c d e f g h i j k l m"\n', 6, "13 words; expected"),
        (HEAD + '[items.x]\nsection = "a"\nprompt = "{gear}?"\n', 6, "{gear} is not known for this step"),
        (HEAD + '[items.x]\nsection = "a"\nprompt = "{?"\n', 6, "placeholders"),
        (HEAD + '[items.x]\nsection = "a"\nprompt = "P?"\nskip_when = [{ kind = "x" }]\n', 7, "kind 'x'"),
        (HEAD + '[items.x]\nsection = "a"\nprompt = "P?"\nfollow_up = "shift_speed"\n', 4, "follow_up_prompt and"),
        (HEAD + '[items.x]\nsection = "a"\nprompt = "P?"\nstep = "a"\nprocedure = "b"\n', 7, "step or procedure"),
        (HEAD + '[items.x]\nsection = "a"\nprompt = "P?"\nonly = { place = "x" }\n', None, "unknown key"),
        (HEAD + '[items.x]\nsection = "a"\nstep = "no_such"\nprompt = "P?"\n', 6, "'no_such' is no step"),
        (HEAD + '[items.x]\nsection = "a"\nprocedure = "upshifts"\nprompt = "P?"\n', 6, "is no procedure"),
        (HEAD + '[items.x]\nsection = "a"\nstep = "pull_away_3"\nprompt = "P?"\n', None, "nothing is asked"),
        (
            HEAD + '[items.x]\nsection = "a"\nstep = "leak_check"\nprompt = "P?"\n'
            '[items.y]\nsection = "a"\nstep = "leak_check"\nprompt = "P?"\n',
            8,
            "asks leak_check a second time",
        ),
    ],
)
def test_a_mistake_is_told_with_its_line(tmp_path: Path, text: str, line: int | None, message: str) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(text)
    with pytest.raises(DataFileError) as caught:
        read_checklist(path, steps_for(UNIT))
    assert message in str(caught.value)
    assert str(caught.value).startswith(f"{path}:{line}: " if line else f"{path}")


def test_a_shop_s_own_checklist_comes_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FIELDASSIST_HOME", str(tmp_path))
    (tmp_path / "checklists").mkdir()
    (tmp_path / "checklists" / "road_test.toml").write_text(HEAD + '[items.x]\nsection = "a"\nprompt = "P?"\n')
    assert [item.id for item in load_checklist("road_test", steps_for(UNIT)).items] == ["x"]
    with pytest.raises(UserError, match="known are road_test"):
        load_checklist("no_such", steps_for(UNIT))


def test_intake_is_asked_line_by_line_and_bad_answers_again() -> None:
    answers = iter(["van 7", "", "", "boiling", "hot", "sudden", "", "many", "104000", "big", "27 in", "3.23"])
    shown: list[str] = []
    intake = ask_intake(lambda _: next(answers), shown.append)
    assert intake == {
        "vehicle": "van 7", "temperature": "hot", "onset": "sudden", "mileage": 104000.0, "tyre": "27 in",
        "axle_ratio": 3.23,
    }  # fmt: skip
    assert len(shown) == 3 and "a number" in shown[1]
    assert ask_intake(lambda _: "", print) == {} and len(QUESTIONS) >= 8


def test_intake_file(tmp_path: Path) -> None:
    path = tmp_path / "intake.toml"
    path.write_text('complaint = "slips"\nonset = "gradual"\n')
    assert read_intake(path) == {"complaint": "slips", "onset": "gradual"}
    path.write_text('onset = "slowly"\n')
    with pytest.raises(UserError, match="onset 'slowly'"):
        read_intake(path)

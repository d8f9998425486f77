"""A recorded drive: who says what at which step, and what each utterance should become."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fieldassist.deduce.tomlfile import Table, read_toml
from fieldassist.drive.dialogue import COMMANDS, Heard, State
from fieldassist.errors import UserError
from fieldassist.finding import Finding
from fieldassist.resources import shipped

OUTCOMES: tuple[str, ...] = ("right", "asked", "wrong", "missed", "rejected", "false")
"""What was meant for the tool: `right` at once, `asked` back with the right reading first, `wrong`, or `missed`.
What was not: `rejected`, as it should be, or `false`, taken for something."""

_STUCK_MOST = 3


@dataclass(frozen=True)
class Line:
    """One utterance of the drive."""

    file: Path
    step: str
    """Checklist item at which it is said, or `offer`."""
    text: str
    finding: Mapping[str, Any] | None
    """Keys that the finding must have."""
    command: str | None


@dataclass(frozen=True)
class Scenario:
    """A drive as its folder describes it."""

    name: str
    title: str
    unit: str
    checklist: str
    intake: Mapping[str, Any]
    lines: tuple[Line, ...]
    stuck: Line
    """Said when the tool waits and nothing is left to be said at a step."""
    asked: Line
    """Said when the tool asks back and has it right."""


def load_scenario(name: str | Path) -> Scenario:
    """Read a drive from a folder, or one shipped with the program by name.

    Raises UserError when it is missing or a recording is, DataFileError (file, line) for a bad `scenario.toml`.
    """
    folder = Path(name) if Path(name).is_dir() else shipped("audio_fixtures") / str(name)
    path = folder / "scenario.toml"
    if not path.is_file():
        raise UserError(f"{folder}: no scenario.toml; expected the folder of a recorded drive")
    top = read_toml(path).top
    lines = tuple(_line(row, folder) for row in top.array("utterance"))
    missing = [line.file.name for line in lines if not line.file.is_file()]
    if missing:
        raise UserError(f"{folder}: {len(missing)} recordings are missing, the first is {missing[0]}")
    return Scenario(
        name=folder.name,
        title=top.text("title"),
        unit=top.text("unit"),
        checklist=top.text("checklist"),
        intake=dict(top.table("intake").data),
        lines=lines,
        stuck=_line(top.table("stuck"), folder),
        asked=_line(top.table("asked"), folder),
    )


def _line(row: Table, folder: Path) -> Line:
    finding = row.table("finding", required=False).data or None
    if finding is not None:
        try:
            Finding.from_json(finding)
        except UserError as error:
            raise row.error("finding", str(error)) from None
    command = row.text("command", None, choices=COMMANDS)
    return Line(folder / row.text("file"), row.text("step", "stuck"), row.text("text"), finding, command)


class Script:
    """Plays a scenario's part of the dialogue: says what its people say at the step that is asked."""

    def __init__(self, scenario: Scenario) -> None:
        self._scenario = scenario
        self._left = list(scenario.lines)
        self._last: Line | None = None
        self._stuck: dict[str, int] = {}
        self.outcomes: dict[str, str] = {}
        """File name -> one of OUTCOMES, for each line that was said."""

    def next_line(self, state: State) -> Line | None:
        """Return what is said now, None when the people have given up.

        A driver who is asked back says yes, or says it once more; one who has nothing left to say at a step says
        the stuck line, or "resume" again when that was not understood.
        """
        if state.question is not None and state.question.kind == "ask_back" and self._last is not None:
            choices = state.question.choices
            right = bool(choices) and is_meant(self._last, choices[0])
            return self._scenario.asked if right else self._last
        place = "offer" if state.question is not None and state.question.kind == "offer" else state.item or "offer"
        line = next((line for line in self._left if line.step == place), None)
        if line is not None:
            self._left.remove(line)
            self._last = line
            return line
        self._stuck[place] = self._stuck.get(place, 0) + 1
        if self._stuck[place] > _STUCK_MOST:
            return None
        if state.view.paused:
            return next((line for line in self._scenario.lines if line.command == "resume"), None)
        return self._scenario.stuck

    def judge(self, line: Line, heard: Heard, noting: bool, paused: bool) -> None:
        """Note how an utterance came out. The first time counts, and only for the scenario's own lines."""
        if line in self._scenario.lines:
            self.outcomes.setdefault(line.file.name, outcome(line, heard, noting, paused))

    def close(self) -> None:
        """Count as missed what was said and never heard as an utterance, and what came to no turn."""
        for line in self._scenario.lines:
            meant = line.finding is not None or line.command is not None
            self.outcomes.setdefault(line.file.name, "missed" if meant else "rejected")


def outcome(line: Line, heard: Heard, noting: bool = False, paused: bool = False) -> str:
    """Compare what was heard with what was meant; return one of OUTCOMES."""
    taken = heard.decision == "accept" and not noting and (not paused or heard.command == "resume")
    if line.finding is None and line.command is None:
        return "false" if taken else "rejected"
    if heard.decision == "ask" and not noting and heard.finding is not None and is_meant(line, heard.finding):
        return "asked"
    if not taken:
        return "missed"
    if line.command is not None:
        return "right" if heard.command == line.command else "wrong"
    return "right" if heard.finding and heard.command is None and is_meant(line, heard.finding) else "wrong"


def is_meant(line: Line, finding: Finding) -> bool:
    """Tell whether a finding is what a line should become."""
    wanted = {"present": True, **(line.finding or {})}
    return line.finding is not None and all(getattr(finding, key) == value for key, value in wanted.items())

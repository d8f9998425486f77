"""The dialogue as text for whoever sits beside the driver: at most 80 columns."""

from __future__ import annotations

import shutil
import sys
import textwrap
from typing import TextIO

from fieldassist.drive.dialogue import Heard, State
from fieldassist.drive.wording import short_name

WIDTH = 80
_LABELS: dict[str, str] = {
    "opening": "says", "caution": "CAUTION", "prompt": "says", "read_back": "logged", "ask": "asks",
    "reply": "says", "trouble": "NOTE",
}  # fmt: skip
_INDENT = 11


class Terminal:
    """Prints every turn as it happens."""

    def __init__(self, out: TextIO | None = None) -> None:
        """`out`: standard output unless said otherwise."""
        self._out = out or sys.stdout
        self._item: str | None = None
        self._header = ""
        self._suspect = ""

    def said(self, text: str, why: str) -> None:
        """Show what is being spoken; a new item's headline goes before its caution or prompt."""
        if why in ("caution", "prompt") and self._header:
            self._write(self._header)
            self._header = ""
        self._line(_LABELS[why], text)

    def heard(self, heard: Heard, state: State) -> None:
        """Show what was heard; talk that is not for the tool is not written down."""
        for_the_tool = heard.decision != "ignore" and (not state.view.paused or heard.command is not None)
        if state.noting and heard.command != "strike":
            self._line("hears", "(a voice note)")
        elif for_the_tool:
            self._line("hears", f"\u201c{heard.record.get('text', '')}\u201d")
        else:
            self._line("hears", "(not for the tool)")

    def moved(self, state: State) -> None:
        """Note which item is asked now, and show the leading suspects when the first one changes."""
        result = state.view.deduced or {}
        suspects = result.get("suspects") or ()
        if suspects:
            named = [f"{short_name(s['name'])} {round(100 * s['probability'])} %" for s in suspects[:2]]
            if suspects[0]["name"] != self._suspect:
                self._suspect = suspects[0]["name"]
                self._line("suspects", ", ".join(named))
        item = state.current
        if item is not None and item.id != self._item:
            self._item = item.id
            items = [one.id for one in state.checklist.items if not one.on_request]
            place = f"{items.index(item.id) + 1:2}/{len(items)}" if item.id in items else "asked"
            self._header = f"[{place}] {item.title}"

    def told(self, text: str) -> None:
        """Show a remark on a device, the engine or the disk."""
        self._line("NOTE", text)

    def _line(self, label: str, text: str) -> None:
        self._write(
            textwrap.fill(
                text,
                width=min(WIDTH, max(40, shutil.get_terminal_size((WIDTH, 24)).columns)),
                initial_indent=f"  {label:<{_INDENT - 2}}",
                subsequent_indent=" " * _INDENT,
            )
        )

    def _write(self, text: str) -> None:
        print(text, file=self._out, flush=True)

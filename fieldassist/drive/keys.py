"""Single keys in the terminal for whoever sits beside the driver: confirm, correct or strike the last entries."""

from __future__ import annotations

import contextlib
import os
import select
import sys
import threading
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path

from fieldassist.drive.wording import spoken
from fieldassist.errors import UserError
from fieldassist.finding import Finding
from fieldassist.record.projection import EntryView, SessionView, project
from fieldassist.record.store import Store

KEYS_HELP = "keys: c confirm, s strike, u undo strike, t type it right, 1-9 count back, ? help"
"""One line for the terminal."""

_POLL_SECONDS = 0.2


class PassengerKeys:
    """Acts on the session file as the passenger's page does: events of its own, which the loop then finds.

    A digit first picks an entry counted from the last (1 is the last one); without it a key means the last entry.
    """

    def __init__(
        self,
        path: Path,
        read: Callable[[str, SessionView], Finding | None],
        show: Callable[[str], None],
    ) -> None:
        """`read` turns a typed line into a finding, None when it says none; `show` writes one line."""
        self._path = path
        self._read = read
        self._show = show
        self._back = 1
        self._typing: EntryView | None = None
        self._line = ""

    def press(self, key: str) -> None:
        """Take one key. What it does is on the disk when this returns."""
        if self._typing is not None:
            self._type(key)
        elif key.isdigit() and key != "0":
            self._back = int(key)
        elif key in ("c", "s", "u", "t"):
            entry = self._entry()
            self._back = 1
            if entry is None:
                self._show("there is no such entry")
            elif key == "t":
                self._typing, self._line = entry, ""
                self._show(f"instead of \u201c{spoken(entry.finding)}\u201d, type what it was, then Enter:")
            else:
                kind = {"c": "entry_confirmed", "s": "entry_struck", "u": "entry_restored"}[key]
                self._write(entry, kind)
        elif key == "?":
            self._show(KEYS_HELP)

    def _type(self, key: str) -> None:
        entry = self._typing
        assert entry is not None
        if key in ("\r", "\n"):
            self._typing = None
            finding = self._read(self._line, self._view()) if self._line.strip() else None
            if finding is None:
                self._show("nothing changed: no observation in that")
            else:
                self._write(entry, "entry_corrected", finding)
        elif key == "\x1b":
            self._typing = None
            self._show("nothing changed")
        elif key in ("\x7f", "\b"):
            self._line = self._line[:-1]
        elif key.isprintable():
            self._line += key

    def _view(self) -> SessionView:
        with Store.open(self._path, readonly=True) as store:
            return project(store.events())

    def _entry(self) -> EntryView | None:
        entries = self._view().entries
        return entries[-self._back] if len(entries) >= self._back else None

    def _write(self, entry: EntryView, kind: str, finding: Finding | None = None) -> None:
        data: dict[str, object] = {"entry": entry.id, "by": "passenger"}
        if finding is not None:
            data["finding"] = finding.to_json()
        try:
            with Store.open(self._path) as store:
                store.append(kind, data, id=f"key-{uuid.uuid4().hex}")
        except UserError as error:
            self._show(f"not stored: {error}")
            return
        done = {"entry_confirmed": "confirmed", "entry_struck": "struck", "entry_restored": "taken back in",
                "entry_corrected": "corrected"}[kind]  # fmt: skip
        self._show(f"{done}: {spoken(finding or entry.finding)}")


@contextlib.contextmanager
def listening(keys: PassengerKeys) -> Iterator[None]:
    """Feed key presses to `keys` from a thread, where standard input is a terminal; do nothing elsewhere."""
    if not sys.stdin.isatty():
        yield
        return
    stop = threading.Event()
    with _single_keys():
        thread = threading.Thread(target=_read_keys, args=(keys, stop), daemon=True, name="keys")
        thread.start()
        try:
            yield
        finally:
            stop.set()
            thread.join(1.0)


def _read_keys(keys: PassengerKeys, stop: threading.Event) -> None:
    if sys.platform == "win32":
        import msvcrt
        import time

        while not stop.is_set():
            if msvcrt.kbhit():
                keys.press(msvcrt.getwch())
            else:
                time.sleep(_POLL_SECONDS)
        return
    while not stop.is_set():
        if select.select([sys.stdin], [], [], _POLL_SECONDS)[0]:
            for key in os.read(sys.stdin.fileno(), 64).decode("utf-8", "ignore"):
                keys.press(key)


@contextlib.contextmanager
def _single_keys() -> Iterator[None]:
    """Let keys arrive one at a time; the terminal is put back as it was. Ctrl-C keeps its meaning."""
    if sys.platform == "win32":
        yield
        return
    import termios
    import tty

    before = termios.tcgetattr(sys.stdin)
    tty.setcbreak(sys.stdin)
    try:
        yield
    finally:
        termios.tcsetattr(sys.stdin, termios.TCSADRAIN, before)

"""`python -m fieldassist.bench pages`: how long until what was said stands on the passenger's page.

In a real browser (Chromium through Playwright; nothing of it is in the package), on this machine:

- page: entries written to a session file by another thread; from the moment that the entry is on the disk until
  its card is in the page, with one page open and with four. Beside it, what waiting for the next look at the file
  must cost alone: between nothing and one polling interval.
- drive: the demo's recorded drive in real time with the real recogniser; from the end of an utterance (the
  endpointer's pause over) until its card is in the page.

A card counts from the frame in which the browser has it in the page. Server, drive and browser share one clock.
"""

from __future__ import annotations

import argparse
import os
import shutil
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from fieldassist.commands.demo import SCENARIO, Played
from fieldassist.commands.drive import started
from fieldassist.deduce import load_unit, steps_for
from fieldassist.drive.checklist import load_checklist
from fieldassist.drive.dialogue import Heard, State, start
from fieldassist.drive.hearing import Hearing
from fieldassist.drive.loop import DriveLoop
from fieldassist.drive.recordings import Recordings
from fieldassist.drive.scenario import load_scenario
from fieldassist.drive.speaker import Speaker
from fieldassist.errors import UserError
from fieldassist.pages.feed import POLL
from fieldassist.pages.server import start_passenger
from fieldassist.record.projection import project
from fieldassist.record.store import Store
from fieldassist.sound.endpoint import Utterance
from fieldassist.sound.player import Player
from fieldassist.sound.voice import Voice

_WATCH = """() => {
  window.seen = {};
  const look = () => {
    for (const card of document.querySelectorAll('article.card'))
      if (!(card.dataset.id in seen)) seen[card.dataset.id] = (performance.timeOrigin + performance.now()) / 1000;
  };
  new MutationObserver(() => requestAnimationFrame(look)).observe(document.body, {childList: true, subtree: true});
  look();
}"""


def run(argv: list[str]) -> int:
    """Run the parts asked for. Raises UserError without a browser."""
    parser = argparse.ArgumentParser(prog="python -m fieldassist.bench pages")
    parser.add_argument("--entries", type=int, default=100, help="entries of the page part (default 100)")
    parser.add_argument("--only", choices=("page", "drive"), help="one part")
    parser.add_argument("--minutes", type=float, default=4.0, help="length of the drive part (default 4)")
    parser.add_argument("--engine", help="speech engine (default: the one that a drive uses)")
    parser.add_argument("--model", help="Vosk model folder")
    args = parser.parse_args(argv)
    with tempfile.TemporaryDirectory(prefix="fieldassist-bench-") as name, _chromium() as browser:
        if args.only in (None, "page"):
            print(f"page ({args.entries} entries; looking at the file every {1000 * POLL:.0f} ms alone costs")
            print(f"  p50 {500 * POLL:.0f} ms, p95 {950 * POLL:.0f} ms)")
            for pages in (1, 4):
                waits = page_latency(browser, Path(name) / f"{pages}.session", args.entries, pages)
                print(f"  entry on disk to card, {pages} page{'s' * (pages > 1)} open: {_told(waits)}", flush=True)
        if args.only in (None, "drive"):
            waits, engine = drive_latency(browser, Path(name), args.minutes, args.engine, args.model)
            print(f"drive ({engine}, {len(waits)} entries in real time, voices synthetic)")
            print(f"  end of utterance to card: {_told(waits)}")
    return 0


def page_latency(browser: Any, path: Path, entries: int, pages: int) -> list[float]:
    """Return seconds from an entry on the disk to its card, for every entry on every page."""
    Store.create(path, {"unit": "three_speed_simpson", "checklist": "road_test"}).close()
    with _served(path) as url:
        opened = [_open(browser, url) for _ in range(pages)]
        written: dict[str, float] = {}
        writing = threading.Thread(target=_write, args=(path, entries, written))
        writing.start()
        while writing.is_alive():
            opened[0].wait_for_timeout(50)
        opened[0].wait_for_timeout(1000)
        seen = [page.evaluate("seen") for page in opened]
        for page in opened:
            page.context.close()
    return [cards[entry] - at for cards in seen for entry, at in written.items() if entry in cards]


def drive_latency(
    browser: Any, folder: Path, minutes: float, engine: str | None, model: str | None
) -> tuple[list[float], str]:
    """Play the demo's drive in real time; return seconds from end of utterance to card, and the engine."""
    scenario = load_scenario(SCENARIO)
    played = Played(scenario, folder)
    path = folder / "drive.session"
    unit = load_unit(scenario.unit)
    checklist = load_checklist(scenario.checklist, steps_for(unit))
    data = started(scenario.unit, scenario.checklist, True)
    Store.create(path, data).close()
    screen = _Entries()
    names: list[str] = []

    def drive() -> None:
        with ExitStack() as stack:
            file = stack.enter_context(Store.open(path))
            hearing = stack.enter_context(closing(_Timed(engine, model, len(unit.forward))))
            screen.hearing = hearing
            names.append(hearing.engine.name)
            player = Player(None)
            player.has_device = False  # prompts take no time
            limit = time.monotonic() + 60.0 * minutes
            source = Recordings(lambda: played.next_file() if time.monotonic() < limit else None, 1.0)
            loop = played.loop = DriveLoop(
                file, start(checklist, project(file.events()), "b"), unit, source, hearing,
                lambda heard: stack.enter_context(closing(Speaker(Voice(), player, heard))), screen, kept="",
            )  # fmt: skip
            loop.run()

    with _served(path) as url:
        page = _open(browser, url)
        driving = threading.Thread(target=drive)
        driving.start()
        while driving.is_alive():
            page.wait_for_timeout(100)
        page.wait_for_timeout(1000)
        seen = page.evaluate("seen")
        page.context.close()
    if not names:
        raise UserError("drive: it could not be started")
    return [seen[entry] - ended for entry, ended in screen.ended.items() if entry in seen], names[0]


class _Timed(Hearing):
    """Hearing that notes when an utterance had ended."""

    ended_at = 0.0

    def finish(self, utterance: Utterance, state: State) -> Heard:
        self.ended_at = time.time()
        return super().finish(utterance, state)


class _Entries:
    """A screen that shows nothing and notes which utterance an entry came from."""

    def __init__(self) -> None:
        self.hearing: _Timed | None = None
        self.ended: dict[str, float] = {}

    def said(self, text: str, why: str) -> None:
        pass

    def heard(self, heard: Heard, state: State) -> None:
        pass

    def told(self, text: str) -> None:
        pass

    def moved(self, state: State) -> None:
        for entry in state.view.entries:
            if self.hearing is not None and entry.heard_text:
                self.ended.setdefault(entry.id, self.hearing.ended_at)


@contextmanager
def _served(path: Path) -> Iterator[str]:
    server = start_passenger(path)
    try:
        yield server.url
    finally:
        server.stop()


@contextmanager
def _chromium() -> Iterator[Any]:
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        raise UserError("pages: needs a browser; pip install playwright, apt-get install chromium") from None
    program = os.environ.get("FIELDASSIST_CHROMIUM") or shutil.which("chromium")
    if program is None:
        raise UserError("pages: needs a browser; apt-get install chromium, or set FIELDASSIST_CHROMIUM")
    arguments = [
        "--no-sandbox",
        "--disable-gpu",
        "--disable-background-networking",
        "--disable-sync",
        "--no-first-run",
    ]
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=arguments)
        yield browser
        browser.close()


def _open(browser: Any, url: str) -> Any:
    page = browser.new_context(viewport={"width": 390, "height": 844}).new_page()
    page.goto(url)
    page.wait_for_selector("#link:not(.lost):has-text('Connected')")
    page.evaluate(_WATCH)
    return page


def _write(path: Path, entries: int, written: dict[str, float]) -> None:
    random = np.random.default_rng(1)
    finding = {"kind": "shift_speed", "shift": "1-2", "throttle": "light", "value": 14.0, "unit": "mph"}
    with Store.open(path) as store:
        for number in range(entries):
            time.sleep(float(random.uniform(0.15, 0.35)))
            store.append("entry", {"entry": f"e{number}", "step": None, "heard": None, "finding": finding})
            written[f"e{number}"] = time.time()


def _told(waits: list[float]) -> str:
    if not waits:
        return "no card came"
    p50, p95 = np.percentile(waits, [50, 95])
    return f"p50 {1000 * p50:.0f} ms, p95 {1000 * p95:.0f} ms, longest {1000 * max(waits):.0f} ms"

"""A real browser for the tests of the pages: Debian's Chromium, driven by Playwright."""

from __future__ import annotations

import importlib.util
import json
import os
import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = os.environ.get("FIELDASSIST_CHROMIUM") or shutil.which("chromium") or "/usr/bin/chromium"
ARGUMENTS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--disable-dev-shm-usage",
)  # fmt: skip
"""No connection of the browser's own leaves this machine."""
PHONE, TABLET, LAPTOP = (390, 844), (820, 1180), (1440, 900)


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    """A running headless Chromium, or a skip that says what to install."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="browser tests: pip install playwright")
    if not Path(CHROMIUM).exists():
        pytest.skip("browser tests: no Chromium; apt-get install chromium, or set FIELDASSIST_CHROMIUM")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(ARGUMENTS))
        yield browser
        browser.close()


def until(page: Any, expression: str, seconds: float = 8.0) -> None:
    """Wait until a JavaScript expression is true. (Playwright's own waiting evaluates text inside the page, which
    the page's policy forbids.)"""
    limit = time.monotonic() + seconds
    while not page.evaluate(expression):
        assert time.monotonic() < limit, f"never true: {expression}"
        page.wait_for_timeout(30)


def axe_script() -> str:
    """The accessibility engine's source, or a skip that says what to install."""
    found = importlib.util.find_spec("axe_playwright_python")
    if found is None or found.origin is None:
        pytest.skip("accessibility: pip install axe-playwright-python")
    return next(Path(found.origin).parent.rglob("axe.min.js")).read_text(encoding="utf-8")


def serious_findings(page: Any) -> list[str]:
    """Return axe's findings of impact `serious` or `critical` on the page as it stands."""
    # Injected through the browser's own protocol: the page's policy forbids inline scripts, as it should.
    session = page.context.new_cdp_session(page)
    session.send("Runtime.evaluate", {"expression": axe_script()})
    answer = session.send(
        "Runtime.evaluate",
        {"expression": "axe.run(document, {resultTypes: ['violations']})"
         ".then(r => JSON.stringify(r.violations.map("
         "v => [v.impact, v.id, v.nodes.map(n => n.target.join(' ')).slice(0, 3).join(' | ')])))",
         "awaitPromise": True, "returnByValue": True},
    )  # fmt: skip
    found = json.loads(answer["result"]["value"])
    return [f"{impact}: {rule} at {where}" for impact, rule, where in found if impact in ("serious", "critical")]

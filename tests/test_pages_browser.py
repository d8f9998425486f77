"""The passenger's page in a real browser: taps in a drive, lost connection, company, keyboard, accessibility."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pages_browser import LAPTOP, PHONE, TABLET, chromium, serious_findings, until  # noqa: F401 (fixture)
from pages_support import DEDUCED, begin, entries, say, whole_session

from fieldassist.pages.server import PassengerServer, start_passenger
from fieldassist.record.projection import SessionView, project
from fieldassist.record.store import Store


def view_of(path: Path) -> SessionView:
    with Store.open(path, readonly=True) as store:
        return project(store.events())


def wait_for(path: Path, what: Any, seconds: float = 8.0) -> SessionView:
    """Wait until the session file is as wanted."""
    limit = time.monotonic() + seconds
    while True:
        view = view_of(path)
        if what(view):
            return view
        assert time.monotonic() < limit, f"never came: {[(e.id, e.state) for e in view.entries]}"
        time.sleep(0.03)


@pytest.fixture
def drive(tmp_path: Path) -> Iterator[tuple[Path, Store, PassengerServer]]:
    """A drive under way with two entries, and its passenger's page."""
    path = tmp_path / "van.session"
    store = begin(path)
    say(store, 0)
    say(store, 1)
    server = start_passenger(path)
    yield path, store, server
    server.stop()
    store.close()


def open_page(chromium: Any, server: PassengerServer, size: tuple[int, int] = PHONE) -> Any:  # noqa: F811
    context = chromium.new_context(viewport={"width": size[0], "height": size[1]}, has_touch=True)
    page = context.new_page()
    page.set_default_timeout(8000)
    page.troubles = []
    page.on("pageerror", lambda error: page.troubles.append(str(error)))
    page.goto(server.url)
    page.wait_for_selector("article.card")
    return page


def card(page: Any, entry: str) -> Any:
    return page.locator(f'article[data-id="{entry}"]')


def button(page: Any, entry: str, what: str) -> Any:
    return card(page, entry).locator(f'button[data-do="{what}"]')


def test_confirm_correct_and_strike_while_the_drive_goes_on(chromium: Any, drive: Any) -> None:  # noqa: F811
    path, store, server = drive
    page = open_page(chromium, server)
    stop = threading.Event()

    def go_on() -> None:
        with Store.open(path) as own:
            for index in range(2, len(entries())):
                if stop.wait(0.25):
                    return
                say(own, index)
            own.append("deduced", DEDUCED)

    driving = threading.Thread(target=go_on)
    driving.start()
    button(page, "e0", "confirm").tap()
    button(page, "e1", "strike").tap()
    button(page, "e3", "correct").tap()
    # The reading that the matcher kept comes first, then what one slip of the ear would make of it.
    nearest = page.locator("#mend-near button")
    assert nearest.first.inner_text() == "flare, 2-3 shift, medium throttle"
    nearest.first.tap()
    view = wait_for(path, lambda v: {e.id: e.state for e in v.entries}.get("e3") == "corrected")
    assert {e.id: (e.state, e.by) for e in view.entries if e.id in ("e0", "e1", "e3")} == {
        "e0": ("confirmed", "passenger"), "e1": ("struck", "passenger"), "e3": ("corrected", "passenger"),
    }  # fmt: skip
    assert view.entry("e3").finding.shift == "2-3"
    driving.join()
    stop.set()
    until(page, "document.querySelectorAll('article.card').length === 6")
    page.wait_for_selector("#suspects:has-text('intermediate band slips')")
    page.wait_for_selector("#next:has-text('pressure at the servo tap')")
    until(page, "document.querySelector('#list-title').innerText === 'Entries: 3 open'")
    # The driver's own "strike that" shows by itself.
    store.append("entry_struck", {"entry": "e5", "by": "driver"})
    page.wait_for_selector('article[data-id="e5"][data-state="struck"]')
    assert "Struck by driver" in card(page, "e5").inner_text()
    assert page.troubles == []


def test_pick_lists_and_typing(chromium: Any, drive: Any) -> None:  # noqa: F811
    path, _, server = drive
    page = open_page(chromium, server, LAPTOP)
    page.locator("#add").click()
    page.select_option("#pick-kind", "shift_speed")
    page.select_option("#pick-shift", "1-2")
    page.select_option("#pick-throttle", "light")
    page.fill("#pick-value", "fast")
    page.locator("#mend-save").click()
    assert page.locator("#mend-wrong").inner_text() == "The value must be a number."
    page.fill("#pick-value", "15")
    page.locator("#mend-save").click()
    view = wait_for(path, lambda v: len(v.entries) == 3)
    assert view.entries[2].finding.to_json() == {
        "kind": "shift_speed", "shift": "1-2", "throttle": "light", "value": 15.0, "unit": "mph", "present": True,
    }  # fmt: skip
    assert (view.entries[2].state, view.entries[2].by) == ("confirmed", "passenger")
    button(page, "e1", "correct").click()
    page.fill("#mend-text", "slips in second when hot")
    page.keyboard.press("Enter")
    page.locator("#mend-found button").first.click()
    view = wait_for(path, lambda v: v.entry("e1").state == "corrected")
    finding = view.entry("e1").finding
    assert (finding.kind, finding.gear, finding.temperature, finding.present) == ("slip", "2", "hot", True)
    assert page.troubles == []


def test_taps_made_without_a_connection_arrive_once(chromium: Any, drive: Any) -> None:  # noqa: F811
    path, store, server = drive
    page = open_page(chromium, server)
    page.context.set_offline(True)
    button(page, "e0", "confirm").tap()
    button(page, "e1", "strike").tap()
    until(page, "document.getElementById('link').textContent.includes('2 taps wait')")
    assert "waiting to be sent" in card(page, "e0").inner_text()
    # What was said meanwhile is there after the outage, and so are the taps, each once.
    say(store, 2)
    assert view_of(path).entry("e0").state == "open"
    page.context.set_offline(False)
    view = wait_for(path, lambda v: v.entry("e0").state == "confirmed" and v.entry("e1").state == "struck")
    page.wait_for_selector('article[data-id="e2"]')
    until(page, "document.getElementById('link').textContent === 'Connected'")
    assert len(view.entry("e0").history) == 2
    assert len(view.entry("e1").history) == 2


def test_answer_lost_on_its_way_does_not_apply_a_tap_twice(chromium: Any, drive: Any) -> None:  # noqa: F811
    path, _, server = drive
    page = open_page(chromium, server)
    failed = []

    def lose_the_answer(route: Any) -> None:
        if not failed:
            failed.append(route.fetch().status)  # it arrives, but the page never hears so
            route.abort()
        else:
            route.continue_()

    page.route("**/act", lose_the_answer)
    button(page, "e0", "confirm").tap()
    until(page, "!Object.keys(localStorage).some(k => k.startsWith('fieldassist.waiting'))")
    assert failed == [200]
    assert len(view_of(path).entry("e0").history) == 2


def test_queue_outlives_a_reload_and_a_restart_of_the_server(chromium: Any, drive: Any) -> None:  # noqa: F811
    path, _, server = drive
    page = open_page(chromium, server)
    server.stop()
    button(page, "e0", "confirm").tap()
    until(page, "document.getElementById('link').textContent.includes('1 tap waits')")
    again = start_passenger(path)
    try:
        if again.url.split("#")[0] != server.url.split("#")[0]:
            pytest.skip("the port was taken by another program in between")
        until(page, "document.getElementById('link').textContent.includes('Join again')")
        page.goto(again.url)
        wait_for(path, lambda v: v.entry("e0").state == "confirmed")
    finally:
        again.stop()


def test_two_passengers_see_the_same(chromium: Any, drive: Any) -> None:  # noqa: F811
    path, _, server = drive
    first, second = open_page(chromium, server), open_page(chromium, server, TABLET)
    button(first, "e0", "confirm").tap()
    second.wait_for_selector('article[data-id="e0"][data-state="confirmed"]')
    button(second, "e1", "strike").tap()
    first.wait_for_selector('article[data-id="e1"][data-state="struck"]')
    button(first, "e1", "restore").tap()
    second.wait_for_selector('article[data-id="e1"][data-state="open"]')
    assert view_of(path).entry("e1").state == "open"


def test_keyboard_alone(chromium: Any, drive: Any) -> None:  # noqa: F811
    path, _, server = drive
    page = open_page(chromium, server, LAPTOP)
    page.keyboard.press("c")  # the newest open entry
    wait_for(path, lambda v: v.entry("e1").state == "confirmed")
    page.wait_for_selector('article[data-id="e1"][data-state="confirmed"]')
    page.keyboard.press("s")  # then the next open one
    wait_for(path, lambda v: v.entry("e0").state == "struck")
    page.wait_for_selector('article[data-id="e0"][data-state="struck"]')
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("u")
    wait_for(path, lambda v: v.entry("e0").state == "open")
    page.keyboard.press("a")
    page.wait_for_selector("dialog[open]")
    page.keyboard.press("Escape")
    page.wait_for_selector("dialog:not([open])", state="attached")


def test_unclear_utterance_is_settled_by_the_passenger(chromium: Any, drive: Any) -> None:  # noqa: F811
    path, store, server = drive
    store.append("step_begun", {"step": "upshift_1_2_full"})
    for text in ("one two at [unk]", "at [unk] eight"):
        store.append(
            "heard",
            {"step": "upshift_1_2_full", "text": text, "decision": "ask", "confidence": 0.4,
             "alternatives": [entries()[4][2]]},
        )  # fmt: skip
    page = open_page(chromium, server)
    unclear = page.locator("article.unclear")
    assert unclear.count() == 1  # asked back once: one card, not two
    unclear.locator("button").first.tap()
    page.locator("#mend-near button").first.tap()
    view = wait_for(path, lambda v: len(v.entries) == 3)
    assert (view.entries[2].finding.value, view.entries[2].heard_text) == (38.0, "at [unk] eight")
    page.wait_for_selector("article.unclear", state="detached")


@pytest.mark.parametrize("size", [PHONE, TABLET, LAPTOP])
def test_passenger_page_fits_and_is_accessible(chromium: Any, drive: Any, size: tuple[int, int]) -> None:  # noqa: F811
    _, store, server = drive
    store.append("deduced", DEDUCED)
    page = open_page(chromium, server, size)
    page.wait_for_selector("#suspects .suspect")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    small = page.evaluate(
        "[...document.querySelectorAll('button')].filter(b => b.offsetParent)"
        ".filter(b => b.offsetHeight < 48 || b.offsetWidth < 48 || parseFloat(getComputedStyle(b).fontSize) < 17)"
        ".map(b => b.textContent)"
    )
    assert small == []  # WCAG 2.2, 2.5.5 asks for 44 CSS pixels; a moving car for more
    if size != TABLET:
        assert serious_findings(page) == []
    button(page, "e1", "correct").click()
    assert page.evaluate(
        "document.querySelector('dialog').scrollWidth <= document.querySelector('dialog').clientWidth"
    )
    if size == PHONE:
        assert serious_findings(page) == []


def test_pairing_over_the_local_network_address(chromium: Any, tmp_path: Path) -> None:  # noqa: F811
    path = whole_session(tmp_path / "van.session")
    try:
        server = start_passenger(path, lan=True)
    except Exception as error:  # a machine without any network
        pytest.skip(str(error))
    try:
        page = chromium.new_context().new_page()
        page.goto(server.url)
        page.fill("#code", "000000" if server.code != "000000" else "111111")
        page.keyboard.press("Enter")
        until(page, "document.getElementById('answer').textContent.includes('not right')")
        page.fill("#code", f"{server.code[:3]} {server.code[3:]}")
        page.keyboard.press("Enter")
        page.wait_for_selector("article.card")
        assert page.url == server.url
        assert serious_findings(page) == []
    finally:
        server.stop()

"""The bay review: corrections, readings, causes, comparison; the write-up; all of it in a real browser."""

from __future__ import annotations

import re
import shutil
import signal
import subprocess
import sys
import threading
import urllib.request
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from pages_browser import LAPTOP, PHONE, TABLET, chromium, serious_findings, until  # noqa: F401 (fixture)
from pages_support import begin, entries, say, whole_session

from fieldassist.cli import main
from fieldassist.deduce import CaseBook, cases_path, load_unit
from fieldassist.deduce.kinematics import power_flow
from fieldassist.errors import UserError
from fieldassist.finding import KINDS, Finding
from fieldassist.pages import bay
from fieldassist.pages.case import read_case
from fieldassist.pages.choices import FIELDS, GROUPS, from_form, neighbours
from fieldassist.pages.compare import compare
from fieldassist.pages.flow import flow_view
from fieldassist.pages.passenger import match, take
from fieldassist.pages.report import report_html, write_report
from fieldassist.pages.review_server import make_review
from fieldassist.pages.shift_map import shift_map, shift_map_picture, state_of
from fieldassist.pages.wording import words
from fieldassist.pages.writeup import write_up
from fieldassist.record.projection import SessionView
from fieldassist.record.store import Store


@pytest.fixture
def session(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("FIELDASSIST_HOME", str(tmp_path / "home"))
    folder = tmp_path / "sessions"
    folder.mkdir()
    return whole_session(folder / "van.session")


def view(path: Path) -> SessionView:
    return read_case(path).view


def form(number: int, **fields: str) -> dict[str, str]:
    return {"tap": f"tap-number-{number}", **fields}


# What the bay does to a session.


def test_correction_keeps_the_old_value_and_deduces_at_once(session: Path) -> None:
    before = view(session).deduced
    bay.change_entry(session, form(1, entry="e3", do="correct", kind="flare", shift="2-3", throttle="medium"))
    entry = view(session).entry("e3")
    assert entry is not None
    assert [(c.kind, c.finding.shift) for c in entry.history] == [("entry", "1-2"), ("entry_corrected", "2-3")]
    assert (entry.state, entry.by) == ("corrected", "bay")
    deduced = view(session).deduced
    assert deduced is not None and deduced != before
    assert {"suspects", "next_tests", "unknown"} <= deduced.keys()


def test_same_form_twice_counts_once(session: Path) -> None:
    for _ in range(2):
        bay.add_entry(session, form(1, kind="stall_speed", range="D", value="2300"))
    added = [entry for entry in view(session).entries if entry.finding.kind == "stall_speed"]
    assert [(e.finding.value, e.finding.unit, e.state, e.by, e.step) for e in added] == [
        (2300.0, "rpm", "confirmed", "bay", "stall_D")
    ]


def test_id_of_another_form_is_not_taken(session: Path) -> None:
    bay.add_note(session, form(1, text="worn"))
    with pytest.raises(UserError, match="used for something else"):
        bay.add_entry(session, form(1, kind="stall_speed", range="D", value="2300"))
    assert view(session).problems == () and len(view(session).entries) == len(entries())


def test_gauge_reading_lands_at_its_tap_and_is_weighed(session: Path) -> None:
    bay.add_entry(session, form(1, kind="pressure", where="servo", range="2", gear="2", value="30", unit="psi"))
    assert view(session).entries[-1].step == "pressure_servo"
    assert "pressure_servo" in view(session).steps_done
    place = len(view(session).findings()) - 1
    weighed = [
        reason["decibans"]
        for suspect in view(session).deduced["suspects"]
        for reason in suspect["for"] + suspect["against"]
        if reason["finding"] == place
    ]
    assert weighed and max(weighed) > 3
    assert "servo pressure 30 psi" in report_html(read_case(session))


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"kind": "stall_speed", "range": "D", "value": "fast"}, "expected a number"),
        ({"kind": "stall_speed", "range": "D"}, "expected a number"),
        ({"kind": "pressure", "where": "line", "range": "D", "value": "60", "unit": "rpm"}, "expected psi or kPa"),
        ({"kind": "stall_speed", "range": "D", "value": "nan"}, "finite"),
        ({"kind": "slip", "range": "Q"}, "not one of"),
        ({}, "pick what was noticed"),
    ],
)
def test_bad_reading_is_one_line_and_changes_nothing(session: Path, fields: dict[str, str], message: str) -> None:
    before = view(session).last_seq
    with pytest.raises(UserError, match=message):
        bay.add_entry(session, form(1, **fields))
    assert view(session).last_seq == before


def test_confirmed_cause_moves_the_odds_and_can_be_taken_back(session: Path) -> None:
    cause = "intermediate_band:slips"
    bay.deduce_again(session)

    def odds() -> float:
        return {s["cause"]: s["probability"] for s in view(session).deduced["suspects"]}[cause]

    before = odds()
    bay.confirm_cause(session, form(1, cause=cause, remark="lining down to the steel"))
    assert odds() > before
    assert "Starting odds per 1000 complaints" in report_html(read_case(session))
    assert view(session).cause_confirmed == {"cause": cause, "by": "bay", "remark": "lining down to the steel"}
    book = CaseBook(cases_path())
    assert [case.causes for case in book.cases() if case.taken_back is None] == [(cause,)]
    book.close()
    written = write_up(read_case(session).events, "unit", {}, [])
    assert written.confirmed and "lining down to the steel" in written.cause
    bay.confirm_cause(session, form(2, cause=""))
    assert odds() == pytest.approx(before)
    assert not write_up(read_case(session).events, "unit", {}, []).confirmed
    with pytest.raises(UserError, match="not one that this unit can have"):
        bay.confirm_cause(session, form(3, cause="gearbox:tired"))


def test_intake_is_corrected_and_read_by_the_deduction(session: Path) -> None:
    old = view(session).intake
    fields = {"vehicle": "van", "complaint": "slips", "onset": "sudden", "tyre": "205/75R15", "axle_ratio": "2,73"}
    bay.change_intake(session, form(1, **fields))
    intake = view(session).intake
    assert (intake["tyre"], intake["axle_ratio"], intake["onset"], intake["when"]) == (
        "205/75R15",
        2.73,
        "sudden",
        None,
    )
    assert old["onset"] == "gradual"  # in the earlier event, which stays
    for wrong in ({"tyre": "round"}, {"axle_ratio": "x"}, {"onset": "never"}):
        with pytest.raises(UserError):
            bay.change_intake(session, form(2, **wrong))


def test_own_words_stand_in_the_write_up_until_taken_back(session: Path) -> None:
    bay.word_part(session, form(1, part="correction", text="Band replaced & adjusted."))
    assert "Band replaced &amp; adjusted." in report_html(read_case(session))
    bay.word_part(session, form(2, part="correction", text=" "))
    assert "Band replaced" not in report_html(read_case(session))


def test_second_drive_is_compared_step_by_step(session: Path) -> None:
    after = session.with_name("after.session")
    with begin(after) as store:
        for index in (1, 2):
            say(store, index, clip=False)
        store.append("step_begun", {"step": "upshift_1_2_medium"})
        good = {"kind": "normal", "shift": "1-2", "throttle": "medium"}
        store.append("entry", {"entry": "good", "step": "upshift_1_2_medium", "heard": None, "finding": good})
    changes = {change.step: change for change in compare(read_case(session), read_case(after))}
    assert changes["1-2 upshift at medium throttle"].verdict == "gone"
    assert changes["1-2 upshift at light throttle"].verdict == "measured"
    assert changes["pulling away in D"].verdict == "good both times"
    assert changes["1-2 upshift at full throttle"].verdict == "not repeated"
    back = {change.step: change.verdict for change in compare(read_case(after), read_case(session))}
    assert back["1-2 upshift at medium throttle"] == "new"


# Pictures and words.


def test_power_flow_in_words_is_the_solvers(session: Path) -> None:
    unit = load_unit("three_speed_simpson")
    # Gear 2 with the band let go: one degree of freedom, the low one-way clutch catches, gear 1 again. Ratio 2.479
    # and 1.479: published table of a three-speed family (check values A1a, read).
    assert flow_view(unit, "D", "2").summary == "Ratio 1.48 to 1."
    fault = flow_view(unit, "D", "2", missing=frozenset({"intermediate_band"}))
    assert fault.summary == "Ratio 2.48 to 1. That is gear 1 again."
    held = {line.member: line.says for line in fault.lines}
    assert held["rear.carrier"] == "held by low one-way clutch"
    for gear in unit.gears:
        flow = power_flow(unit, unit.range_of(gear), gear)
        for line in flow_view(unit, unit.range_of(gear), gear).lines:
            assert line.speed == flow.speeds.get(line.member)


def test_shift_map_moves_the_band_for_tyre_and_axle() -> None:
    unit = load_unit("three_speed_simpson")
    specification = unit.specification
    assert specification is not None
    low, high = specification.shifts["1-2", "light"]
    finding = Finding("shift_speed", shift="1-2", throttle="light", value=round(high) + 4.0, unit="mph")
    plain = shift_map(unit, [finding], None, None)
    assert plain is not None and state_of(plain.schedule, plain.measured[0]) == "4 mph late"
    # Half the axle ratio doubles the road speed at the same output speed (mph = rpm x D / (axle x gear x 336)).
    moved = shift_map(unit, [finding], specification.tyre, specification.axle_ratio / 2)
    assert moved is not None and moved.schedule is not None
    assert moved.schedule.bands["1-2", "light"] == pytest.approx((2 * low, 2 * high))
    assert shift_map(unit, [Finding("slip", gear="2")], None, None) is None


def test_misheard_speed_does_not_squash_the_map() -> None:
    unit = load_unit("three_speed_simpson")
    misheard = Finding("shift_speed", shift="2-3", throttle="medium", value=1034.0, unit="mph")
    drawn = shift_map(unit, [misheard], None, None)
    assert drawn is not None
    svg = shift_map_picture(drawn, "map")
    assert "1034, off the scale" in svg
    ticks = [float(text) for text in re.findall(r">(\d+)</text>", svg)]
    assert max(ticks) < 200


def test_wording_and_vocabulary_cover_every_kind() -> None:
    assert sorted(kind for _, kinds in GROUPS for kind in kinds) == sorted(KINDS)
    assert sorted(FIELDS) == sorted(KINDS)
    for kind in KINDS:
        finding = Finding(kind, value=12.0 if "value" in FIELDS[kind] else None)
        assert words(finding)
    assert words(Finding("slip", range="R", present=False)) == "no slip, range R"
    assert words(Finding("shift_speed", shift="1-2", value=14.0, unit="mph")) == "1-2 shift at 14 mph"
    assert words(Finding("fluid_condition", where="milky")) == "fluid milky"


def test_neighbours_offer_the_number_that_sounds_alike() -> None:
    fourteen = Finding("shift_speed", shift="1-2", value=14.0, unit="mph")
    near = neighbours(fourteen, ("1-2", "2-3"))
    assert near[0].value == 40.0
    assert any(other.shift == "2-3" and other.value == 14.0 for other in near)
    assert neighbours(Finding("stall_speed", value=2150.0, unit="rpm"), ())[0].value == 2115.0


def test_form_reads_decimal_commas() -> None:
    assert from_form({"kind": "engagement_time", "range": "D", "value": "1,5"}).value == 1.5


# The passenger's side of the file.


def test_typed_observation_is_matched_like_a_spoken_one(session: Path) -> None:
    choices = match(session, {"text": "no slip in reverse"})["choices"]
    assert (choices[0]["finding"]["kind"], choices[0]["finding"]["present"]) == ("slip", False)
    with pytest.raises(UserError, match="No observation"):
        match(session, {"text": "what a lovely day it is"})


def test_tap_on_a_session_that_cannot_be_written_is_kept_for_later(session: Path) -> None:
    from fieldassist.pages.live import session_key

    key = session_key(read_case(session).events)
    with Store.open(session) as other, other.together():  # another program is writing
        import fieldassist.record.store as store_module

        patience, store_module.BUSY_SECONDS = store_module.BUSY_SECONDS, 0.1
        try:
            with pytest.raises(store_module.StorageError, match="in use"):
                take(session, {"id": "abcdefgh", "session": key, "do": "confirm", "entry": "e1"})
        finally:
            store_module.BUSY_SECONDS = patience
    take(session, {"id": "abcdefgh", "session": key, "do": "confirm", "entry": "e1"})


# The write-up as a file.


class Seen(HTMLParser):
    """Collects tags and everything that would be fetched."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.fetched: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        for key, value in attrs:
            if (key in ("src", "srcset", "poster", "data", "action") or (key == "href" and tag != "a")) and value:
                self.fetched.append(value)
            assert not key.startswith("on") and key != "style"


def test_report_is_one_file_without_scripts(session: Path, tmp_path: Path) -> None:
    bay.deduce_again(session)
    text = write_report(session, tmp_path / "report.html").read_text(encoding="utf-8")
    seen = Seen()
    seen.feed(text)
    assert "script" not in seen.tags and "link" not in seen.tags and "img" not in seen.tags
    assert all(target.startswith("#") for target in seen.fetched)
    assert "@import" not in text and "url(http" not in text
    for part in ("Concern", "Cause", "Correction", "Evidence", "Not tested", "Cautions", "Suspects"):
        assert part in text
    assert "flare, 1-2 shift, medium throttle, hot" in text
    assert "(was: 1-2 shift at 14 mph, light throttle)" in text
    assert text.count("<title id=") == text.count("<desc id=") == text.count('class="picture')
    ids = re.findall(r'\bid="([^"]+)"', text)
    assert len(ids) == len(set(ids))


def test_what_people_type_stays_text(session: Path, tmp_path: Path) -> None:
    with Store.open(session) as store:
        store.append(
            "intake", {"vehicle": "<script>alert(1)</script>", "complaint": '"><img src=x onerror=alert(1)>'}
        )
        store.append("note", {"step": None, "text": "</style><script>alert(1)</script>", "clip": None})
    seen = Seen()
    seen.feed(write_report(session, tmp_path / "report.html").read_text(encoding="utf-8"))
    assert "script" not in seen.tags and "img" not in seen.tags


def test_half_a_surrogate_pair_from_a_foreign_file_breaks_no_page(session: Path, tmp_path: Path) -> None:
    with Store.open(session) as store:
        store.append("note", {"step": "\ud800", "text": "worn \udfff", "clip": None})
    assert "worn ?" in write_report(session, tmp_path / "report.html").read_text(encoding="utf-8")


def test_report_of_an_unknown_unit_and_an_empty_session(tmp_path: Path) -> None:
    path = tmp_path / "x.session"
    Store.create(path, {"unit": "no_such_unit", "checklist": "none"}).close()
    text = report_html(read_case(path))
    assert "no_such_unit" in text and "No entries." in text


def test_export_command(session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = tmp_path / "report.html"
    assert main(["review", str(session), "--export", str(target)]) == 0
    assert str(target) in capsys.readouterr().out
    assert target.read_text(encoding="utf-8").startswith("<!doctype html>")
    (tmp_path / "x.session").write_bytes(b"not a session")
    for arguments in (
        [str(tmp_path / "x.session"), "--export", str(target)],
        [str(tmp_path / "none.session"), "--export", str(target)],
        [str(session), "--export", str(tmp_path / "no" / "such" / "folder.html")],
        [str(session), "--export", str(tmp_path)],
        ["--export", str(target)],
        [str(session), "--port", "70000"],
        [str(tmp_path / "none.session")],
    ):
        assert main(["review", *arguments]) == 2
        told = capsys.readouterr().err
        assert told.startswith("fieldassist: ") and told.count("\n") == 1


def test_review_command_serves_until_interrupted(session: Path) -> None:
    command = [sys.executable, "-u", "-m", "fieldassist", "review", str(session), "--port", "0"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as program:
        assert program.stdout is not None and program.stderr is not None
        lines = [program.stdout.readline() for _ in range(4)]
        url = lines[2].strip()
        assert url.startswith("http://127.0.0.1:") and "/pair?then=/session/van.session#" in url
        assert urllib.request.urlopen(url.split("#")[0], timeout=10).status == 200
        program.send_signal(signal.SIGINT)
        assert program.wait(10) == 0
        assert program.stderr.read() == ""


@pytest.mark.parametrize(
    ("paper", "points"),
    [("A4", (595.28, 841.89)), ("Letter", (612.0, 792.0))],  # ISO 216: 210 x 297 mm; ANSI A: 8.5 x 11 in
)
def test_report_prints(chromium: Any, session: Path, tmp_path: Path, paper: str, points: Any) -> None:  # noqa: F811
    bay.deduce_again(session)
    report = write_report(session, tmp_path / "report.html")
    page = chromium.new_page()
    fetched: list[str] = []
    page.on("request", lambda request: fetched.append(request.url))
    page.goto(report.as_uri())
    pdf = tmp_path / "report.pdf"
    page.pdf(path=str(pdf), format=paper, prefer_css_page_size=False, print_background=False)
    assert fetched == [report.as_uri()]
    boxes = re.findall(rb"/MediaBox\s*\[\s*0\s+0\s+([\d.]+)\s+([\d.]+)", pdf.read_bytes())
    assert boxes and all(abs(float(a) - points[0]) < 1.5 and abs(float(b) - points[1]) < 1.5 for a, b in boxes)
    if shutil.which("pdftotext") is None:
        pytest.skip("text of the PDF: apt-get install poppler-utils")
    text = subprocess.run(
        ["pdftotext", "-layout", str(pdf), "-"], capture_output=True, text=True, check=True
    ).stdout
    for part in (
        "Road test write-up",
        "Correction",
        "Applied elements",
        "Not tested",
        "no slip, range D",
        "low one-way",
    ):
        assert part in text


# The pages.


@pytest.fixture
def review(session: Path) -> Iterator[tuple[Path, str]]:
    whole_session(session.with_name("after.session"))
    session.with_name("broken.session").write_bytes(b"not a session")
    server = make_review(session.parent, 0, session.name)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    yield session, server.url
    server.stop()
    thread.join(10)


def test_review_of_a_session(chromium: Any, review: tuple[Path, str]) -> None:  # noqa: F811
    path, url = review
    page = chromium.new_context(viewport={"width": 820, "height": 1180}).new_page()
    page.set_default_timeout(10_000)
    troubles: list[str] = []
    page.on("pageerror", lambda error: troubles.append(str(error)))
    page.goto(url)
    page.wait_for_selector("#timeline")
    # The clip plays: the browser decodes what the session holds, half a second of it.
    clip = page.locator('audio[aria-label="Clip of entry 4"]')
    clip.scroll_into_view_if_needed()
    clip.evaluate("clip => { clip.preload = 'auto'; clip.load(); }")
    until(page, "document.querySelector('audio[aria-label=\"Clip of entry 4\"]').readyState >= 2")
    assert clip.evaluate("clip => clip.duration") == pytest.approx(0.5, abs=0.02)
    page.get_by_role("button", name="Confirm entry 4").click()
    page.wait_for_selector("#entry-e3.confirmed")
    page.get_by_role("link", name="Correct entry 5").click()
    page.wait_for_selector("h1:has-text('Correct entry 5')")
    assert page.locator("#p-value").input_value() == "38"
    assert not page.locator("#p-gear").is_visible()
    page.fill("#typed", "slips in second when hot")
    page.get_by_role("button", name="Look up").click()
    page.wait_for_selector("button:has-text('slip, gear 2, hot')")
    page.fill("#p-value", "48")
    page.get_by_role("button", name="Save what is picked").click()
    page.wait_for_selector("#entry-e4.corrected")
    assert "was: 1-2 shift at 38 mph" in page.locator("#entry-e4").inner_text()
    page.select_option("#g-where", "servo")
    page.select_option("#g-range", "2")
    page.fill("#g-value", "31")
    page.get_by_role("button", name="Add pressure").click()
    page.wait_for_selector("article:has-text('servo pressure 31 psi')")
    page.select_option("#flow", "R-R")
    page.get_by_role("button", name="Show").click()
    page.wait_for_selector("h3:has-text('Power flow: Gear R')")
    page.fill("#w-correction", "Band and servo renewed.")
    page.get_by_role("button", name="Save correction").click()
    page.wait_for_selector("#w-correction:has-text('Band and servo renewed.')")
    page.select_option("#c-cause", "intermediate_band:slips")
    page.get_by_role("button", name="Record cause").click()
    page.wait_for_selector("#cause :text('Confirmed: intermediate band slips')")
    page.get_by_role("link", name="Read or print").click()
    page.wait_for_selector("h1:has-text('Road test write-up')")
    assert "Band and servo renewed." in page.content()
    page.goto(url.split("/pair")[0] + "/cases")
    page.get_by_role("button", name="Take back case 1").click()
    page.wait_for_selector("td:has-text('taken back')")
    after = view(path)
    assert after.entry("e4").finding.value == 48.0 and after.entry("e3").state == "confirmed"
    assert after.cause_confirmed["cause"] == "intermediate_band:slips"
    assert troubles == []


@pytest.mark.parametrize("size", [PHONE, TABLET, LAPTOP])
def test_review_pages_fit_and_are_accessible(chromium: Any, review: Any, size: tuple[int, int]) -> None:  # noqa: F811
    path, url = review
    page = chromium.new_context(viewport={"width": size[0], "height": size[1]}).new_page()
    page.set_default_timeout(10_000)
    page.goto(url)
    page.wait_for_selector("#timeline")
    base = url.split("/pair")[0]
    names = f"before={path.name}&after=after.session"
    for place in ("/", "/cases", f"/session/{path.name}", f"/session/{path.name}/entry/e3", f"/compare?{names}",
                  f"/session/{path.name}/report", "/session/none"):  # fmt: skip
        page.goto(base + place)
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), place
        if size == TABLET:
            assert serious_findings(page) == [], place


def test_review_works_without_scripts(chromium: Any, review: tuple[Path, str]) -> None:  # noqa: F811
    path, url = review
    context = chromium.new_context()
    page = context.new_page()
    page.goto(url)
    page.wait_for_selector("#timeline")
    plain = chromium.new_context(java_script_enabled=False, storage_state=context.storage_state()).new_page()
    plain.goto(url.split("/pair")[0] + f"/session/{path.name}/entry/e3")
    plain.locator("form.choices button").first.click()
    assert view(path).entry("e3").finding.shift == "2-3"
    assert len(entries()) == len(view(path).entries)

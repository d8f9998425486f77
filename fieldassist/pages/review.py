"""The bay review: sessions; one of them with its clips, corrections, readings, pictures, write-up; comparison."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from fieldassist.deduce import cases_path, load_unit
from fieldassist.errors import UserError
from fieldassist.pages import bay
from fieldassist.pages.case import Case, read_case
from fieldassist.pages.choices import alternatives, option, vocabulary
from fieldassist.pages.compare import compare
from fieldassist.pages.live import other_readings, plain_heard
from fieldassist.pages.passenger import pair_page
from fieldassist.pages.pictures import Picture, Question, applied_table, both, pictures, tyre_and_axle
from fieldassist.pages.report import report_html
from fieldassist.pages.shift_map import shift_map, shift_map_picture
from fieldassist.pages.templating import STATIC, templates
from fieldassist.pages.typed import typed_findings
from fieldassist.pages.wording import spaced, words
from fieldassist.pages.writeup import PARTS, own_words, percent, suspect_lines, when, write_up
from fieldassist.record.projection import EntryView
from fieldassist.record.store import Store

SESSION_SUFFIX = ".session"
REPORT_POLICY = "default-src 'none'; style-src 'self' 'unsafe-inline'; frame-ancestors 'self'"


@dataclass(frozen=True)
class SessionLine:
    """One session in the list."""

    name: str
    vehicle: str
    unit: str
    date: str
    entries: int
    open_entries: int
    suspect: str
    confirmed: str
    trouble: str
    """Why it cannot be read, empty when it can."""


def session_files(folder: Path) -> dict[str, Path]:
    """Return the session files of a folder by name, newest first. Nothing outside of it can be named."""
    try:
        found = [path for path in folder.iterdir() if path.suffix == SESSION_SUFFIX and path.is_file()]
    except OSError:
        found = []
    return {path.name: path for path in sorted(found, key=lambda p: (p.stat().st_mtime, p.name), reverse=True)}


def review_app(folder: Path) -> Starlette:
    """Return the app over the sessions of one folder. It wants a `Guard` around it."""

    def path_of(request: Request) -> Path:
        path = session_files(folder).get(request.path_params["name"])
        if path is None:
            raise HTTPException(404, "no such session")
        return path

    async def index(request: Request) -> Response:
        lines = await run_in_threadpool(lambda: [session_line(path) for path in session_files(folder).values()])
        return _html(request, "sessions.html", lines=lines, folder=str(folder))

    async def session(request: Request) -> Response:
        path = path_of(request)
        return await run_in_threadpool(_session_page, request, path)

    async def entry(request: Request) -> Response:
        path = path_of(request)
        return await run_in_threadpool(_entry_page, request, path, request.path_params["entry"])

    async def typed(request: Request) -> Response:
        path = path_of(request)
        return await run_in_threadpool(_typed_page, request, path)

    async def clip(request: Request) -> Response:
        path, wanted = path_of(request), request.path_params["clip"]
        return await run_in_threadpool(_clip, path, wanted)

    async def report(request: Request) -> Response:
        path = path_of(request)
        text = await run_in_threadpool(lambda: report_html(read_case(path)))
        headers = {"Content-Security-Policy": REPORT_POLICY}
        if "save" in request.query_params:
            headers["Content-Disposition"] = f"attachment; filename*=UTF-8''{quote(path.stem)}.html"
        return HTMLResponse(text.encode("utf-8", "replace"), headers=headers)

    def posting(work: Callable[[Path, Mapping[str, str]], None], anchor: str) -> Callable[[Request], object]:
        async def handle(request: Request) -> Response:
            path = path_of(request)
            form = {key: value for key, value in (await request.form()).items() if isinstance(value, str)}
            try:
                await run_in_threadpool(work, path, form)
            except UserError as error:
                return _html(request, "refused.html", 400, message=str(error), back=f"/session/{quote(path.name)}")
            return RedirectResponse(f"/session/{quote(path.name)}#{anchor}", 303)

        return handle

    async def comparison(request: Request) -> Response:
        files = session_files(folder)
        before = files.get(request.query_params.get("before", ""))
        after = files.get(request.query_params.get("after", ""))
        if before is None or after is None:
            raise HTTPException(404, "no such session")
        return await run_in_threadpool(_compare_page, request, before, after)

    async def cases(request: Request) -> Response:
        return await run_in_threadpool(_cases_page, request)

    async def take_back(request: Request) -> Response:
        await run_in_threadpool(bay.take_back_case, request.path_params["number"])
        return RedirectResponse("/cases", 303)

    name = "/session/{name}"
    return Starlette(
        routes=[
            Route("/", index),
            Route(name, session),
            Route(name + "/entry/{entry}", entry),
            Route(name + "/typed", typed),
            Route(name + "/clip/{clip}", clip),
            Route(name + "/report", report),
            Route(name + "/change", posting(bay.change_entry, "timeline"), methods=["POST"]),
            Route(name + "/add", posting(bay.add_entry, "timeline"), methods=["POST"]),
            Route(name + "/intake", posting(bay.change_intake, "suspects"), methods=["POST"]),
            Route(name + "/note", posting(bay.add_note, "timeline"), methods=["POST"]),
            Route(name + "/write-up", posting(bay.word_part, "write-up"), methods=["POST"]),
            Route(name + "/cause", posting(bay.confirm_cause, "cause"), methods=["POST"]),
            Route("/compare", comparison),
            Route("/cases", cases),
            Route("/cases/{number:int}/take-back", take_back, methods=["POST"]),
            Route("/pair", pair_page),
            Mount("/static", StaticFiles(directory=STATIC)),
        ],
        exception_handlers={UserError: _cannot, HTTPException: _missing},
    )


def session_line(path: Path) -> SessionLine:
    """Return a session as a line of the list; one that cannot be read says why."""
    try:
        case = read_case(path)
    except UserError as error:
        return SessionLine(path.name, "", "", "", 0, 0, "", "", str(error))
    view = case.view
    suspects = suspect_lines(view.deduced, most=1)
    return SessionLine(
        name=path.name,
        vehicle=str(view.intake.get("vehicle") or "vehicle not recorded"),
        unit=case.unit_title,
        date=when(view.started_at),
        entries=len(view.entries),
        open_entries=sum(entry.state == "open" for entry in view.entries),
        suspect=f"{suspects[0].name} ({suspects[0].percent})" if suspects else "",
        confirmed=_cause_words(case),
        trouble="",
    )


@dataclass(frozen=True)
class TimelineEntry:
    """One entry with what the timeline shows of it."""

    entry: EntryView
    number: int
    words: str
    heard: str
    state: str
    changes: tuple[str, ...]
    """What became of it, oldest first, with the old values."""


@dataclass(frozen=True)
class TimelineStep:
    """One step with its entries."""

    title: str
    how: str
    entries: tuple[TimelineEntry, ...]
    notes: tuple[tuple[str, str | None], ...]
    """(text, clip)"""


def timeline(case: Case) -> tuple[TimelineStep, ...]:
    """Return the steps in the order in which they were worked on, with their entries."""
    order: list[str | None] = []
    for event in case.events:
        step = event.data.get("step")
        if event.kind in ("step_begun", "step_done", "entry", "note") and (step is None or isinstance(step, str)):
            order.append(step)
    numbers = {entry.id: number for number, entry in enumerate(case.view.entries, 1)}
    out = []
    for step in dict.fromkeys(order):
        entries = tuple(_timeline_entry(e, numbers[e.id]) for e in case.view.entries if e.step == step)
        notes = tuple((note.text, note.clip) for note in case.view.notes if note.step == step)
        how = ""
        if step is not None and step in case.view.steps_skipped:
            how = "skipped"
        elif step is not None and step not in case.view.steps_done:
            how = "not finished"
        if entries or notes or how:
            title = case.step_names.get(step, spaced(step)) if step is not None else "At no step"
            out.append(TimelineStep(title, how, entries, notes))
    return tuple(out)


def _timeline_entry(entry: EntryView, number: int) -> TimelineEntry:
    changes = []
    for earlier, change in zip(entry.history, entry.history[1:], strict=False):
        what = change.kind.removeprefix("entry_")
        text = f"{what} by {change.by}, {when(change.at)}"
        if change.finding != earlier.finding:
            text += f"; was: {words(earlier.finding)}"
        changes.append(text)
    state = "Open" if entry.state == "open" else f"{entry.state.capitalize()} by {entry.by}"
    return TimelineEntry(entry, number, words(entry.finding), plain_heard(entry.heard_text), state, tuple(changes))


def _session_page(request: Request, path: Path) -> Response:
    case = read_case(path)
    unit = case.unit
    ask = _question(request, case)
    heads, rows = applied_table(case)
    worded = own_words(case.events)
    written = write_up(case.events, case.unit_title, case.step_names, case.planned)
    others = [line for line in map(session_line, session_files(path.parent).values()) if line.name != path.name]
    others.sort(key=lambda line: line.vehicle != written.vehicle)  # drives of the same vehicle first
    return _html(
        request,
        "session.html",
        name=path.name,
        w=written,
        steps=timeline(case),
        clips=_clips(path),
        pictures=pictures(case, ask),
        asked=ask,
        gears=[(range, gear) for range, gears in unit.ranges.items() for gear in gears if gear != "N"]
        if unit
        else [],
        chart_heads=heads,
        chart_rows=rows,
        percent=percent,
        parts=[(part, getattr(written, part), part in worded) for part in PARTS],
        causes=bay.cause_names(unit) if unit is not None else [],
        confirmed=_cause_words(case),
        taps=list(unit.taps.values()) if unit is not None else [],
        vocabulary=_vocabulary(case),
        others=[line for line in others if not line.trouble],
        finished=case.view.finished,
        intake=[(key, label, _intake_text(case, key)) for key, label in bay.INTAKE_FIELDS],
    )


def _intake_text(case: Case, key: str) -> str:
    value = case.view.intake.get(key, case.view.started.get(key))
    if isinstance(value, list):
        return ", ".join(map(str, value))
    return f"{value:g}" if isinstance(value, float) else "" if value is None else str(value)


def _entry_page(request: Request, path: Path, entry_id: str) -> Response:
    case = read_case(path)
    entry = case.view.entry(entry_id)
    if entry is None:
        raise HTTPException(404, "no such entry")
    number = case.view.entries.index(entry) + 1
    found, complaint = _typed(case, request, entry.step)
    return _html(
        request,
        "entry.html",
        name=path.name,
        line=_timeline_entry(entry, number),
        step=case.step_names.get(entry.step or "", spaced(entry.step or "at no step")),
        clips=_clips(path),
        typed=request.query_params.get("typed", ""),
        found=found,
        complaint=complaint,
        near=alternatives(entry.finding, other_readings(case.events).get(entry.id), case.shifts),
        vocabulary=_vocabulary(case),
        finding=entry.finding.to_json(),
    )


def _typed_page(request: Request, path: Path) -> Response:
    case = read_case(path)
    found, complaint = _typed(case, request, None)
    return _html(request, "typed.html", name=path.name, typed=request.query_params.get("typed", ""), found=found,
                 complaint=complaint)  # fmt: skip


def _typed(case: Case, request: Request, step: str | None) -> tuple[list[dict[str, object]], str]:
    """What was typed, as things to pick, or why there is nothing to pick."""
    text = request.query_params.get("typed", "")
    if not text:
        return [], ""
    try:
        return [option(finding) for finding in typed_findings(case, text, step)], ""
    except UserError as error:
        return [], str(error)


def _compare_page(request: Request, before_path: Path, after_path: Path) -> Response:
    before, after = read_case(before_path), read_case(after_path)
    drawn: list[Picture] = []
    if after.unit is not None:
        tyre, axle = tyre_and_axle(after)
        found = shift_map(after.unit, after.view.findings(), tyre, axle, earlier=before.view.findings())
        if found is not None:
            svg = both(lambda *at: shift_map_picture(found, *at), "shift-map-both")
            drawn.append(Picture("shift-map-both", "Shift speeds, before and after", svg, found.note))
    return _html(
        request,
        "compare.html",
        before=session_line(before_path),
        after=session_line(after_path),
        changes=compare(before, after),
        suspects=[suspect_lines(case.view.deduced, most=4) for case in (before, after)],
        pictures=drawn,
        same_unit=before.view.unit == after.view.unit,
    )


def _cases_page(request: Request) -> Response:
    names: dict[str, dict[str, str]] = {}
    for case in (found := bay.shop_cases()):
        if case.unit not in names:
            try:
                names[case.unit] = dict(bay.cause_names(load_unit(case.unit)))
            except UserError:
                names[case.unit] = {}
    lines = [(case, "; ".join(names[case.unit].get(cause, cause) for cause in case.causes)) for case in found]
    return _html(request, "cases.html", lines=lines, when=when, place=str(cases_path()))


def _question(request: Request, case: Case) -> Question | None:
    """The gear whose power flow was asked for, None for the one in question."""
    range, _, gear = request.query_params.get("flow", "").partition("-")
    if case.unit is None or gear not in case.unit.ranges.get(range, ()) or gear == "N":
        return None
    missing = request.query_params.get("without", "")
    return Question(range, gear, frozenset({missing} & set(case.unit.applied(range, gear))))


def _clips(path: Path) -> frozenset[str]:
    with Store.open(path, readonly=True) as store:
        return frozenset(store.clip_ids())


def _clip(path: Path, clip_id: str) -> Response:
    try:
        with Store.open(path, readonly=True) as store:
            return Response(store.clip(clip_id), media_type="audio/flac")
    except UserError:
        raise HTTPException(404, "no such clip") from None


def _vocabulary(case: Case) -> dict[str, object]:
    unit = case.unit
    return vocabulary(case.shifts, unit.gears if unit else (), tuple(unit.taps) if unit else ())


def _cause_words(case: Case) -> str:
    cause = str((case.view.cause_confirmed or {}).get("cause") or "")
    if not cause:
        return ""
    names = dict(bay.cause_names(case.unit)) if case.unit is not None else {}
    return names.get(cause, spaced(cause.replace(":", " ")))


def _html(request: Request, template: str, status: int = 200, **values: object) -> Response:
    text = (
        templates()
        .get_template(template)
        .render(form_token=getattr(request.state, "form_token", ""), tap=lambda: secrets.token_hex(10), **values)
    )
    # A file from elsewhere may hold half a surrogate pair, which UTF-8 cannot.
    return HTMLResponse(text.encode("utf-8", "replace"), status)


async def _cannot(request: Request, error: Exception) -> Response:
    return _html(request, "refused.html", 400, message=str(error), back="/")


async def _missing(request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 404
    return _html(request, "refused.html", status, message="There is no such page.", back="/")

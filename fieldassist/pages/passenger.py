"""The passenger's page: what was heard, to be confirmed, corrected or struck, while the drive goes on."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from fieldassist.errors import UserError
from fieldassist.finding import Finding
from fieldassist.pages.case import read_case
from fieldassist.pages.choices import option, vocabulary
from fieldassist.pages.feed import Feed
from fieldassist.pages.guard import read_object
from fieldassist.pages.live import session_key
from fieldassist.pages.templating import STATIC, templates
from fieldassist.pages.typed import typed_findings
from fieldassist.record.projection import project
from fieldassist.record.store import StorageError, Store

PASSENGER = "passenger"
_ID = re.compile(r"[A-Za-z0-9-]{8,64}")
_CHANGES = {"confirm": "entry_confirmed", "correct": "entry_corrected", "strike": "entry_struck",
            "restore": "entry_restored"}  # fmt: skip


def passenger_app(path: Path) -> Starlette:
    """Return the app for one session file; it knows no other. It wants a `Guard` around it."""
    feed = Feed(path)

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        async with feed.running():
            yield

    async def page(request: Request) -> Response:
        text = templates().get_template("passenger.html").render(form_token=request.state.form_token)
        return HTMLResponse(text)

    async def live(request: Request) -> Response:
        if request.method == "HEAD":
            return Response(media_type="text/event-stream")
        return StreamingResponse(feed.stream(), media_type="text/event-stream")

    async def words_to_pick(request: Request) -> Response:
        case = await run_in_threadpool(read_case, path)
        unit = case.unit
        return JSONResponse(vocabulary(case.shifts, unit.gears if unit else (), tuple(unit.taps) if unit else ()))

    async def act(request: Request) -> Response:
        return await _answer(request, lambda data: take(path, data))

    async def look_up(request: Request) -> Response:
        return await _answer(request, lambda data: match(path, data))

    app = Starlette(
        routes=[
            Route("/", page),
            Route("/live", live),
            Route("/vocabulary", words_to_pick),
            Route("/act", act, methods=["POST"]),
            Route("/match", look_up, methods=["POST"]),
            Route("/pair", pair_page),
            Mount("/static", StaticFiles(directory=STATIC)),
        ],
        lifespan=lifespan,
    )
    app.state.feed = feed
    return app


async def pair_page(request: Request) -> Response:
    """The door: where the pairing code is typed in."""
    return HTMLResponse(templates().get_template("pair.html").render())


def take(path: Path, data: dict[str, Any]) -> dict[str, Any]:
    """Write what a passenger did and return `{"seq"}`. Doing the same again (same id) changes nothing.

    `data`: `id` (made by the page), `session`, `do` (confirm, correct, strike, restore, add, dismiss), and what
    that needs. Raises UserError for what makes no sense, StorageError when it should be tried again.
    """
    tap = data.get("id")
    if not isinstance(tap, str) or not _ID.fullmatch(tap):
        raise UserError("id: expected 8 to 64 letters, digits or dashes")
    with Store.open(path) as store:
        events = store.events()
        if data.get("session") != session_key(events):
            raise UserError("this was meant for another session")
        event_id = f"page-{tap}"
        done = next((event for event in events if event.id == event_id), None)
        if done is not None:
            return {"seq": done.seq}
        do = data.get("do")
        if isinstance(do, str) and do in _CHANGES:
            entry = data.get("entry")
            if not isinstance(entry, str) or project(events).entry(entry) is None:
                raise UserError("there is no such entry")
            change: dict[str, Any] = {"entry": entry, "by": PASSENGER}
            if do == "correct":
                change["finding"] = Finding.from_json(data.get("finding")).to_json()
            return {"seq": store.append(_CHANGES[do], change, id=event_id).seq}
        heard = data.get("heard_id")
        if heard is not None and not any(event.id == heard and event.kind == "heard" for event in events):
            raise UserError("there is no such utterance")
        if do == "dismiss" and heard is not None:
            return {"seq": store.append("heard_dismissed", {"heard": heard, "by": PASSENGER}, id=event_id).seq}
        if do != "add":
            raise UserError(f"do: expected {', '.join(_CHANGES)}, add or dismiss")
        step = data.get("step")
        finding = Finding.from_json(data.get("finding"))
        with store.together():
            first = store.append(
                "entry",
                {"entry": event_id, "step": step if isinstance(step, str) and len(step) <= 100 else None,
                 "heard": heard, "finding": finding.to_json(), "score": None, "by": PASSENGER},
                id=event_id,
            )  # fmt: skip
            store.append("entry_confirmed", {"entry": event_id, "by": PASSENGER}, id=f"{event_id}-sure")
        return {"seq": first.seq}


def match(path: Path, data: dict[str, Any]) -> dict[str, Any]:
    """Match a typed observation like a spoken one; return `{"choices": [{"words", "finding"}]}`, best first.

    `data`: `text`, and `step` where it was made. Raises UserError when it says nothing that the tool knows.
    """
    found = typed_findings(read_case(path), data.get("text"), data.get("step"))
    return {"choices": [option(finding) for finding in found]}


async def _answer(request: Request, work: Any) -> Response:
    data = read_object(await request.body())
    if data is None:
        return JSONResponse({"message": "expected a JSON object"}, 400)
    try:
        return JSONResponse(await run_in_threadpool(work, data))
    except StorageError as error:
        return JSONResponse({"message": str(error)}, 503)
    except UserError as error:
        return JSONResponse({"message": str(error)}, 400)

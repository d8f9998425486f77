"""Follows a session file while it grows and hands each new state to every open page."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

from fieldassist.errors import UserError
from fieldassist.pages.case import Case, Plan, plan_of
from fieldassist.pages.live import live_state
from fieldassist.record.event import Event
from fieldassist.record.projection import SessionView, follow
from fieldassist.record.store import Store

POLL = 0.05
"""Seconds between two looks at the file while a page is open; without one nobody looks."""
BEAT = 4.0
"""Seconds between signs of life, by which a page tells silence from a lost connection."""


class Feed:
    """The state of one session file, shared by all pages that are open. Lives in one event loop."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._events: tuple[Event, ...] = ()
        self._view = SessionView()
        self._plan: Plan | None = None
        self._text = ""
        self._seq = -1
        self._pages = 0
        self._closed = False
        self._changed = asyncio.Condition()
        self._wanted = asyncio.Event()
        self._task: asyncio.Task[None] | None = None
        self._loop: asyncio.AbstractEventLoop | None = None

    @contextlib.asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        """Follow the file until the block ends; then every waiting page is let go."""
        self._loop = asyncio.get_running_loop()
        self._task = asyncio.create_task(self._follow())
        try:
            yield
        finally:
            await self.close()

    def let_go(self) -> None:
        """End every stream, from any thread; a server that is to stop need not wait for its pages then."""
        loop = self._loop
        if loop is not None and not loop.is_closed():
            loop.call_soon_threadsafe(lambda: loop.create_task(self._release()))

    async def _release(self) -> None:
        self._closed = True
        async with self._changed:
            self._changed.notify_all()

    async def close(self) -> None:
        """Stop following and end every stream."""
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task
            self._task = None
        await self._release()

    async def stream(self) -> AsyncIterator[str]:
        """Yield server-sent events: `state` whenever it changes (first at once), `beat` in between."""
        seen = -1
        self._pages += 1
        self._wanted.set()
        try:
            while not self._closed:
                if self._seq > seen:
                    seen = self._seq
                    yield f"id: {seen}\nevent: state\ndata: {self._text}\n\n"
                    continue
                async with self._changed:
                    if self._seq > seen or self._closed:
                        continue
                    try:
                        await asyncio.wait_for(self._changed.wait(), BEAT)
                    except TimeoutError:
                        beat = True
                    else:
                        beat = False
                if beat:
                    yield "event: beat\ndata: {}\n\n"
        finally:
            self._pages -= 1
            if self._pages == 0:
                self._wanted.clear()

    async def _follow(self) -> None:
        store = None
        try:
            while True:
                await self._wanted.wait()
                try:
                    if store is None:
                        store = Store.open(self._path, readonly=True)
                    fresh = store.events(after=self._events[-1].seq or 0 if self._events else 0)
                except UserError:
                    # The file may be on a stick that was pulled; the page stays up and tries again.
                    fresh = ()
                    if store is not None:
                        store.close()
                        store = None
                if fresh:
                    await self._take(fresh)
                await asyncio.sleep(POLL)
        finally:
            if store is not None:
                store.close()

    async def _take(self, fresh: tuple[Event, ...]) -> None:
        self._events += fresh
        for event in fresh:
            self._view = follow(self._view, event)
        if self._plan is None or any(event.kind == "started" for event in fresh):
            self._plan = plan_of(self._view)
        state: dict[str, Any] = live_state(Case(self._path, self._events, self._view, self._plan))
        async with self._changed:
            self._text = json.dumps(state, separators=(",", ":"))
            self._seq = state["seq"]
            self._changed.notify_all()

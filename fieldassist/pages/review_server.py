"""Runs the bay review on this machine, in the foreground."""

from __future__ import annotations

import secrets
import socket
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

import uvicorn

from fieldassist.pages.guard import Door
from fieldassist.pages.review import review_app
from fieldassist.pages.server import listen, make_server

REVIEW_PORT = 8472
"""Tried first; any free port otherwise."""


@dataclass
class ReviewServer:
    """The bay review, ready to run."""

    url: str
    """Address to open; it carries its own key after the `#`."""
    _server: uvicorn.Server
    _listening: socket.socket

    def run(self) -> None:
        """Serve until interrupted."""
        self._server.run([self._listening])

    def stop(self) -> None:
        """End `run`, which another thread is in."""
        self._server.should_exit = True


def make_review(folder: str | Path, port: int | None = None, session: str | None = None) -> ReviewServer:
    """Return the bay review over the sessions of a folder, on 127.0.0.1, opening at `session` (a file name).

    With `port` that one or none. Raises UserError when no port can be had.
    """
    key = secrets.token_urlsafe(24)
    listening = listen("127.0.0.1", REVIEW_PORT if port is None else port, exactly=port is not None)
    port = listening.getsockname()[1]
    server = make_server(review_app(Path(folder)), Door(key), f"fieldassist_{port}")
    then = f"?then={quote(f'/session/{quote(session)}')}" if session is not None else ""
    return ReviewServer(f"http://127.0.0.1:{port}/pair{then}#{key}", server, listening)

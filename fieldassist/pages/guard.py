"""What stands between the network and a page: who may ask, from where, and how much at once."""

from __future__ import annotations

import hmac
import json
import secrets
import threading
import time
from collections.abc import Callable
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs

from starlette.datastructures import Headers
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

MAX_BODY = 64 * 1024
"""Bytes. The largest honest body is a long remark; everything above is refused with 413."""
MAX_TARGET = 2048
"""Bytes of path and query together."""
MAX_BROWSERS = 16
"""Browsers let in during one run of the server."""
FREE_TRIES = 5
"""Wrong pairing codes before the pause begins; each further wrong code doubles it."""
FIRST_PAUSE = 30.0
"""Seconds. With doubling, a whole working day leaves room for some fifteen guesses at a million codes."""
OPEN_PATHS = ("/pair", "/static/")
"""Reachable without having been let in: the door itself and its style sheet."""
SAFE_METHODS = ("GET", "HEAD")
CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; media-src 'self'; "
    "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
"""Nothing inline, nothing from elsewhere."""


class Door:
    """Lets a browser in against the pairing code and remembers it by a random session token.

    Safe to use from several threads.
    """

    def __init__(self, code: str, clock: Callable[[], float] = time.monotonic) -> None:
        self._code = code
        self._clock = clock
        self._secret = secrets.token_bytes(32)
        self._tokens: list[str] = []
        self._wrong = 0
        self._shut_until = 0.0
        self._lock = threading.Lock()

    def try_code(self, code: str) -> tuple[str | None, float]:
        """Return (session token, 0) for the right code, else (None, seconds until another try counts).

        While the pause lasts the right code is refused as well, so that guessing learns nothing.
        """
        with self._lock:
            now = self._clock()
            if now < self._shut_until:
                return None, self._shut_until - now
            plain = "".join(code.split())
            if not hmac.compare_digest(plain.encode(), self._code.encode()):
                self._wrong += 1
                pause = FIRST_PAUSE * 2 ** (self._wrong - FREE_TRIES) if self._wrong >= FREE_TRIES else 0.0
                self._shut_until = now + pause
                return None, pause
            token = secrets.token_urlsafe(32)
            self._tokens = [*self._tokens, token][-MAX_BROWSERS:]
            return token, 0.0

    def knows(self, token: str) -> bool:
        """True for a token that this run of the server has given out."""
        with self._lock:
            return any(hmac.compare_digest(token.encode(), known.encode()) for known in self._tokens)

    def form_token(self, token: str) -> str:
        """Return the CSRF token that belongs to a session token."""
        return hmac.new(self._secret, token.encode(), "sha256").hexdigest()


class Guard:
    """ASGI layer around an app: host, size, session, origin and form token are checked before any route.

    A request that passes has `scope["state"]["form_token"]` for the page's forms and scripts.
    """

    def __init__(self, app: ASGIApp, door: Door, cookie: str) -> None:
        self._app = app
        self._door = door
        self._cookie = cookie

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        send = _with_headers(send)
        path: str = scope["path"]
        refusal = self._refuse_early(scope, headers)
        if refusal is None and scope["method"] not in SAFE_METHODS:
            body = await _read_body(receive)
            if body is None:
                refusal = PlainTextResponse(f"too large: {MAX_BODY} bytes at most", 413)
            else:
                receive = _replay(body, receive)
        else:
            body = b""
        if refusal is not None:
            await refusal(scope, receive, send)
            return
        if path == "/pair" and scope["method"] == "POST":
            await self._pair(headers, body or b"")(scope, receive, send)
            return
        token = _cookie(headers, self._cookie)
        if token is not None and self._door.knows(token):
            form_token = self._door.form_token(token)
            scope.setdefault("state", {})["form_token"] = form_token
            if scope["method"] not in SAFE_METHODS and not _carries(headers, body or b"", form_token):
                await PlainTextResponse("form token wrong: load the page again", 403)(scope, receive, send)
                return
        elif path == "/" and scope["method"] in SAFE_METHODS:
            await RedirectResponse("/pair", 303)(scope, receive, send)
            return
        elif not path.startswith(OPEN_PATHS):
            await PlainTextResponse("not paired: open the address that the terminal shows", 401)(
                scope, receive, send
            )
            return
        await self._app(scope, receive, send)

    def _refuse_early(self, scope: Scope, headers: Headers) -> Response | None:
        """Checks that need no body. The Host must be this very address: a name that a hostile page has
        pointed at us (DNS rebinding) is refused."""
        server = scope.get("server") or ("", 0)
        names = {f"{server[0]}:{server[1]}", f"localhost:{server[1]}"}
        host = headers.get("host", "")
        if host not in names:
            return PlainTextResponse("unknown host", 421)
        if scope["method"] not in (*SAFE_METHODS, "POST"):
            return PlainTextResponse("method not allowed", 405)
        if len(scope.get("raw_path") or b"") + len(scope.get("query_string") or b"") > MAX_TARGET:
            return PlainTextResponse("address too long", 414)
        site = headers.get("sec-fetch-site", "same-origin")
        if scope["method"] == "POST":
            if headers.get("origin") != f"http://{host}" or site != "same-origin":
                return PlainTextResponse("wrong origin", 403)
            length = headers.get("content-length", "0")
            if not length.isascii() or not length.isdigit() or int(length[:20]) > MAX_BODY:
                return PlainTextResponse(f"too large: {MAX_BODY} bytes at most", 413)
        elif site == "cross-site" and scope["path"] not in ("/", "/pair"):
            return PlainTextResponse("wrong origin", 403)
        return None

    def _pair(self, headers: Headers, body: bytes) -> Response:
        data = read_object(body)
        code = data.get("code") if data is not None else None
        if not isinstance(code, str) or len(code) > 200:
            return JSONResponse({"message": "expected a code"}, 400)
        token, pause = self._door.try_code(code)
        if token is None:
            text = "That code is not right."
            if pause:
                text += f" Next try in {pause:.0f} seconds."
            return JSONResponse({"message": text, "pause": round(pause)}, 429 if pause else 403)
        response = JSONResponse({"message": "paired"})
        response.set_cookie(self._cookie, token, httponly=True, samesite="strict", path="/")
        return response


def read_object(body: bytes) -> dict[str, Any] | None:
    """Return the JSON object of a body; None when it is none, or holds text that no file or page can hold."""
    try:
        data = json.loads(body)
        json.dumps(data, ensure_ascii=False).encode()  # half a surrogate pair is JSON, but not text
    except (ValueError, RecursionError):
        return None
    return data if isinstance(data, dict) else None


def _with_headers(send: Send) -> Send:
    async def wrapped(message: Message) -> None:
        if message["type"] == "http.response.start":
            names = {name for name, _ in message["headers"]}
            extra = [
                (b"content-security-policy", CONTENT_POLICY.encode()),
                (b"x-content-type-options", b"nosniff"),
                (b"referrer-policy", b"same-origin"),  # with no-referrer a form would send the origin "null"
                (b"cross-origin-opener-policy", b"same-origin"),
                (b"cross-origin-resource-policy", b"same-origin"),
                (b"cache-control", b"no-store"),
            ]
            message["headers"] = [*message["headers"], *((n, v) for n, v in extra if n not in names)]
        await send(message)

    return wrapped


async def _read_body(receive: Receive) -> bytes | None:
    """Return the body, or None when it grows past MAX_BODY (a length header can lie or be missing)."""
    parts: list[bytes] = []
    size = 0
    while True:
        message = await receive()
        if message["type"] != "http.request":
            return b""
        parts.append(message.get("body", b""))
        size += len(parts[-1])
        if size > MAX_BODY:
            return None
        if not message.get("more_body", False):
            return b"".join(parts)


def _replay(body: bytes, receive: Receive) -> Receive:
    waiting = [body]

    async def again() -> Message:
        if waiting:
            return {"type": "http.request", "body": waiting.pop(), "more_body": False}
        return await receive()

    return again


def _cookie(headers: Headers, name: str) -> str | None:
    jar: SimpleCookie = SimpleCookie()
    try:
        jar.load(headers.get("cookie", ""))
    except CookieError:
        return None
    return jar[name].value if name in jar else None


def _carries(headers: Headers, body: bytes, form_token: str) -> bool:
    """True when the script header or the hidden form field holds the form token."""
    given = headers.get("x-form-token")
    if given is None and headers.get("content-type", "").startswith("application/x-www-form-urlencoded"):
        try:
            given = parse_qs(body.decode("utf-8"), max_num_fields=200).get("form_token", [""])[0]
        except ValueError:
            given = None
    return given is not None and hmac.compare_digest(given.encode(), form_token.encode())

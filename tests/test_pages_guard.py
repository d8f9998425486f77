"""Who may ask for a page: pairing, session, origin, form token, size, paths; over a real socket."""

from __future__ import annotations

import asyncio
import http.client
import json
import os
import socket
import sys
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlsplit

import httpx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pages_support import begin, say, whole_session

from fieldassist.errors import UserError
from fieldassist.pages.guard import CONTENT_POLICY, FIRST_PAUSE, FREE_TRIES, MAX_BODY, Door, Guard
from fieldassist.pages.live import session_key
from fieldassist.pages.passenger import passenger_app
from fieldassist.pages.review import review_app
from fieldassist.pages.review_server import make_review
from fieldassist.pages.server import PassengerServer, _interface_addresses, lan_address, start_passenger
from fieldassist.record.projection import project
from fieldassist.record.store import Store


class Caller:
    """A browser's side of the protocol, bent as a test wants it."""

    def __init__(self, url: str) -> None:
        parts = urlsplit(url)
        self.base = f"http://{parts.netloc}"
        self.key = parts.fragment
        self.client = httpx.Client(base_url=self.base, headers={"Origin": self.base}, timeout=10)
        self.token = ""

    def join(self, code: str | None = None) -> httpx.Response:
        response = self.client.post("/pair", json={"code": self.key if code is None else code})
        if response.status_code == 200:
            page = self.client.get("/").text
            self.token = page.split('name="form-token" content="')[1].split('"')[0] if "form-token" in page else ""
        return response

    def act(self, data: Any, **headers: str) -> httpx.Response:
        return self.client.post("/act", json=data, headers={"X-Form-Token": self.token, **headers})


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, PassengerServer]]:
    path = tmp_path_factory.mktemp("drive") / "van.session"
    whole_session(path)
    whole_session(path.with_name("other.session"))
    server = start_passenger(path)
    yield path, server
    server.stop()


@pytest.fixture
def caller(served: tuple[Path, PassengerServer]) -> Caller:
    caller = Caller(served[1].url)
    assert caller.join().status_code == 200
    return caller


_BESIDE = ThreadPoolExecutor(1)
NIGHTLY = 250 if os.environ.get("FIELDASSIST_NIGHTLY") == "1" else 1
"""Times as many inputs when the environment variable is set (62,500 in all)."""


def tap(path: Path, **more: Any) -> dict[str, Any]:
    with Store.open(path, readonly=True) as store:
        key = session_key(store.events())
    return {"id": "abcdef012345", "session": key, "do": "confirm", "entry": "e1", **more}


def history(path: Path, entry: str) -> int:
    with Store.open(path, readonly=True) as store:
        found = project(store.events()).entry(entry)
    assert found is not None
    return len(found.history)


def test_binds_this_machine_alone_without_lan(served: tuple[Path, PassengerServer]) -> None:
    assert served[1].url.startswith("http://127.0.0.1:")
    assert served[1].code is None


def test_nothing_but_the_door_without_a_session(served: tuple[Path, PassengerServer]) -> None:
    stranger = Caller(served[1].url)
    assert stranger.client.get("/").status_code == 303
    for path in ("/live", "/vocabulary", "/act", "/match", "/nothing"):
        assert stranger.client.get(path).status_code == 401
    assert stranger.act(tap(served[0])).status_code == 401
    assert stranger.client.get("/pair").status_code == 200


def test_wrong_session_token(served: tuple[Path, PassengerServer], caller: Caller) -> None:
    name = next(iter(caller.client.cookies))
    assert caller.client.get("/vocabulary").status_code == 200
    for wrong in ("", "x", "ä", caller.client.cookies[name][:-1], caller.client.cookies[name] + "A"):
        answer = httpx.get(f"{caller.base}/vocabulary", headers={"Cookie": f"{name}={wrong}".encode()})
        assert answer.status_code == 401


def test_cookie_is_out_of_reach_of_scripts_and_of_other_sites(served: tuple[Path, PassengerServer]) -> None:
    cookie = Caller(served[1].url).join().headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie


def test_wrong_origin(served: tuple[Path, PassengerServer], caller: Caller) -> None:
    before = history(served[0], "e1")
    for origin in ("http://example.com", "null", "", "https" + caller.base[4:], "http://localhost:1"):
        assert caller.act(tap(served[0]), Origin=origin).status_code == 403
    assert caller.act(tap(served[0]), **{"Sec-Fetch-Site": "cross-site"}).status_code == 403
    assert caller.client.get("/vocabulary", headers={"Sec-Fetch-Site": "cross-site"}).status_code == 403
    assert history(served[0], "e1") == before


def test_form_token_is_needed(served: tuple[Path, PassengerServer], caller: Caller) -> None:
    before = history(served[0], "e1")
    other = Caller(served[1].url)
    other.join()
    for token in ("", "0" * 64, other.token, caller.token[:-1]):
        assert caller.act(tap(served[0]), **{"X-Form-Token": token}).status_code == 403
    assert history(served[0], "e1") == before
    assert caller.act(tap(served[0])).status_code == 200


def test_host_of_another_name_is_refused(caller: Caller) -> None:
    # A hostile page that points its own name at 127.0.0.1 (DNS rebinding) still sends its own name.
    for host in ("evil.example", "127.0.0.1", "evil.example:80", ""):
        assert caller.client.get("/", headers={"Host": host}).status_code in (400, 421)


def test_oversized_bodies(served: tuple[Path, PassengerServer], caller: Caller) -> None:
    big = {"text": "x" * (MAX_BODY + 1)}
    assert caller.act(big).status_code == 413

    def chunks() -> Iterator[bytes]:  # without a length header
        for _ in range(2 * MAX_BODY // 4096):
            yield b"x" * 4096

    answer = caller.client.post("/act", content=chunks(), headers={"X-Form-Token": caller.token})
    assert answer.status_code == 413
    assert caller.client.get("/" + "a" * 3000).status_code == 414
    # A length that is a lie, and one that is not a number.
    for length in ("99999999999999999999", "-1", "1e3"):
        connection = http.client.HTTPConnection(urlsplit(caller.base).netloc, timeout=10)
        connection.putrequest("POST", "/act")
        connection.putheader("Origin", caller.base)
        connection.putheader("Content-Length", length)
        connection.endheaders()
        assert connection.getresponse().status in (400, 413)
        connection.close()


def test_paths_lead_nowhere_else(served: tuple[Path, PassengerServer], caller: Caller) -> None:
    tricks = [
        "/static/../passenger.py", "/static/%2e%2e/passenger.py", "/static/..%2fpassenger.py",
        "/static//etc/passwd", "/static/%2fetc%2fpasswd", "/static/..%5cpassenger.py", "/other.session",
        "/session/other.session",
        "/session/other.session/clip/x", "/live/../../other.session", "/%00", "/static/%00", "/static/.",
    ]  # fmt: skip
    for path in tricks:
        connection = http.client.HTTPConnection(urlsplit(caller.base).netloc, timeout=10)
        cookie = "; ".join(f"{k}={v}" for k, v in caller.client.cookies.items())
        connection.request("GET", path, headers={"Cookie": cookie})
        answer = connection.getresponse()
        body = answer.read()
        assert answer.status in (400, 401, 404, 405), path
        assert b"import" not in body and b"root:" not in body
        connection.close()


def test_tap_meant_for_another_session_is_refused(served: tuple[Path, PassengerServer], caller: Caller) -> None:
    other = tap(served[0].with_name("other.session"))
    answer = caller.act(other)
    assert answer.status_code == 400
    assert "another session" in answer.json()["message"]


def test_every_answer_carries_the_policy(caller: Caller) -> None:
    for path in ("/", "/pair", "/vocabulary", "/static/pages.css", "/nothing"):
        answer = caller.client.get(path)
        assert answer.headers["content-security-policy"] == CONTENT_POLICY
        assert answer.headers["x-content-type-options"] == "nosniff"
    assert "unsafe" not in CONTENT_POLICY
    page = caller.client.get("/").text
    assert "<script>" not in page and "style=" not in page and "onclick=" not in page


def test_other_methods_are_refused(caller: Caller) -> None:
    for method in ("PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"):
        assert caller.client.request(method, "/act").status_code == 405


def test_guessing_the_pairing_code_is_slowed_down() -> None:
    now = [0.0]
    door = Door("123456", clock=lambda: now[0])
    for _ in range(FREE_TRIES):
        token, pause = door.try_code("000000")
        assert token is None
    assert pause == FIRST_PAUSE
    assert door.try_code("123456")[0] is None  # not even the right one, while the pause lasts
    now[0] += FIRST_PAUSE + 1
    assert door.try_code("000001")[1] == 2 * FIRST_PAUSE
    tries, day = FREE_TRIES + 1, 10 * 3600.0
    while now[0] < day:
        _, pause = door.try_code("000002")
        tries += 1
        now[0] += pause + 0.001
    assert tries / 1_000_000 < 1e-4  # chance of a guess in a ten-hour day
    token, _ = door.try_code("123456")
    assert token is not None and door.knows(token)


def test_address_for_a_phone_is_not_this_machines_own() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        own = _interface_addresses(sock)
    try:
        address = lan_address()
    except UserError:
        assert own == []
    else:
        assert not address.startswith("127.")
        assert sys.platform != "linux" or address in own


def test_code_with_spaces_as_it_is_spoken() -> None:
    assert Door("123456").try_code(" 123 456 ")[0] is not None


def test_review_names_only_sessions_of_its_folder(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    whole_session(tmp_path / "in" / "van.session")
    whole_session(tmp_path / "outside.session")
    (tmp_path / "in" / "notes.txt").write_text("secret")
    server = make_review(tmp_path / "in", 0)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    caller = Caller(server.url)
    try:
        caller.join()
        assert caller.client.get("/session/van.session").status_code == 200
        for name in ("../outside.session", "..%2foutside.session", "%2e%2e%2foutside.session", "notes.txt", "."):
            assert caller.client.get(f"/session/{name}").status_code == 404
            assert caller.client.get(f"/compare?before={quote(name)}&after=van.session").status_code == 404
        # Forms carry their token in the body.
        path = tmp_path / "in" / "van.session"
        form = {"tap": "abcdef012345", "entry": "e1", "do": "confirm"}
        assert caller.client.post("/session/van.session/change", data=form).status_code == 403
        page = caller.client.get("/session/van.session").text
        form["form_token"] = page.split('name="form_token" value="')[1].split('"')[0]
        assert caller.client.post("/session/van.session/change", data=form).status_code == 303
        assert caller.client.post("/session/van.session/change", data=form).status_code == 303
        assert history(path, "e1") == 2  # sent twice, done once
    finally:
        server.stop()
        thread.join(10)


# Whatever is sent, an answer comes, and never a crash.

_ANY = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(st.characters(exclude_categories=[]), max_size=30),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=5),
    max_leaves=12,
)
_FINDING = st.fixed_dictionaries(
    {"kind": st.sampled_from(["slip", "flare", "shift_speed", "pressure", "x"])},
    optional={"shift": st.sampled_from(["1-2", "9-1", "x", None]), "value": st.floats() | st.text(max_size=4),
              "unit": st.sampled_from(["mph", "rpm", "yards"]), "where": st.text(max_size=20), "present": _ANY},
)  # fmt: skip
_TAP = st.fixed_dictionaries(
    {},
    optional={"id": st.text(max_size=70) | st.from_regex(r"[a-z0-9-]{8,20}", fullmatch=True),
              "session": st.just("KEY") | _ANY, "do": st.sampled_from(["confirm", "correct", "strike", "restore",
                                                                       "add", "dismiss", "drop"]) | _ANY,
              "entry": st.sampled_from(["e0", "e1", "e99"]) | _ANY, "finding": _FINDING | _ANY,
              "heard_id": _ANY, "step": _ANY, "text": _ANY},
)  # fmt: skip
_HEADER = st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=60)


@pytest.fixture(scope="module")
def fuzzed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, str, dict[str, Any]]]:
    folder = tmp_path_factory.mktemp("fuzz")
    patch = pytest.MonkeyPatch()
    patch.setenv("FIELDASSIST_HOME", str(folder / "home"))
    path = folder / "van.session"
    with begin(path) as store:
        for index in range(3):
            say(store, index, clip=False)
        key = session_key(store.events())
    apps = {}
    for name, app in (("page", passenger_app(path)), ("bay", review_app(folder))):
        door = Door("key")
        apps[name] = (Guard(app, door, "c"), door)
    yield path, key, apps
    patch.undo()


def ask(guard: Guard, method: str, target: str, headers: list[tuple[bytes, bytes]], body: bytes) -> int:
    """Send one request to an app in this process; an exception inside it fails the test."""
    status = []
    path, _, query = target.partition("?")
    scope = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method, "scheme": "http",
        "path": path, "raw_path": path.encode(), "query_string": query.encode(), "root_path": "",
        "headers": headers, "server": ("127.0.0.1", 80), "client": ("127.0.0.1", 1), "state": {},
    }  # fmt: skip

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": body, "more_body": False}

    async def send(message: dict[str, Any]) -> None:
        if message["type"] == "http.response.start":
            status.append(message["status"])

    # In a thread of its own: the browser tests of the same run keep an event loop in this one.
    _BESIDE.submit(lambda: asyncio.run(guard(scope, receive, send))).result()  # type: ignore[arg-type]
    return status[0]


@settings(deadline=None, max_examples=60 * NIGHTLY)
@given(data=_TAP | _ANY, target=st.sampled_from(["/act", "/match", "/pair"]), raw=st.binary(max_size=200))
def test_any_tap_is_answered(fuzzed: Any, data: Any, target: str, raw: bytes) -> None:
    path, key, apps = fuzzed
    guard, door = apps["page"]
    if isinstance(data, dict) and data.get("session") == "KEY":
        data["session"] = key
    token = door.try_code("key")[0] or next(iter(door._tokens))
    headers = [(b"host", b"127.0.0.1:80"), (b"origin", b"http://127.0.0.1:80"), (b"cookie", f"c={token}".encode()),
               (b"x-form-token", door.form_token(token).encode())]  # fmt: skip
    body = json.dumps(data).encode() if raw[:1] < b"\xc0" else raw
    assert ask(guard, "POST", target, headers, body) in (200, 400, 403, 429)
    with Store.open(path, readonly=True) as store:
        assert project(store.events()).problems == ()  # what is let through makes sense


@settings(deadline=None, max_examples=40 * NIGHTLY)
@given(
    form=st.dictionaries(
        st.sampled_from(["tap", "do", "entry", "pick", "kind", "value", "unit", "where", "range", "gear", "text",
                         "part", "cause", "remark", "step", "shift", "tyre", "axle_ratio", "onset"]),
        st.text(max_size=20) | st.sampled_from(["abcdefgh", "correct", "confirm", "e1", "pressure", "stall_speed",
                                                "12", '{"kind": "slip"}', "rpm", "psi", "line", "D", "concern"]),
    ),
    target=st.sampled_from(["change", "note", "write-up", "cause", "add", "intake"]),
)  # fmt: skip
def test_any_form_is_answered(fuzzed: Any, form: dict[str, str], target: str) -> None:
    path, _, apps = fuzzed
    guard, door = apps["bay"]
    token = door.try_code("key")[0] or next(iter(door._tokens))
    form = {**form, "form_token": door.form_token(token)}
    headers = [(b"host", b"127.0.0.1:80"), (b"origin", b"http://127.0.0.1:80"), (b"cookie", f"c={token}".encode()),
               (b"content-type", b"application/x-www-form-urlencoded")]  # fmt: skip
    body = "&".join(f"{key}={quote(value)}" for key, value in form.items()).encode()
    assert ask(guard, "POST", f"/session/van.session/{target}", headers, body) in (303, 400)
    with Store.open(path, readonly=True) as store:
        assert project(store.events()).problems == ()


@settings(deadline=None, max_examples=150 * NIGHTLY)
@given(
    target=st.text(max_size=80),
    method=st.sampled_from(["GET", "HEAD", "POST", "PUT", "BREW"]),
    headers=st.dictionaries(
        st.sampled_from(
            ["host", "origin", "cookie", "content-length", "content-type", "sec-fetch-site", "x-form-token"]
        ),
        _HEADER | st.sampled_from(["127.0.0.1:80", "http://127.0.0.1:80", "c=", "same-origin", "9"]),
    ),
    app=st.sampled_from(["page", "bay"]),
)
def test_any_request_is_answered(fuzzed: Any, target: str, method: str, headers: dict[str, str], app: str) -> None:
    guard, _ = fuzzed[2][app]
    pairs = [(name.encode(), value.encode("latin-1")) for name, value in headers.items()]
    assert ask(guard, method, "/" + target, pairs, b"") < 500

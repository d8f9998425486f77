"""The pages' endpoints fed odd paths, queries, forms and JSON: always an answer below 500, and a whole session."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from feeding import Target, feed
from hypothesis import strategies as st
from starlette.testclient import TestClient

from fieldassist.pages.case import read_case
from fieldassist.pages.live import live_state, session_key
from fieldassist.pages.passenger import passenger_app
from fieldassist.pages.review import review_app
from fieldassist.record.event import EVENT_KINDS
from fieldassist.record.inspection import inspect
from fieldassist.record.store import Store

NIGHTLY_INPUTS = 3000

ODD = ("..", "../../etc/passwd", "%2e%2e%2f", "a.session", "e1", "\x00", "a" * 3000, "-1", "{{7*7}}", "<b>")
odd = st.one_of(st.text(max_size=20), st.sampled_from(ODD))
values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | odd,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(odd, inner, max_size=3),
    max_leaves=6,
)
findings = st.dictionaries(
    st.sampled_from(["kind", "shift", "gear", "value", "unit", "where", "present"]),
    values | st.sampled_from(["flare", "1-2", "mph"]),
    max_size=5,
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    before = os.environ.get("FIELDASSIST_HOME")
    os.environ["FIELDASSIST_HOME"] = str(tmp_path_factory.mktemp("home"))  # confirmed causes go to the shop's book
    folder = tmp_path_factory.mktemp("sessions")
    with Store.create(folder / "a.session", {"unit": "three_speed_simpson", "checklist": "road_test"}) as store:
        clip = store.add_clip(np.arange(800, dtype=np.int16))
        heard = {"step": "fluid_level", "text": "flare", "clip": clip, "decision": "accept"}
        store.append("heard", heard, id="h1")
        finding = {"kind": "flare", "shift": "1-2"}
        store.append("entry", {"entry": "e1", "step": "upshift_1_2_light", "heard": "h1", "finding": finding})
    yield folder
    del os.environ["FIELDASSIST_HOME"]
    if before is not None:
        os.environ["FIELDASSIST_HOME"] = before


@pytest.fixture(scope="module")
def bay(folder: Path) -> Iterator[TestClient]:
    with TestClient(review_app(folder), follow_redirects=False) as client:
        yield client


@pytest.fixture(scope="module")
def passenger(folder: Path) -> Iterator[TestClient]:
    with TestClient(passenger_app(folder / "a.session"), follow_redirects=False) as client:
        yield client


def unharmed(folder: Path) -> None:
    found = inspect(folder / "a.session")
    assert [event.id for event in found.events if event.id == "h1"] == ["h1"]
    assert not [problem for problem in found.problems if "database" in problem]
    assert {path.name.split("-")[0] for path in folder.iterdir()} <= {"a.session"}


BAY_PATHS = ("", "/entry/e1", "/typed", "/clip/x", "/report", "/change", "/add", "/note", "/write-up", "/cause")


bay_requests = st.fixed_dictionaries({
    "method": st.sampled_from(["GET", "POST", "PUT", "DELETE", "HEAD"]),
    "name": st.just("a.session") | odd,
    "rest": st.sampled_from(BAY_PATHS) | odd,
    "query": st.dictionaries(st.sampled_from(["before", "after", "text", "step", "save"]), odd, max_size=3),
    "form": st.dictionaries(
        st.sampled_from(["entry", "do", "kind", "shift", "value", "unit", "text", "part", "cause", "id"]),
        odd | st.sampled_from(["flare", "confirm", "strike", "e1", "1-2", "intermediate_band:slips"]),
        max_size=6,
    ),
})  # fmt: skip


def test_the_bay(bay: TestClient) -> None:
    def ask(asked: dict[str, Any]) -> object:
        name, rest, method = asked["name"], asked["rest"], asked["method"]
        url = f"/session/{quoted(name)}{rest if rest in BAY_PATHS else '/' + quoted(rest)}"
        form = asked["form"] if method in ("POST", "PUT") else None
        answer = bay.request(method, url, params=asked["query"], data=form)
        assert answer.status_code < 500, (url, answer.text[:500])
        assert b"root:" not in answer.content
        return answer

    feed(Target("bay page", bay_requests, ask, NIGHTLY_INPUTS))


acts = values | st.fixed_dictionaries(
    {}, optional={
        "id": st.from_regex(r"[a-z0-9-]{8,20}", fullmatch=True) | values,
        "session": st.just("KEY") | values,
        "do": st.sampled_from(["confirm", "correct", "strike", "restore", "add", "dismiss"]) | values,
        "entry": st.just("e1") | values,
        "finding": findings | values,
        "heard_id": st.just("h1") | values,
        "step": values,
        "text": odd,
    },
)  # fmt: skip


def test_the_passenger(passenger: TestClient, folder: Path) -> None:
    def act(asked: tuple[Any, str]) -> object:
        data, path = asked
        if isinstance(data, dict) and data.get("session") == "KEY":
            with Store.open(folder / "a.session", readonly=True) as store:
                data = {**data, "session": session_key(store.events())}
        answer = passenger.post(path, content=json.dumps(data), headers={"content-type": "application/json"})
        assert answer.status_code < 500, (data, answer.text[:500])
        return answer

    feed(Target("passenger's page", st.tuples(acts, st.sampled_from(["/act", "/match"])), act, NIGHTLY_INPUTS))


def test_bodies_that_are_no_json(passenger: TestClient) -> None:
    def post(asked: tuple[bytes, str]) -> object:
        body, path = asked
        answer = passenger.post(path, content=body)
        assert answer.status_code < 500
        return answer

    paths = st.sampled_from(["/act", "/match", "/", "/pair", "/vocabulary"])
    feed(Target("bodies that are no JSON", st.tuples(st.binary(max_size=200), paths), post, NIGHTLY_INPUTS))


odd_logs = st.lists(
    st.tuples(
        st.sampled_from(EVENT_KINDS),
        st.dictionaries(
            st.sampled_from([
                "entry", "step", "finding", "heard", "by", "text", "clip", "score", "how", "decision", "cause",
                "alternatives", "part", "suspects", "next_tests", "complaint", "tyre", "axle_ratio", "vehicle",
            ]),
            values | findings | st.sampled_from(["e1", "h1", "ask", "upshift_1_2_light", "passenger", "27 in"]),
            max_size=6,
        ),
    ),
    min_size=1, max_size=5,
)  # fmt: skip


def test_pages_of_odd_logs(tmp_path: Path) -> None:
    """Whatever stands in a session file (a newer version's, a damaged one's), its pages can be looked at."""
    path = tmp_path / "b.session"
    def look(rows: list[tuple[str, dict[str, Any]]]) -> object:
        for rest in tmp_path.glob("b.session*"):
            rest.unlink()
        started = {"unit": "three_speed_simpson", "checklist": "road_test"}
        with Store.create(path, started) as store, store.together():
            store.append("entry", {"entry": "e1", "step": "fluid_level", "finding": {"kind": "flare"}}, "h1")
            for kind, data in rows:
                store.append(kind, data)
        seen = []
        with TestClient(review_app(tmp_path)) as client:
            seen += [client.get(f"/session/b.session{rest}") for rest in ("", "/entry/e1", "/report")]
        with TestClient(passenger_app(path)) as client:
            seen += [client.get("/vocabulary"), client.post("/match", content=json.dumps({"text": "flares"}))]
        json.dumps(live_state(read_case(path)))
        for answer in seen:
            assert answer.status_code < 500, (answer.url, answer.text[:500])
        return seen

    feed(Target("pages of odd logs", odd_logs, look, 600, 6))


def test_the_session_is_unharmed_after_all_that(folder: Path) -> None:
    unharmed(folder)


def quoted(text: str) -> str:
    return "".join(f"%{byte:02x}" for byte in text.encode("utf-8", "surrogatepass"))

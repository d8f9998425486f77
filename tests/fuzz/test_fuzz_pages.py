"""The pages' endpoints fed odd paths, queries, forms and JSON: always an answer below 500, and a whole session."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient

from fieldassist.pages.live import session_key
from fieldassist.pages.passenger import passenger_app
from fieldassist.pages.review import review_app
from fieldassist.record.inspection import inspect
from fieldassist.record.store import Store

NIGHTLY = os.environ.get("FIELDASSIST_NIGHTLY") == "1"
FUZZ = settings(
    max_examples=3000 if NIGHTLY else 40, deadline=None, database=None, phases=[Phase.explicit, Phase.generate],
    suppress_health_check=list(HealthCheck),
)  # fmt: skip

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


@FUZZ
@given(
    method=st.sampled_from(["GET", "POST", "PUT", "DELETE", "HEAD"]),
    name=st.just("a.session") | odd,
    rest=st.sampled_from(BAY_PATHS) | odd,
    query=st.dictionaries(st.sampled_from(["before", "after", "text", "step", "save"]), odd, max_size=3),
    form=st.dictionaries(
        st.sampled_from(["entry", "do", "kind", "shift", "value", "unit", "text", "part", "cause", "id"]),
        odd | st.sampled_from(["flare", "confirm", "strike", "e1", "1-2", "intermediate_band:slips"]),
        max_size=6,
    ),
)
def test_the_bay(
    bay: TestClient, folder: Path, method: str, name: str, rest: str, query: dict[str, str], form: dict[str, str]
) -> None:
    url = f"/session/{quoted(name)}{rest if rest in BAY_PATHS else '/' + quoted(rest)}"
    answer = bay.request(method, url, params=query, data=form if method in ("POST", "PUT") else None)
    assert answer.status_code < 500, (url, answer.text[:500])
    assert b"root:" not in answer.content


@FUZZ
@given(data=values | st.fixed_dictionaries(
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
), path=st.sampled_from(["/act", "/match"]))  # fmt: skip
def test_the_passenger(passenger: TestClient, folder: Path, data: Any, path: str) -> None:
    if isinstance(data, dict) and data.get("session") == "KEY":
        with Store.open(folder / "a.session", readonly=True) as store:
            data = {**data, "session": session_key(store.events())}
    answer = passenger.post(path, content=json.dumps(data), headers={"content-type": "application/json"})
    assert answer.status_code < 500, (data, answer.text[:500])


@FUZZ
@given(body=st.binary(max_size=200), path=st.sampled_from(["/act", "/match", "/", "/pair", "/vocabulary"]))
def test_bodies_that_are_no_json(passenger: TestClient, body: bytes, path: str) -> None:
    assert passenger.post(path, content=body).status_code < 500


def test_the_session_is_unharmed_after_all_that(folder: Path) -> None:
    unharmed(folder)


def quoted(text: str) -> str:
    return "".join(f"%{byte:02x}" for byte in text.encode("utf-8", "surrogatepass"))

"""Every reader fed rubbish and damaged real files: a clear refusal or a result, no traceback, no hang, no growth.

A few seconds as it stands; `FIELDASSIST_NIGHTLY=1 pytest tests/fuzz` feeds more than 100,000 inputs, the pages'
endpoints included, and closes with the counts.
"""

from __future__ import annotations

import io
import json
import tempfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from feeding import Target, feed
from hypothesis import strategies as st

from fieldassist.commands.deduce import read_question
from fieldassist.deduce import load_unit, steps_for
from fieldassist.deduce.causes import templates
from fieldassist.deduce.tomlfile import read_toml
from fieldassist.deduce.unitfile import read_unit
from fieldassist.drive.checklist import load_checklist, read_checklist
from fieldassist.drive.dialogue import Begin, Heard, Others, Silence, advance, start
from fieldassist.drive.intake import read_intake
from fieldassist.drive.scenario import load_scenario
from fieldassist.finding import KINDS, Finding
from fieldassist.phrases import Matcher, load_phrases
from fieldassist.phrases.jsgf import parse_grammar
from fieldassist.phrases.numbers import read_number, spell_out
from fieldassist.phrases.slots import parse_slots
from fieldassist.record.event import EVENT_KINDS, Event
from fieldassist.record.inspection import inspect
from fieldassist.record.portable import import_session, read_json
from fieldassist.record.projection import SessionView, project
from fieldassist.record.store import Store
from fieldassist.resources import shipped
from fieldassist.sound.wave import read_wave
from fieldassist.words.recognizer import Hypothesis, Word

UNIT = load_unit("three_speed_simpson")
UNITS = UNIT.path.parent


# Inputs.


def damaged(whole: bytes, pieces: tuple[bytes, ...]) -> st.SearchStrategy[bytes]:
    """A real file with stretches cut out, doubled, or replaced."""
    edit = st.tuples(
        st.integers(0, max(0, len(whole) - 1)),
        st.integers(0, 60),
        st.one_of(st.sampled_from(pieces), st.binary(max_size=12), st.just(b"")),
    )

    def apply(edits: list[tuple[int, int, bytes]]) -> bytes:
        data = bytearray(whole)
        for place, length, new in edits:
            data[place : place + length] = new
        return bytes(data)

    return st.lists(edit, min_size=1, max_size=4).map(apply)


def overwritten(whole: bytes, pieces: tuple[bytes, ...]) -> st.SearchStrategy[bytes]:
    """A real file with bytes changed in place, so that what lies behind them is still found."""
    edit = st.tuples(st.integers(0, len(whole) - 1), st.one_of(st.sampled_from(pieces), st.binary(max_size=12)))

    def apply(edits: list[tuple[int, bytes]]) -> bytes:
        data = bytearray(whole)
        for place, new in edits:
            data[place : place + len(new)] = new
        return bytes(data[: len(whole)])

    return st.lists(edit, min_size=1, max_size=6).map(apply)


_TOML = "[ ] [[ ]] = \" ' # { } {x} {} {0} {{ 1e999 nan -1 [] true 1979-05-27 99999999999999999999"
_JSGF = "< > ( ) [ ] | * + ; = /2/ /0/ /-1/ {a=b} { } public <said> <NULL> <VOID> // /* */ \" \\"
_WAVE = b"data|fmt |LIST|RIFF|fLaC|OggS|\x01\x00|\x00\x00\x00\x00|\xff\xff\xff\xff"
_VALUES = '"x"|""|1|-1|0|0.5|1e300|nan|[]|["a", "a"]|[1, 2]|[[1]]|{}|{ kind = "slip" }|true|"{shift}"|"{"'
_WORDS = """
    flare slips slip harsh late early no normal good one two three four first second third reverse drive neutral
    at to on the in into shift fourteen twenty hundred thousand oh point and forty five rpm psi miles an hour
    strike that hold next skip yes throttle full light hot cold noise whine leak fluid dark milky uh um pressure
    line low [unk]
"""
TOML_PIECES = (*_TOML.encode().split(), b"\n", b"\xff\xfe", b"\x00", b'kind = "slip"\n')
JSGF_PIECES = (*_JSGF.encode().split(), b"import <x.*>;", b"\xff")
WAVE_PIECES = tuple(_WAVE.split(b"|"))
TOML_VALUES = _VALUES.split("|")
WORDS = _WORDS.split()


def revalued(text: str) -> st.SearchStrategy[bytes]:
    """A real TOML file that is still TOML, mostly: values replaced, lines left out, doubled or moved."""
    lines = text.splitlines()
    how = st.sampled_from(["value", "value", "drop", "double", "move"])
    edit = st.tuples(st.integers(0, len(lines) - 1), how, st.sampled_from(TOML_VALUES))

    def apply(edits: list[tuple[int, str, str]]) -> bytes:
        out = list(lines)
        for place, how, value in edits:
            place %= len(out)
            key, equals, _ = out[place].partition("=")
            if how == "value" and equals:
                out[place] = f"{key}= {value}"
            elif how == "drop" and len(out) > 1:
                del out[place]
            elif how == "double":
                out.insert(place, out[place])
            elif how == "move":
                out.insert(len(value) * 7 % len(out), out.pop(place))
        return "\n".join(out).encode()

    return st.lists(edit, min_size=1, max_size=3).map(apply)


def toml_file(path: Path) -> st.SearchStrategy[bytes]:
    return revalued(path.read_text()) | damaged(path.read_bytes(), TOML_PIECES)


def small_wave() -> bytes:
    """A stereo file at 8 kHz."""
    out = io.BytesIO()
    samples = (np.sin(np.arange(4000) / 9) * 9000).astype(np.int16).reshape(-1, 2)
    soundfile.write(out, samples, 8000, format="WAV")
    return out.getvalue()


@contextmanager
def file_of(data: bytes, name: str) -> Iterator[Path]:
    place = "/dev/shm" if Path("/dev/shm").is_dir() else None
    with tempfile.TemporaryDirectory(prefix="fieldassist-fuzz-", dir=place) as folder:
        path = Path(folder) / name
        path.write_bytes(data)
        yield path


def from_file(name: str, read: Callable[[Path], object]) -> Callable[[bytes], object]:
    def run(data: bytes) -> object:
        with file_of(data, name) as path:
            return read(path)

    return run


def scenario_of(path: Path) -> object:
    """With the clips that it speaks of beside it."""
    for clip in SCENARIO.parent.glob("*.flac"):
        (path.parent / clip.name).symlink_to(clip)
    return load_scenario(path.parent)


texts = st.one_of(
    st.lists(st.sampled_from(WORDS), max_size=25).map(" ".join),
    st.text(max_size=80),
    st.integers(-(10**30), 10**30).map(str),
)
hypotheses = st.builds(
    lambda words, others, confidence: Hypothesis(
        " ".join(word for word, _ in words),
        tuple(Word(word, 0.0, 0.1, sure) for word, sure in words),
        confidence,
        tuple(others),
    ),
    st.lists(st.tuples(st.sampled_from(WORDS) | st.text(max_size=8), st.floats(0, 1)), max_size=20),
    st.lists(st.tuples(texts, st.floats(0, 1)), max_size=3),
    st.floats(0, 1),
)
json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12) | st.just("1-2"),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=8,
)
GOOD_VALUES: dict[str, list[Any]] = {
    "kind": list(KINDS), "shift": ["1-2", "3-2"], "gear": ["2", "R"], "range": ["D", "R"], "value": [14.0, 2200],
    "unit": ["mph", "rpm", "psi"], "where": ["pan", "line", "whine"], "present": [True, False],
    "throttle": ["light", "full"], "temperature": ["hot"], "load": ["coast"], "severity": ["slight", "severe"],
    "confidence": [0.4, 1],
}  # fmt: skip
odd_finding = st.dictionaries(st.sampled_from([*GOOD_VALUES, "x"]), json_values, max_size=6)
finding_like = odd_finding | st.fixed_dictionaries(
    {"kind": st.sampled_from(KINDS)},
    optional={key: st.sampled_from(good) for key, good in GOOD_VALUES.items() if key != "kind"},
) | st.builds(
    lambda good, odd: good | odd,
    st.fixed_dictionaries({key: st.sampled_from(good) for key, good in GOOD_VALUES.items()}),
    st.dictionaries(st.sampled_from(list(GOOD_VALUES)), json_values, max_size=1),
)
questions = st.fixed_dictionaries(
    {"unit": st.just(UNIT.name) | json_values, "findings": st.lists(finding_like, max_size=3) | json_values},
    optional={"context": json_values, "done": json_values},
)


def match_any(heard: object) -> object:
    step = STEPS[zlib.crc32(repr(heard).encode()) % len(STEPS)]
    return matcher().match(heard, step), matcher().match(heard, previous=Finding("flare", shift="1-2"))  # type: ignore[arg-type]


STEPS = (None, *steps_for(UNIT))


@cache
def matcher() -> Matcher:
    return Matcher(load_phrases())


ORDER = parse_grammar(
    "#JSGF V1.0; grammar order; public <order> = (get me | i want) [a] (small {size=small} | large {size=large}) "
    "(tea {drink} | coffee {drink}) [with milk {milk=yes}];"
)


def jsgf_text(data: bytes) -> object:
    return parse_grammar(data.decode("utf-8", "replace"), folder=shipped("grammars"))


def grammar_bytes(name: str) -> bytes:
    return (shipped("grammars") / name).read_bytes()


def checklist_of(path: Path) -> object:
    return read_checklist(path, steps_for(UNIT))


def log_view(rows: list[tuple[str, dict[str, Any]]]) -> SessionView:
    return project(Event(f"i{number}", kind, "t", data, number) for number, (kind, data) in enumerate(rows, 1))


def event_log(rows: list[tuple[str, dict[str, Any]]]) -> object:
    return log_view(rows).findings()


EVENT_DATA = st.dictionaries(
    st.sampled_from([
        "entry", "step", "finding", "heard", "by", "text", "clip", "unit", "score", "how", "decision", "command",
        "alternatives", "start", "end", "checklist", "suspects", "next_tests",
    ]),
    json_values | finding_like | st.lists(finding_like, max_size=2)
    | st.sampled_from(["e", "e1", "h", "ask", "skipped", UNIT.name, "road_test", "fluid_level", "passenger"]),
    max_size=6,
)  # fmt: skip
SENSIBLE = st.sampled_from([
    ("step_begun", {"step": "fluid_level"}),
    ("step_done", {"step": "fluid_level", "how": "answered"}),
    ("heard", {"step": "fluid_level", "text": "flare", "clip": "c", "decision": "ask", "alternatives": []}),
    ("entry", {"entry": "e", "step": "upshift_1_2_light", "finding": {"kind": "flare", "shift": "1-2"}}),
    ("entry_struck", {"entry": "e", "by": "driver"}),
    ("paused", {}),
    ("resumed", {}),
    ("finished", {}),
])  # fmt: skip
"""What a drive writes, so that an odd event meets something to be odd about."""
EVENTS = st.lists(SENSIBLE | st.tuples(st.sampled_from([*EVENT_KINDS, "?"]), EVENT_DATA), max_size=8)


def taken_up(rows: list[tuple[str, dict[str, Any]]]) -> object:
    """A drive taken up again from an odd log, with a word said and an event of somebody else's."""
    state = start(load_checklist("road_test", steps_for(UNIT)), log_view(rows), "r")
    state, _ = advance(state, Begin("Kept."))
    for kind, data in rows:
        state, _ = advance(state, Others(Event("o", kind, "t", data)))
    for heard in (Heard("accept", Finding("flare", shift="1-2")), Heard("accept", command="no"), Silence()):
        state, _ = advance(state, heard)
    return state


def session_file(data: bytes) -> object:
    """Looked at, opened for both and read to the end; the two refusals are one."""
    with file_of(data, "x.session") as path:
        found = inspect(path)
        for readonly in (True, False):
            with Store.open(path, readonly) as store:
                project(store.events())
                for clip in store.clip_ids():
                    store.clip(clip)
        return found


def imported(data: object) -> object:
    if isinstance(data, dict):
        data = {**data, "format": "fieldassist session"}
    with file_of(b"", "other") as path:
        import_session(data, path.with_name("x.session"))
    return None


@cache
def whole_session() -> bytes:
    with file_of(b"", "other") as other:
        path = other.with_name("x.session")
        with Store.create(path, {"unit": UNIT.name, "checklist": "road_test"}) as store:
            for number in range(30):
                store.append("entry", {"entry": f"e{number}", "step": "s", "finding": {"kind": "flare"}})
            store.add_clip(np.arange(3000, dtype=np.int16))
        return path.read_bytes()


SQLITE_PIECES = (b"\x00", b"\xff\xff\xff\xff", b"\x0d", b"\x05", b'{"entry":"e1"', b"SQLite format 3\x00")
exported = st.dictionaries(
    st.sampled_from(["events", "clips", "version"]),
    json_values
    | st.lists(
        st.fixed_dictionaries({}, optional={
            "seq": st.integers(0, 5) | json_values, "id": st.sampled_from("abc") | json_values,
            "kind": st.sampled_from(["started", "heard"]) | json_values, "at": st.just("t") | json_values,
            "data": st.just({}) | json_values,
        }),
        max_size=3,
    ) | st.dictionaries(st.text(max_size=4), st.sampled_from(["", "AA==", "!"]) | json_values, max_size=2),
)  # fmt: skip

def as_json(data: object) -> bytes:
    return json.dumps(data).encode()


def ask(path: Path) -> object:
    return read_question(str(path))


SCENARIO = shipped("audio_fixtures") / "second_gear_slips" / "scenario.toml"
CHECKLIST = shipped("checklists") / "road_test.toml"
CAUSES = UNITS.parent / "causes.toml"
SMALL = b"a = 1\n[b]\nc = [1]\n[[d]]\ne = {f = 'g'}\n"
INTAKE = b'complaint = "x"\ntyre = "205/75R15"\naxle_ratio = 2.73\nonset = "sudden"\n'

TARGETS = (
    Target("number words", texts, read_number, 25_000, 200),
    Target("figures to words", texts, spell_out, 15_000, 200),
    Target("finding", finding_like | json_values, Finding.from_json, 20_000, 200),
    Target("event log", EVENTS, event_log, 10_000, 60),
    Target("drive taken up again", EVENTS, taken_up, 4000, 30),
    Target("session file", damaged(whole_session(), SQLITE_PIECES) | overwritten(whole_session(), SQLITE_PIECES),
           session_file, 4000),
    Target("import", json_values | exported, imported, 3000),
    Target("grammar", damaged(grammar_bytes("commands.gram"), JSGF_PIECES), jsgf_text, 4000),
    Target("any text as a grammar", st.text(max_size=200).map(str.encode), jsgf_text, 3000),
    Target("TOML", st.binary(max_size=200) | damaged(SMALL, TOML_PIECES), from_file("x.toml", read_toml), 8000),
    Target("unit", toml_file(UNITS / "three_speed_simpson.toml"), from_file("u.toml", read_unit), 3000),
    Target("checklist", toml_file(CHECKLIST), from_file("c.toml", checklist_of), 3000),
    Target("causes", toml_file(CAUSES), from_file("c.toml", templates.__wrapped__), 1500, 15),
    Target("scenario", toml_file(SCENARIO), from_file("scenario.toml", scenario_of), 1500, 15),
    Target("intake", damaged(INTAKE, TOML_PIECES) | revalued(INTAKE.decode()),
           from_file("i.toml", read_intake), 4000),
    Target("JSON", st.binary(max_size=100) | json_values.map(as_json), from_file("x.json", read_json), 5000),
    Target("question to the deduction", questions.map(as_json), from_file("q.json", ask), 4000),
    Target("matcher", texts | hypotheses, match_any, 2500, 20),
    Target("slots", texts, lambda text: parse_slots(ORDER, text), 3000),
    Target("wave", damaged(small_wave(), WAVE_PIECES) | overwritten(small_wave(), WAVE_PIECES),
           from_file("x.wav", read_wave), 4000),
    Target("flac", damaged(SCENARIO.with_name("32_hold.flac").read_bytes(), WAVE_PIECES),
           from_file("x.flac", read_wave), 1500),
    Target("any bytes as sound", st.binary(max_size=300), from_file("x.wav", read_wave), 3000),
)  # fmt: skip


@pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)
def test_reads_or_refuses_in_one_line(target: Target) -> None:
    feed(target)

"""Every reader fed rubbish and damaged real files: a clear refusal or a result, no traceback, no hang, no growth.

A few seconds as it stands; with FIELDASSIST_NIGHTLY=1 more than 100,000 inputs.
"""

from __future__ import annotations

import gc
import io
import json
import os
import signal
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from fieldassist.commands.deduce import read_question
from fieldassist.deduce import load_unit, steps_for
from fieldassist.deduce.causes import templates
from fieldassist.deduce.tomlfile import read_toml
from fieldassist.deduce.unitfile import read_unit
from fieldassist.drive.checklist import read_checklist
from fieldassist.drive.intake import read_intake
from fieldassist.drive.scenario import load_scenario
from fieldassist.errors import UserError
from fieldassist.finding import Finding
from fieldassist.phrases import Matcher, load_phrases
from fieldassist.phrases.jsgf import parse_grammar
from fieldassist.phrases.numbers import read_number, spell_out
from fieldassist.phrases.slots import parse_slots
from fieldassist.record.event import EVENT_KINDS, Event
from fieldassist.record.portable import read_json
from fieldassist.record.projection import project
from fieldassist.resources import shipped
from fieldassist.sound.wave import read_wave
from fieldassist.words.recognizer import Hypothesis, Word

NIGHTLY = os.environ.get("FIELDASSIST_NIGHTLY") == "1"
LONGEST_SECONDS = 20.0
"""No input, however odd, may take longer (a loaded machine allowed for)."""
BATCH = 500
MOST_GROWTH = 48.0
"""MiB by which a reader may leave the process larger, once it is warm."""
UNIT = load_unit("three_speed_simpson")
UNITS = UNIT.path.parent


@dataclass(frozen=True)
class Target:
    """One reader."""

    name: str
    inputs: st.SearchStrategy[Any]
    read: Callable[[Any], object]
    nightly: int
    """Inputs in the nightly run."""
    quick: int = 40


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
finding_like = st.dictionaries(
    st.sampled_from(["kind", "shift", "gear", "range", "value", "unit", "where", "present", "confidence", "x"]),
    json_values,
    max_size=6,
)
questions = st.fixed_dictionaries(
    {"unit": st.just(UNIT.name) | json_values, "findings": st.lists(finding_like, max_size=3) | json_values},
    optional={"context": json_values, "done": json_values},
)


def match_any(heard: object) -> object:
    step = STEPS[hash(str(heard)) % len(STEPS)]
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


def event_log(rows: list[tuple[str, dict[str, Any]]]) -> object:
    view = project(Event(f"i{number}", kind, "t", data, number) for number, (kind, data) in enumerate(rows, 1))
    return view.findings()


EVENTS = st.lists(
    st.tuples(
        st.sampled_from([*EVENT_KINDS, "?"]),
        st.dictionaries(
            st.sampled_from(["entry", "step", "finding", "heard", "by", "text", "clip", "unit", "score"]),
            json_values | finding_like | st.just("e"),
            max_size=5,
        ),
    ),
    max_size=8,
)

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
    Target("event log", EVENTS, event_log, 10_000, 100),
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
    Target("wave", damaged(small_wave(), WAVE_PIECES), from_file("x.wav", read_wave), 4000),
    Target("flac", damaged(SCENARIO.with_name("32_hold.flac").read_bytes(), WAVE_PIECES),
           from_file("x.flac", read_wave), 1500),
    Target("any bytes as sound", st.binary(max_size=300), from_file("x.wav", read_wave), 3000),
)  # fmt: skip


@contextmanager
def limited(seconds: float) -> Iterator[None]:
    """Fail an input that hangs."""
    if threading.current_thread() is not threading.main_thread() or not hasattr(signal, "setitimer"):
        yield
        return

    def stop(*_: object) -> None:
        raise TimeoutError(f"took longer than {seconds} s")

    before = signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def resident() -> float:
    """MiB of this process; 0 where the system does not tell."""
    statm = Path("/proc/self/statm")
    return int(statm.read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 2**20 if statm.exists() else 0.0


@pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)
def test_reads_or_refuses_in_one_line(target: Target) -> None:
    """In batches, since hypothesis remembers every input of a run: what grows over batches is the reader."""
    left = target.nightly if NIGHTLY else target.quick
    sizes: list[float] = []
    while left > 0:
        feed(target, min(left, BATCH), len(sizes))
        left -= BATCH
        gc.collect()
        sizes.append(resident())
    warm = sizes[len(sizes) // 3]
    assert sizes[-1] - warm < MOST_GROWTH, f"{sizes[-1] - warm:.0f} MiB more after {len(sizes)} batches"


def feed(target: Target, count: int, batch: int) -> None:
    @seed(batch)
    @settings(
        max_examples=count, deadline=None, database=None, phases=[Phase.explicit, Phase.generate],
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(target.inputs)
    def one(data: Any) -> None:
        with limited(LONGEST_SECONDS):
            try:
                target.read(data)
            except UserError as error:
                assert str(error) and "\n" not in str(error), repr(str(error))

    one()


def test_the_nightly_run_is_large_enough() -> None:
    """The aim is at least 100,000 inputs."""
    assert sum(target.nightly for target in TARGETS) >= 100_000

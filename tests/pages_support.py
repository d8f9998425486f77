"""A session of an invented car for the tests of the pages, written the way the drive writes one."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from fieldassist.record.store import Store

DEDUCED: dict[str, Any] = {
    "unit": "three_speed_simpson",
    "suspects": [
        {"cause": "intermediate_band:slips", "name": "intermediate band slips", "probability": 0.81,
         "for": [{"text": "flare on the 1-2 shift under medium throttle", "decibans": 7.2}],
         "against": [{"text": "second gear pulls once engaged", "decibans": -1.5}], "depth": "in-vehicle"},
        {"cause": "line_pressure_low", "name": "line pressure low", "probability": 0.11,
         "for": [{"text": "flare on the 1-2 shift under medium throttle", "decibans": 2.0}],
         "against": [{"text": "no slip in reverse", "decibans": -6.0}], "depth": "in-vehicle"},
        {"cause": "forward_clutch:slips", "name": "forward clutch slips", "probability": 0.02, "for": [],
         "against": [{"text": "no slip in first gear", "decibans": -9.0}], "depth": "removal"},
    ],
    "unknown": 0.03,
    "contradictions": [],
    "next_tests": [
        {"step": "pressure_servo", "gain_bits": 0.6, "minutes": 10, "depth": "gauge",
         "why": "Tells a worn band from a leak at its servo."},
    ],
}  # fmt: skip


def entries() -> list[tuple[str, str, dict[str, Any], float, list[dict[str, Any]]]]:
    """(step, heard text, finding, confidence, other readings) of the scripted drive."""
    return [
        ("fluid_level", "fluid level is good", {"kind": "normal"}, 0.97, []),
        ("pull_away_D", "no slip in drive", {"kind": "slip", "range": "D", "present": False}, 0.93, []),
        ("upshift_1_2_light", "one two at fourteen",
         {"kind": "shift_speed", "shift": "1-2", "throttle": "light", "value": 14.0, "unit": "mph"}, 0.81,
         [{"kind": "shift_speed", "shift": "1-2", "throttle": "light", "value": 40.0, "unit": "mph"}]),
        ("upshift_1_2_medium", "it flares going into second",
         {"kind": "flare", "shift": "1-2", "throttle": "medium", "temperature": "hot"}, 0.66,
         [{"finding": {"kind": "flare", "shift": "2-3", "throttle": "medium"}, "score": 0.5}]),
        ("upshift_1_2_full", "one two at thirty eight",
         {"kind": "shift_speed", "shift": "1-2", "throttle": "full", "value": 38.0, "unit": "mph"}, 0.9, []),
        ("pull_away_R", "no slip in reverse", {"kind": "slip", "range": "R", "present": False}, 0.95, []),
    ]  # fmt: skip


def begin(path: Path) -> Store:
    """A session with its intake and its first step."""
    store = Store.create(
        path,
        {"unit": "three_speed_simpson", "checklist": "road_test", "tyre": "27 in", "axle_ratio": 3.23},
    )
    store.append(
        "intake",
        {"vehicle": "delivery van, bay 4", "complaint": "engine runs up going into second once it is warm",
         "when": "hot, with more than light throttle", "onset": "gradual", "mileage": 104000},
    )  # fmt: skip
    return store


def say(store: Store, index: int, clip: bool = True) -> str:
    """Write entry number `index` of the script; return its entry id."""
    step, text, finding, confidence, other = entries()[index]
    samples = (3000 * np.sin(np.arange(8000) * (0.05 + 0.01 * index))).astype(np.int16)
    store.append("step_begun", {"step": step})
    heard = store.append(
        "heard",
        {"step": step, "start": 1.0 * index, "end": 1.0 * index + 0.5, "text": text, "words": [],
         "confidence": confidence, "engine": "vosk", "clip": store.add_clip(samples) if clip else None,
         "decision": "accept", "alternatives": other},
    )  # fmt: skip
    entry = f"e{index}"
    store.append(
        "entry",
        {"entry": entry, "step": step, "heard": heard.id, "finding": finding, "score": 0.9},
        id=f"entry-{entry}",
    )
    store.append("step_done", {"step": step, "how": "answered"})
    return entry


def whole_session(path: Path) -> Path:
    """A finished session with all entries, a correction, a strike, and a deduction."""
    with begin(path) as store:
        for index in range(len(entries())):
            say(store, index)
        store.append("entry_confirmed", {"entry": "e0", "by": "passenger"})
        store.append(
            "entry_corrected",
            {"entry": "e2", "by": "passenger", "finding": {**entries()[2][2], "value": 15.0}},
        )  # fmt: skip
        store.append("entry_struck", {"entry": "e5", "by": "driver"})
        store.append("note", {"step": "upshift_1_2_medium", "clip": None, "text": "worse when hot"})
        store.append("deduced", DEDUCED)
        store.append("finished", {})
    return path

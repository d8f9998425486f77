"""Feeds readers with inputs, and keeps count: how many, how long, how much larger the process became."""

from __future__ import annotations

import gc
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from fieldassist.errors import UserError

NIGHTLY = os.environ.get("FIELDASSIST_NIGHTLY") == "1"
LEAST_NIGHTLY = 100_000
"""Inputs that a nightly run of all targets must come to."""
LONGEST_SECONDS = 20.0
"""No input, however odd, may take longer (a loaded machine allowed for)."""
BATCH = 500
MOST_GROWTH = 48.0
"""MiB by which a reader may leave the process larger, once it is warm."""


@dataclass(frozen=True)
class Target:
    """One reader."""

    name: str
    inputs: st.SearchStrategy[Any]
    read: Callable[[Any], object]
    nightly: int
    """Inputs in the nightly run."""
    quick: int = 40


@dataclass(frozen=True)
class Fed:
    """What a reader was given."""

    name: str
    inputs: int
    refused: int
    """Of them, with one line for a person."""
    seconds: float
    slowest: float
    """s, the one input that took longest."""
    growth: float
    """MiB by which the process grew after the first third."""


TALLY: list[Fed] = []
"""Of this run of the tests."""


def feed(target: Target) -> None:
    """Feed a reader in batches, since hypothesis remembers every input of a run: what grows over batches is the
    reader."""
    left = target.nightly if NIGHTLY else target.quick
    sizes: list[float] = []
    inputs = refused = 0
    slowest = 0.0

    def one(data: Any) -> None:
        nonlocal inputs, refused, slowest
        inputs += 1
        began = time.perf_counter()
        with limited(LONGEST_SECONDS):
            try:
                target.read(data)
            except UserError as error:
                refused += 1
                assert str(error) and "\n" not in str(error), repr(str(error))
        slowest = max(slowest, time.perf_counter() - began)

    began = time.perf_counter()
    while left > 0:
        batch = settings(
            max_examples=min(left, BATCH), deadline=None, database=None, phases=[Phase.explicit, Phase.generate],
            suppress_health_check=list(HealthCheck),
        )(given(target.inputs)(lambda data: one(data)))  # fmt: skip
        seed(len(sizes))(batch)()
        left -= BATCH
        gc.collect()
        sizes.append(resident())
    growth = sizes[-1] - sizes[len(sizes) // 3]
    TALLY.append(Fed(target.name, inputs, refused, time.perf_counter() - began, slowest, growth))
    assert growth < MOST_GROWTH, f"{growth:.0f} MiB more after {len(sizes)} batches"


def summary(fed: list[Fed]) -> list[str]:
    """Return one line for each reader, and one for all."""
    lines = [
        f"{one.name:<26}{one.inputs:>8} inputs{one.refused:>8} refused{one.seconds:>8.0f} s, slowest "
        f"{one.slowest:.2f} s, {one.growth:+.1f} MiB"
        for one in fed
    ]
    inputs, refused = sum(one.inputs for one in fed), sum(one.refused for one in fed)
    seconds = sum(one.seconds for one in fed)
    worst = max((one.growth for one in fed), default=0.0)
    lines.append(
        f"{'all':<26}{inputs:>8} inputs{refused:>8} refused{seconds:>8.0f} s, growth at most {worst:+.1f} MiB"
    )
    return lines


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

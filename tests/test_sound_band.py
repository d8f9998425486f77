"""The band-pass of speech against SciPy's Butterworth filter."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from fieldassist.sound.band import BandPass
from fieldassist.words.recognizer import SAMPLE_RATE


@pytest.mark.parametrize("edges", [(400.0, 3500.0), (1000.0, 2000.0)])
def test_a_stream_in_stretches_is_filtered_as_by_scipy(edges: tuple[float, float]) -> None:
    stream = np.random.default_rng(3).normal(0.0, 5000.0, 2 * SAMPLE_RATE).astype(np.int16)
    band = BandPass(*edges)
    cuts = np.split(stream, [1, 7, 1607, 3207, 3207, 20000])
    ours = np.concatenate([band.take(cut) for cut in cuts])
    theirs = sosfilt(butter(2, edges, "bandpass", fs=SAMPLE_RATE, output="sos"), stream.astype(np.float64))
    assert np.abs(ours - theirs).max() < 1e-6  # of 32768


def test_a_drive_begins_without_scipy() -> None:
    code = "import sys, fieldassist.commands.drive; print([m for m in sys.modules if m.startswith('scipy')])"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert out.strip() == "[]"

"""The program computes in one thread: its matrices are too small to share."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

COUNT = """
import os, sys
from fieldassist.cli import main
sys.argv = ["fieldassist", "gears", "three_speed_simpson"]
main()
import numpy as np
square = np.random.default_rng(0).normal(size=(400, 400))
square @ square
print("threads", len(os.listdir("/proc/self/task")))
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="threads are counted in /proc")
@pytest.mark.skipif((os.cpu_count() or 1) < 2, reason="one core: there would be one thread in any case")
def test_matrices_are_multiplied_in_the_thread_that_asks() -> None:
    def threads(**more: str) -> int:
        environment = {key: value for key, value in os.environ.items() if key != "OPENBLAS_NUM_THREADS"}
        run = subprocess.run(
            [sys.executable, "-c", COUNT], capture_output=True, text=True, check=True, env={**environment, **more}
        )
        return int(run.stdout.split()[-1])

    assert threads() == 1
    assert threads(OPENBLAS_NUM_THREADS="2") == 2  # who asks for more gets it

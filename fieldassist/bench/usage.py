"""What a process costs: CPU time, waits and memory, as Linux counts them (zero elsewhere)."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from fieldassist.errors import UserError


@dataclass(frozen=True)
class Usage:
    """Of some processes together, since they began."""

    cpu: float = 0.0
    """CPU seconds, all threads."""
    waits: int = 0
    """Times that a thread went to sleep and was woken; of the threads that are there."""

    def __sub__(self, before: Usage) -> Usage:
        return Usage(self.cpu - before.cpu, self.waits - before.waits)


def usage(pids: Sequence[int | None]) -> Usage:
    """Return what these processes have used so far; one that is gone or None counts nothing."""
    cpu, waits = 0.0, 0
    for pid in pids:
        try:
            fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
            cpu += (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
            for status in Path(f"/proc/{pid}/task").glob("*/status"):
                for line in status.read_text().splitlines():
                    if line.startswith("voluntary_ctxt_switches"):
                        waits += int(line.split()[1])
        except OSError:
            continue
    return Usage(cpu, waits)


def resident(pid: int | None) -> float:
    """Return the memory of a process, MiB resident."""
    try:
        pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    except OSError:
        return 0.0
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def most_resident() -> float:
    """Return the largest size that this process has had, MiB resident.

    Not `ru_maxrss`: Linux starts that of a new program at the size of the one that it was started from.
    """
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) / 1024
    raise UserError("/proc/self/status: expected a line VmHWM; memory is measured on Linux only")


def load() -> str:
    """Return how busy the machine is, in words: figures taken on a busy one are no better than that."""
    if not hasattr(os, "getloadavg"):
        return "load unknown"
    return f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"

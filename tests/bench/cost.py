"""What a command cost: processor seconds of it and of all it started, wall seconds, peak memory.

Conventions: processor seconds are user and system time together, told by the kernel when the command
has ended; the peak is the greatest resident size of any one of its processes, which is what a limit
on a worker sees.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

FAIRTAKE = (sys.executable, "-m", "fairtake")


@dataclass(frozen=True)
class Cost:
    """Seconds of processor, seconds by the clock, bytes."""

    cpu_s: float
    wall_s: float
    peak_bytes: int


def cost_of(*command: str | Path) -> Cost:
    """Run *command* to its end. Raises ``RuntimeError`` with its last words where it fails."""
    begun = time.perf_counter()
    process = subprocess.Popen(
        [str(word) for word in command], stdout=subprocess.PIPE, stderr=subprocess.STDOUT
    )
    assert process.stdout is not None
    said = process.stdout.read()
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise RuntimeError(f"{command[0]} ended with {process.returncode}: {said[-500:]!r}")
    return Cost(used.ru_utime + used.ru_stime, time.perf_counter() - begun, used.ru_maxrss * 1024)


def cpu_of(pid: int) -> float:
    """Processor seconds so far of a process and of the children it has waited for."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(") ", 1)[1].split()
    return sum(int(n) for n in fields[11:15]) / os.sysconf("SC_CLK_TCK")


def resident_bytes(pid: int) -> int:
    """Resident size of a process."""
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE")


def children_of(pid: int) -> list[int]:
    """Processes that *pid* and its children have started and that live."""
    found = []
    for tid in Path(f"/proc/{pid}/task").iterdir():
        for child in (tid / "children").read_text().split():
            found += [int(child), *children_of(int(child))]
    return found

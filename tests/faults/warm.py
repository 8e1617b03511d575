"""Services that start without waiting for Python: forked from a process that has loaded everything.

Thousands of deaths are only affordable when none of them pays for an interpreter and its libraries
twice. So a bench process loads the program once and does one take; every service is a fork of it
that runs the command line as it is, in a session of its own, and forks its workers where the
program would spawn them. Nothing else differs, and the live parts of the bench start it cold.

A process that is to be hurt waits at its start until the system-call tracer holds it, so that every
count begins at the same place.
"""

from __future__ import annotations

import contextlib
import ctypes
import multiprocessing
import os
import re
import select
import signal
import subprocess
import sys
import time
import traceback
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

TRACER = "strace"
#: What touches the disk. Python's libraries use no other calls for it on Linux.
CALLS = (
    "openat", "write", "fsync", "fdatasync", "rename", "renameat", "renameat2", "link", "linkat",
    "unlink", "unlinkat", "mkdir", "rmdir", "ftruncate", "copy_file_range", "sendfile",
)  # fmt: skip
#: A run takes three seconds; a machine busy with other things may need far more.
LONGEST_RUN_S = 240.0
MOST_PATIENCE_S = 30.0
_SET_PARENT_DEATH_SIGNAL = 1


@dataclass(frozen=True)
class Hurt:
    """A fault at one system call of one process: the service, its first worker, or the process
    that the worker has the take opened in."""

    who: str
    call: str
    number: int
    how: str = "signal=SIGKILL"

    def __str__(self) -> str:
        return f"{self.who}: {self.call} {self.number}: {self.how}"


@dataclass
class Ended:
    """How a run ended. ``status`` is an exit status, negative for a signal, None for a hang."""

    status: int | None
    log: str
    trace: str
    left_over: list[str] = field(default_factory=list)

    @property
    def was_hurt(self) -> bool:
        """Whether the fault came about: a call changed by the tracer, or one that never returned."""
        return "(INJECTED)" in self.trace or self.trace.endswith("= ?\n")


def run_warm(
    arguments: list[str],
    folder: Path,
    hurt: Hurt | None = None,
    trace: str = "",
    all_at_once: bool = False,
) -> Ended:
    """Run the command line with *arguments* in a fork; log and trace go to *folder*.

    *trace* names the process only to watch. With *all_at_once* the service dies with its worker.
    """
    who = hurt.who if hurt else trace
    folder.mkdir(exist_ok=True)
    traced, log = folder / "trace", folder / "log"
    for old in (traced, log):
        old.unlink(missing_ok=True)
    asked, asking = os.pipe()
    sys.stdout.flush()
    service = os.fork()
    if service == 0:
        os.close(asked)
        _be_the_service(arguments, log, asking, who)
    os.close(asking)
    tracer = None
    with os.fdopen(asked, "rb") as asked_file:
        # The process that is to be traced says its number; the end of the pipe says there is none.
        heard, _, _ = select.select([asked_file], [], [], LONGEST_RUN_S) if who else ([], [], [])
        if heard and (said := asked_file.readline()):
            tracer = _trace(int(said), traced, hurt)
    status = _waited_for(service, tracer if all_at_once else None)
    left_over = left_over_in(service)
    if tracer is not None:
        tracer.wait(LONGEST_RUN_S)
    text = traced.read_text("utf-8", "replace") if traced.exists() else ""
    return Ended(status, log.read_text("utf-8", "replace"), text, left_over)


def load_all() -> None:
    """Load what the service and its workers use, and let them be forked from here."""
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    import fairtake.cli
    import fairtake.serving.job
    import fairtake.serving.serve
    import fairtake.serving.workers  # noqa: F401

    fork = multiprocessing.get_context("fork")
    multiprocessing.get_context = lambda *_: fork  # type: ignore[assignment]


# --- in the fork ------------------------------------------------------------------------------


def _be_the_service(arguments: list[str], log: Path, asking: int, who: str) -> None:
    status = 70
    try:
        os.setsid()
        ctypes.CDLL(None).prctl(_SET_PARENT_DEATH_SIGNAL, signal.SIGKILL)  # none outlives the bench
        out = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
        for number in (1, 2):
            os.dup2(out, number)
        sys.stdout = os.fdopen(1, "w", buffering=1, closefd=False)
        sys.stderr = os.fdopen(2, "w", buffering=1, closefd=False)
        signal.signal(signal.SIGINT, signal.default_int_handler)
        if who == "service":
            _be_held(asking)
        elif who:
            _hold_child(asking, ("worker", "maker").index(who) + 1)
        else:
            os.close(asking)
        from fairtake.cli import main

        main(arguments)
    except SystemExit as e:
        status = e.code if isinstance(e.code, int) else 1
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stderr.flush()
        os._exit(status)


def _be_held(asking: int) -> None:
    """Ask for the tracer and wait until it holds this process."""
    try:
        os.write(asking, b"%d\n" % os.getpid())
        os.close(asking)
    except OSError:
        return  # nobody listens
    end = time.monotonic() + 60
    while time.monotonic() < end:
        said = Path("/proc/self/status").read_text()
        if not re.search(r"^TracerPid:\s+0$", said, re.MULTILINE):
            time.sleep(0.02)  # it attaches first and sets its traps then
            return
        time.sleep(0.005)


def _hold_child(asking: int, which: int) -> None:
    """Let the first process of a generation be held: the first worker, or what it forks first."""
    depth, over = 0, False

    def after_in_child() -> None:
        nonlocal depth, over
        depth += 1
        if depth == which and not over:
            over = True
            _be_held(asking)

    def after_in_parent() -> None:
        nonlocal over
        if not over:  # what is forked from here later is not meant
            over = True
            os.close(asking)

    os.register_at_fork(after_in_child=after_in_child, after_in_parent=after_in_parent)


# --- outside ----------------------------------------------------------------------------------


def _trace(pid: int, traced: Path, hurt: Hurt | None) -> subprocess.Popen[Any]:
    command = [TRACER, "-p", str(pid), "-y", "-s", "1", "-o", str(traced)]
    calls = [hurt.call] if hurt else CALLS
    command += ["-e", f"trace={','.join(calls)}", "-e", "signal=none"]
    if hurt:
        command += ["-e", f"inject={hurt.call}:{hurt.how}:when={hurt.number}"]
    return subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )


def _waited_for(pid: int, together: subprocess.Popen[Any] | None) -> int | None:
    end = time.monotonic() + LONGEST_RUN_S
    while time.monotonic() < end:
        ended, status = os.waitpid(pid, os.WNOHANG)
        if ended:
            return os.waitstatus_to_exitcode(status)
        if together is not None and together.poll() is not None:
            os.kill(pid, signal.SIGKILL)
            together = None
        time.sleep(0.005)
    os.kill(pid, signal.SIGKILL)
    os.waitpid(pid, 0)
    return None


def left_over_in(session: int, patience_s: float = 2.0) -> list[str]:
    """The processes of a session that live on after *patience_s*; they are ended.

    On a busy machine the time is that of the processor: who has not yet had *patience_s* of it, and
    still runs, is waited for.
    """
    start = moved = time.monotonic()
    first, before = {}, {}
    while found := members(session):
        now, used = time.monotonic(), {pid: _used_s(pid) for pid in found}
        first = used | first
        if used != before:
            before, moved = used, now
        most_s = max(used[pid] - first[pid] for pid in found)
        idle = now - moved > patience_s / 2 or most_s > patience_s
        if now - start > patience_s and (idle or now - start > MOST_PATIENCE_S):
            break
        time.sleep(0.02)
    said = [
        f"{pid}, {_used_s(pid) - first.get(pid, 0):.1f} s of work: {_words(pid)}" for pid in found
    ]
    for pid in found:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
    return said


def members(session: int) -> list[int]:
    return [
        int(proc.name)
        for proc in Path("/proc").glob("[0-9]*")
        if (stat := _stat(int(proc.name))) and int(stat[3]) == session and stat[0] not in "ZX"
    ]


def _stat(pid: int) -> list[str]:
    """What the system says of a process, from its state on; nothing when it is gone."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return []


def _used_s(pid: int) -> float:
    stat = _stat(pid)
    return (int(stat[11]) + int(stat[12])) / os.sysconf("SC_CLK_TCK") if stat else 0.0


def _words(pid: int) -> str:
    with contextlib.suppress(OSError):
        said = Path(f"/proc/{pid}/cmdline").read_bytes().replace(b"\0", b" ")
        return said.decode("utf-8", "replace")[:200]
    return "gone"

"""Run a program for so long and no longer, and hear the last of what it says.

It is a session of its own, killed as a whole when its time is up. On Linux it ends with us, and what it
starts ends with it, in whatever session: a process of ours looks after it (`deliver.py`). Its input comes from a file without a name, so that one that does not read holds nobody up.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from typing import IO

LOOK_EVERY_S = 0.05
#: So many bytes of what it says on standard error are kept.
KEPT_BYTES = 2000
#: Who looks after it is given so long to end all that it started.
END_S = 0.8

#: What looks after it, and ends with us. -P: no module comes from the folder we happen to be in.
_BINDER = (sys.executable, "-P", "-m", "fairtake.serving.deliver")


def run_errand(
    command: Sequence[str],
    given: bytes,
    most_s: float,
    is_over: Callable[[], bool] = lambda: False,
) -> str:
    """Run *command* with *given* as its input; '' when it ended well, else what went wrong.

    It is ended after *most_s* seconds, or as soon as *is_over*. Raises ``OSError``.
    """
    bound = [*_BINDER, "run", str(os.getpid())] if sys.platform == "linux" else []
    return _run([*bound, *command], given, most_s, is_over)


def post_errand(url: str, given: bytes, most_s: float, is_over: Callable[[], bool]) -> str:
    """POST *given* to *url*, in a process of its own, since neither the look-up of a name nor an
    answer that trickles can be given a time limit. As `run_errand`."""
    command = [*_BINDER, "post", str(os.getpid()), str(most_s)]
    # Not as an argument: an address may hold a secret, and arguments are for everybody to read.
    return _run(command, url.encode("ascii") + b"\n" + given, most_s, is_over)


def _run(command: list[str], given: bytes, most_s: float, is_over: Callable[[], bool]) -> str:
    end, said = time.monotonic() + most_s, b""
    with tempfile.TemporaryFile() as source:
        source.write(given)
        source.seek(0)
        process = subprocess.Popen(
            command, stdin=source, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
            start_new_session=True,
        )  # fmt: skip
    assert process.stderr is not None
    with process.stderr as pipe:
        if os.name == "posix":
            os.set_blocking(pipe.fileno(), False)
        while process.poll() is None and time.monotonic() < end and not is_over():
            said = _heard(said, pipe)
            time.sleep(LOOK_EVERY_S)
        if process.poll() is None:
            _kill(process)
            over = "the service ended" if is_over() else f"{most_s:g} s were over"
            return f"it was killed when {over}"
        said = _heard(said, pipe)
    if process.returncode < 0:
        return f"it was ended by signal {-process.returncode}"
    last = (said.decode("utf-8", "replace").strip().splitlines() or [""])[-1]
    status = f"it ended with status {process.returncode}"
    return "" if not process.returncode else f"{status}: {last}" if last else status


def _heard(said: bytes, pipe: IO[bytes]) -> bytes:
    """The last of what was said, with what came since. Never waits."""
    if os.name != "posix":
        return said
    try:
        while more := os.read(pipe.fileno(), 65536):
            said = (said + more)[-KEPT_BYTES:]
            if len(more) < 65536:
                break
    except BlockingIOError:
        pass
    return said


def _kill(process: subprocess.Popen[bytes]) -> None:
    """End it and all that it started; not yet waited for, its group is its own."""
    with contextlib.suppress(OSError, subprocess.TimeoutExpired):  # somebody else's by now
        if sys.platform == "linux":
            process.terminate()
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(END_S)
                return
        if os.name == "posix":
            os.killpg(process.pid, signal.SIGKILL)
        process.kill()
        process.wait(1.0)

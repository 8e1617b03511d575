"""One service on one ROOT, and the signals that end it."""

from __future__ import annotations

import contextlib
import signal
import sys
from collections.abc import Callable, Iterator
from typing import Any, TextIO

from fairtake.errors import AlreadyServed
from fairtake.folders import Root


@contextlib.contextmanager
def alone(root: Root) -> Iterator[None]:
    """Hold the ROOT's lock. Raises `AlreadyServed`."""
    root.lock.parent.mkdir(parents=True, exist_ok=True)
    with open(root.lock, "a") as lock:
        if not _locked(lock):
            raise AlreadyServed(str(root.path))
        yield


def _locked(file: TextIO) -> bool:
    """Whether the file is locked for us now; the lock goes with it."""
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (BlockingIOError, PermissionError):
        return False
    return True


@contextlib.contextmanager
def ended_by_signals(stop: Callable[..., Any]) -> Iterator[None]:
    """Call *stop* when the process is told to end."""
    before = {s: signal.signal(s, stop) for s in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)

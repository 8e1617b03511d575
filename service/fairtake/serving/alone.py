"""One service on one ROOT, and the signals that end it."""

from __future__ import annotations

import contextlib
import os
import signal
from collections.abc import Callable, Iterator
from typing import Any

from fairtake.errors import AlreadyServed
from fairtake.folders import Root


@contextlib.contextmanager
def alone(root: Root) -> Iterator[None]:
    """Hold the ROOT's lock. Raises `AlreadyServed`."""
    root.lock.parent.mkdir(parents=True, exist_ok=True)
    if os.name != "posix":
        yield
        return
    import fcntl

    with open(root.lock, "a") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise AlreadyServed(str(root.path)) from None
        yield


@contextlib.contextmanager
def ended_by_signals(stop: Callable[..., Any]) -> Iterator[None]:
    """Call *stop* when the process is told to end."""
    before = {s: signal.signal(s, stop) for s in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)

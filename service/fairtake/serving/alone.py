"""One service on one ROOT, and the signals that end it."""

from __future__ import annotations

import contextlib
import errno
import os
import signal
import stat
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from fairtake.errors import AlreadyServed
from fairtake.folders import Root

#: What shares say that cannot lock a folder.
NO_FOLDER_LOCK = (errno.EBADF, errno.EINVAL, errno.ENOTSUP, errno.ENOLCK, errno.ENOSYS)


@contextlib.contextmanager
def alone(root: Root) -> Iterator[None]:
    """Hold the ROOT's lock, and where the system can the folder of the claims itself, for the lock may
    be removed. Raises `AlreadyServed`."""
    root.claims.mkdir(parents=True, exist_ok=True)
    with open(root.lock, "a") as lock, _opened(root.claims) as claims:
        if not (_locked(lock.fileno()) and (claims is None or _locked(claims))):
            raise AlreadyServed(str(root.path))
        yield


@contextlib.contextmanager
def _opened(folder: Path) -> Iterator[int | None]:
    """A descriptor of *folder*; None where folders have none."""
    if os.name != "posix":
        yield None
        return
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        yield descriptor
    finally:
        os.close(descriptor)


def _locked(descriptor: int) -> bool:
    """Whether nobody else holds it, now that we do as far as its drive can; the lock goes with it."""
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (BlockingIOError, PermissionError):
        return False
    except OSError as e:
        # Some shares lock no folder; a file that cannot be locked is a fault.
        if not (stat.S_ISDIR(os.fstat(descriptor).st_mode) and e.errno in NO_FOLDER_LOCK):
            raise
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

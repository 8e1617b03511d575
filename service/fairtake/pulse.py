"""A sign of life from long reading, copying and encoding, deep below whoever takes silence for a hang.

A large file over a slow link takes minutes. Who waits for it says what is to be called meanwhile;
who moves bytes says that it goes on, and does not know who waits.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar

#: However often bytes are moved, nobody hears of it oftener.
EVERY_S = 1.0

_FELT: ContextVar[Callable[[], None]] = ContextVar("felt", default=lambda: None)


@contextmanager
def felt_by(who: Callable[[], None]) -> Iterator[None]:
    """Call *who* once a second at most while what is done here, on this thread, goes on."""
    last = time.monotonic()

    def felt() -> None:
        nonlocal last
        if time.monotonic() - last >= EVERY_S:
            last = time.monotonic()  # first: what is called may move bytes itself
            who()

    token = _FELT.set(felt)
    try:
        yield
    finally:
        _FELT.reset(token)


def beat() -> None:
    """Bytes were moved."""
    _FELT.get()()

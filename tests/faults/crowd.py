"""Very many files at once: as they come, and while the service sleeps."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path

from books import Books
from live import live, settled, until
from scenes import fresh
from steps import Found


def burst(folder: Path, many: int, asleep: bool) -> Found:
    """*many* files nobody can finish, each with bytes of its own, dropped as fast as they come."""
    found = Found(f"{many} files{' while it slept' if asleep else ''}", hit=True)
    books = fresh(folder / "root", workers=2)
    with live(books.root) as service:
        until(lambda: "started" in service.log)
        if asleep:
            service.process.send_signal(signal.SIGSTOP)
        _drop(books, many)
        if asleep:
            service.process.send_signal(signal.SIGCONT)
        quarantine = books.root / "quarantine"
        patience_s = 300 + many / 5
        until(lambda: sum(1 for _ in os.scandir(quarantine)) >= 2 * many, patience_s, every_s=1)
        found.wrong += books.wrong_now()
        found.wrong += service.end()
        found.log = service.log[-2000:]
    found.wrong += settled(books, patience_s)
    found.checked, found.faults = books.checked, many
    return found


def _drop(books: Books, many: int) -> None:
    for number in range(many):
        name, data = f"{number:05}.wav", b"no sound, number %d\n" % number
        (books.root / "inbox" / name).write_bytes(data)
        books.takes[name] = data
    books.bad = frozenset(books.takes)


def bursts(folder: Path, many: int) -> Iterator[Found]:
    yield burst(folder / "awake", many, asleep=False)
    yield burst(folder / "asleep", many, asleep=True)

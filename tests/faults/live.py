"""A service started cold, as people start it, for faults that need no step: ended whatever happens."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from books import Books, Wrong
from warm import left_over_in

#: Only waiting: what is waited for has to come, on a busy machine late.
PATIENCE_S = 600.0


class Live:
    """A real ``python -m fairtake serve`` in a session of its own, run by the command *under*."""

    def __init__(self, root: Path, *options: str, under: Sequence[str] = ()) -> None:
        self.log_path = root.with_name(root.name + ".log")
        with open(self.log_path, "ab") as log:
            self.process = subprocess.Popen(
                [*under, sys.executable, "-m", "fairtake", "serve", str(root), *options],
                stdin=subprocess.DEVNULL, stdout=log, stderr=log, start_new_session=True,
            )  # fmt: skip

    @property
    def log(self) -> str:
        return self.log_path.read_text("utf-8", "replace")

    def end(self, number: int = signal.SIGTERM, patience_s: float = PATIENCE_S) -> list[Wrong]:
        """Send the signal; what outlived the service, or that it did not end."""
        if self.process.poll() is None:
            self.process.send_signal(number)
        return self.ended(patience_s)

    def ended(self, patience_s: float = PATIENCE_S) -> list[Wrong]:
        """Wait for the end."""
        try:
            self.process.wait(patience_s)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait(10)
            left_over_in(self.process.pid, 0)
            return [Wrong("unfinished", "the service hung: " + self.log[-500:])]
        return [Wrong("left over", f"process {pid}") for pid in left_over_in(self.process.pid)]


@contextlib.contextmanager
def live(root: Path, *options: str) -> Iterator[Live]:
    service = Live(root, *options)
    try:
        yield service
    finally:
        service.end(signal.SIGKILL)


def once(root: Path, patience_s: float = PATIENCE_S) -> list[Wrong]:
    """Run ``serve --once`` to its end."""
    with live(root, "--once") as service:
        return service.ended(patience_s)


def until(
    condition: Callable[[], Any], patience_s: float = PATIENCE_S, every_s: float = 0.05
) -> bool:
    """Whether *condition* came to hold in time."""
    end = time.monotonic() + patience_s
    while not condition():
        if time.monotonic() > end:
            return False
        time.sleep(every_s)
    return True


def settled(books: Books, patience_s: float = PATIENCE_S) -> list[Wrong]:
    """The last run after a fault, and what is wrong behind it."""
    return once(books.root, patience_s) + books.wrong_at_the_end()


@contextlib.contextmanager
def small_disk(place: Path, size: str) -> Iterator[None]:
    """A file system of *size* (``size=…`` or ``nr_inodes=…``) in memory at *place*."""
    place.mkdir(parents=True, exist_ok=True)
    subprocess.run(["mount", "-t", "tmpfs", "-o", size, "tmpfs", str(place)], check=True)
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", str(place)], check=False)


def tidy(folder: Path) -> None:
    """Remove a folder, and before it what is still mounted in it."""
    for line in reversed(Path("/proc/self/mounts").read_text("utf-8").splitlines()):
        place = line.split()[1].encode().decode("unicode_escape")
        if place.startswith(f"{folder}/"):
            subprocess.run(["umount", "-l", place], check=False)
    shutil.rmtree(folder, ignore_errors=True)


def may_mount() -> str:
    """Why nothing can be mounted, '' when it can."""
    return "" if os.geteuid() == 0 else "only root may mount"

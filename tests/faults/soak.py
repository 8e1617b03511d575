"""Hours of bad luck in minutes: a service that is killed, paused, starved and fed all the while.

Takes, good and bad, come at random; every few seconds something is done to the service or to one of
its processes. The books are read every minute while it goes on, and once it has come to rest.
"""

from __future__ import annotations

import contextlib
import os
import random
import signal
import subprocess
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from live import Live, may_mount, settled, until
from scenes import fresh, good, put
from steps import Found
from warm import members

BOOKS_EVERY_S = 60.0
#: So that the books stay quick to read.
MOST_WAITING = 6
#: A take that cost so many attempts is spared until it is done: after ten it would rightly be given
#: up, and on a busy machine most attempts are killed before they come to anything.
WEARY = 6


class Soak:
    """One soak. Each fault is a method named after it."""

    FAULTS = ("kill_service", "kill_worker", "kill_any", "pause", "end_and_start", "fill_scratch",
              "lose_outbox", "lose_scratch")  # fmt: skip
    GENTLE = ("pause", "lose_outbox")

    def __init__(self, folder: Path, draw: random.Random) -> None:
        self.books = fresh(folder / "root", workers=2, retry_s=0.2, hang_s=60, retry_most_s=2)
        self.draw, self.done = draw, Counter[str]()
        self.dropped = self.counted = 0
        self.found = Found("soak", hit=True)
        self.service = Live(self.books.root)

    def run(self, minutes: float) -> Iterator[Found]:
        """What every fault came to, and the last look at the books."""
        end = time.monotonic() + 60 * minutes
        looked = time.monotonic()
        try:
            while time.monotonic() < end:
                self._feed()
                self._hurt()
                if time.monotonic() - looked > BOOKS_EVERY_S:
                    looked = time.monotonic()
                    self.found.wrong += self.books.wrong_now()
                yield self._said()
            until(lambda: not any((self.books.root / "inbox").glob("*.wav")), 600)
        finally:
            self.found.wrong += self.service.end()
        self.found.wrong += settled(self.books)
        yield self._said()

    def _said(self) -> Found:
        """What was found since it was asked last."""
        said, self.found = self.found, Found("soak", hit=True, faults=0)
        said.checked, self.books.checked = self.books.checked, 0
        said.faults, self.counted = self.done.total() - self.counted, self.done.total()
        said.log = self.service.log[-3000:] if said.wrong else ""
        said.fault = f"soak, {self.dropped} takes; " + ", ".join(
            f"{name.replace('_', ' ')} {count}" for name, count in sorted(self.done.items())
        )
        return said

    def _feed(self) -> None:
        waiting = sum(1 for _ in (self.books.root / "inbox").glob("*.wav"))
        if waiting >= MOST_WAITING:
            return
        self.dropped += 1
        number = self.dropped
        if self.draw.random() < 0.3:
            put(self.books, f"{number}.wav", b"no sound, number %d" % number, bad=True)
        else:
            put(self.books, f"{number}.wav", good(0.99 - (number % 9000) / 10000))

    def _hurt(self) -> None:
        time.sleep(self.draw.uniform(0.2, 4.0))
        name = self.draw.choice(self.GENTLE if self._weary() else self.FAULTS)
        with contextlib.suppress(ProcessLookupError):
            getattr(self, name)()
            self.done[name] += 1
        if self.service.process.poll() is not None:
            self._start_again()

    def _weary(self) -> bool:
        claims = self.books.root / ".fairtake/claims"
        return any(sum(1 for _ in job.glob("attempt-*")) >= WEARY for job in claims.glob("*"))

    def _start_again(self) -> None:
        self.found.wrong += self.service.ended()
        self.service = Live(self.books.root)

    # --- faults ---------------------------------------------------------------------------------

    def kill_service(self) -> None:
        self.found.wrong += self.service.end(signal.SIGKILL)

    def kill_worker(self) -> None:
        workers = [p for p in members(self.service.process.pid) if p != self.service.process.pid]
        if workers:
            os.kill(self.draw.choice(workers), signal.SIGKILL)

    def kill_any(self) -> None:
        if living := members(self.service.process.pid):
            os.kill(self.draw.choice(living), signal.SIGKILL)
            time.sleep(0.2)

    def pause(self) -> None:
        paused = members(self.service.process.pid)
        for number in (signal.SIGSTOP, signal.SIGCONT):
            for pid in paused:  # one that went meanwhile must not leave the others stopped
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pid, number)
            if number == signal.SIGSTOP:
                time.sleep(self.draw.uniform(0.5, 3.0))

    def end_and_start(self) -> None:
        self.found.wrong += self.service.end(signal.SIGTERM)

    def fill_scratch(self) -> None:
        """The disk that is worked on is full for a while, and what lay on it is out of sight."""
        if may_mount():
            self.lose_outbox()
            return
        place = self.books.root / ".fairtake/scratch"
        command = ["mount", "-t", "tmpfs", "-o", "size=100k", "tmpfs", str(place)]
        subprocess.run(command, check=True)
        time.sleep(self.draw.uniform(0.5, 3.0))
        subprocess.run(["umount", "-l", str(place)], check=True)

    def lose_outbox(self) -> None:
        """The outbox is away for a while, as a drive that was unplugged."""
        outbox = self.books.root / "outbox"
        away = outbox.with_name("outbox away")
        os.rename(outbox, away)
        time.sleep(self.draw.uniform(0.2, 2.0))
        if outbox.exists():  # something was put where it should have been: all of it counts
            self._bring_together(outbox, away)
        os.rename(away, outbox)

    def _bring_together(self, made: Path, away: Path) -> None:
        for top, _, names in os.walk(made):
            for name in names:
                target = away / os.path.relpath(os.path.join(top, name), made)
                target.parent.mkdir(parents=True, exist_ok=True)
                os.rename(os.path.join(top, name), target)
        subprocess.run(["rm", "-r", str(made)], check=True)

    def lose_scratch(self) -> None:
        """Somebody tidies up what looks like rubbish."""
        subprocess.run(["rm", "-rf", *map(str, (self.books.root / ".fairtake/scratch").glob("*"))])


def soak(folder: Path, minutes: float, draw: random.Random) -> Iterator[Found]:
    yield from Soak(folder, draw).run(minutes)

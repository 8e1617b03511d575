"""The service's loop: scan, settle, claim, hand out, listen to the workers, say how it is."""

from __future__ import annotations

import contextlib
import os
import signal
import threading
import time
from collections.abc import Iterator
from multiprocessing.connection import Pipe, wait
from typing import Any

from fairtake.errors import AlreadyServed, WorkerCrashed, WorkerHung
from fairtake.folders import Claim, Root, begin, claim, give_back_attempt, recover, refresh, unclaim
from fairtake.serving.heartbeat import EVERY_S, beat
from fairtake.serving.job import Outcome, fault_of, quarantined
from fairtake.serving.log import event
from fairtake.serving.scan import is_companion, scan
from fairtake.serving.settle import Settling
from fairtake.serving.watch import start_watching
from fairtake.serving.workers import Task, Worker, Workers
from fairtake.shipped import load_profile

#: How long a publishing that has begun is waited for when the service is told to end.
PUBLISH_PATIENCE_S = 30.0
#: Idle workers are ended after this, to give their memory back.
IDLE_WORKERS_S = 30.0
#: With ``once``: a file somebody writes is waited for over so many settle times.
ONCE_PATIENCE = 3
#: With ``once``: a fault of the surroundings is tried again so often; takes then wait for the next run.
ONCE_TRIES = 4
#: Fewest seconds between two scans, whatever events say.
SCAN_LEAST_S = 0.2


class Service:
    """One service on one ROOT. ``failed`` counts the takes that were quarantined."""

    def __init__(self, root: Root, once: bool = False) -> None:
        settings = root.settings
        self.root, self.once = root, once
        self.failed = self.finished = 0
        self.gave_up = False
        self._settling = Settling(
            root.inbox,
            settings.settle_s,
            settings.settle_s if once else settings.incomplete_grace_s,
            time.monotonic,
        )
        self._workers = Workers(settings.workers or os.cpu_count() or 1)
        self._pending: list[Claim] = []
        self._grace_over: set[str] = set()
        self._pause_until, self._pause_s, self._pauses = 0.0, settings.retry_s, 0
        self._trouble = ""
        self._stopping = self._changed = False
        self._since = time.time()
        self._scanned = self._beaten = self._worked = -1e9
        self._first: set[str] | None = None
        self._woken, self._wake = Pipe(duplex=False)
        self._waking = threading.Lock()

    # --- life ------------------------------------------------------------------------------

    def run(self) -> None:
        """Serve until told to end, or with ``once`` until what is there is done.

        Raises `AlreadyServed`, and a `SettingsFault` when the default profile is not in order.
        """
        load_profile(self.root.settings.default_profile, self.root.profiles)
        self.root.make_folders()
        with self._alone(), self._signals(), self._watching():
            event("started", root=str(self.root.path))
            self._pending = recover(self.root)
            for claimed in self._pending:
                event("recovered", claimed.path)
            try:
                while not self._stopping and not self._done():
                    self._turn()
            finally:
                self._end()

    def stop(self, *_: Any) -> None:
        """End soon; safe to call from a signal."""
        self._stopping = True
        self._poke()

    def _turn(self) -> None:
        now = time.monotonic()
        wait_s = SCAN_LEAST_S if self._changed else self.root.settings.scan_s
        if now - self._scanned >= wait_s:
            self._scan()
        if now >= self._pause_until:
            if self._trouble and not self._pending and not self._workers.busy:
                self._out_of_trouble()
            self._hand_out()
        self._beat()
        self._wait()

    def _wait(self) -> None:
        """Sleep until a worker speaks, an event comes, or something is due."""
        pipes: list[Any] = [worker.pipe for worker in self._workers.busy]
        for ready in wait([self._woken, *pipes], self._sleep_s()):
            if ready is self._woken:
                self._changed = True
                while self._woken.poll():
                    self._woken.recv()
        for worker in self._workers.busy:
            self._hear(worker)
        if not self._workers.busy and time.monotonic() - self._worked > IDLE_WORKERS_S:
            self._workers.end_idle()

    def _sleep_s(self) -> float:
        now = time.monotonic()
        due = self._settling.next_due_s()
        wait_s = SCAN_LEAST_S if self._changed else self.root.settings.scan_s
        sleeps = [EVERY_S, self._scanned + wait_s - now]
        if due is not None:
            sleeps.append(due + 0.01)
        if self._pause_until > now:
            sleeps.append(self._pause_until - now)
        return max(min(sleeps), 0.02)

    def _done(self) -> bool:
        """With ``once``: whether all that was there at the start is done, or cannot be now."""
        if not self.once or self._workers.busy:
            return False
        if self._pauses >= ONCE_TRIES:
            event("gave-up", why=self._trouble)
            self.gave_up = True
            return True
        if self._first is None or self._pending:
            return False
        left = [path for path in self._first if path in self._settling.files]
        if left and time.time() - self._since < ONCE_PATIENCE * self.root.settings.settle_s:
            return False
        if all(self._settling.still_arriving(path) for path in left):
            for path in left:
                event("left", path, why="still arriving")
            return True
        return False

    # --- intake ----------------------------------------------------------------------------

    def _scan(self) -> None:
        self._scanned, self._changed = time.monotonic(), False
        try:
            found = scan(self.root.inbox)
        except OSError as e:
            self._pause(fault_of(e).message)
            return
        self._settling.look(found)
        if self._first is None:
            self._first = {path for path in found if not is_companion(path)}

    def _hand_out(self) -> None:
        for claimed in self._pending[: self._workers.free]:
            self._pending.remove(claimed)
            self._start(claimed)
        if not self._workers.free:
            return
        for path in self._settling.ready():
            if self.once and self._first is not None and path not in self._first:
                continue
            try:
                taken = claim(self.root, path)
            except OSError as e:
                self._pause(fault_of(e).message, path)
                return
            waiting = self._settling.files.pop(path)
            if taken is not None:
                if waiting.missing:
                    self._grace_over.add(taken.job)
                event("claimed", path)
                self._start(taken)
            if not self._workers.free:
                return

    def _start(self, claimed: Claim) -> None:
        if self._used_up(claimed):
            self._quarantine(
                claimed, WorkerCrashed("The service ended while it was at work on it.")
            )
            return
        begin(claimed)
        over = self.once or claimed.job in self._grace_over
        self._workers.hand(claimed, Task(self.root.path, claimed.folder, over))

    # --- workers ---------------------------------------------------------------------------

    def _hear(self, worker: Worker) -> None:
        claimed = worker.claimed
        assert claimed is not None
        for outcome in self._workers.heard(worker):
            self._settle_outcome(claimed, outcome)
        if worker.claimed is None:
            return
        silent_s = time.monotonic() - worker.heard
        if silent_s > self.root.settings.hang_s:
            self._workers.drop(worker)
            self._again_or_quarantine(claimed, WorkerHung(f"It was silent for {silent_s:.0f} s."))

    def _settle_outcome(self, claimed: Claim, outcome: Outcome) -> None:
        self._worked = time.monotonic()
        path = claimed.path
        match outcome.ending:
            case "finished":
                self.finished += 1
                self._out_of_trouble()
                event("finished", path, place=outcome.place, failed_checks=outcome.failed_checks)
            case "duplicate":
                event("duplicate", path, place=outcome.place)
            case "quarantined":
                self.failed += 1
                event("quarantined", path, code=outcome.code, message=outcome.message)
            case "not-whole" | "changed":
                if claimed.take.exists():
                    self._put_back(claimed, outcome.message)
            case "surroundings":
                give_back_attempt(claimed)
                self._pending.append(claimed)
                self._pause(outcome.message, path)
            case "crashed":
                self._again_or_quarantine(claimed, WorkerCrashed(outcome.message))

    def _put_back(self, claimed: Claim, why: str) -> None:
        """Back to the inbox, where it goes on waiting as one that is not whole."""
        unclaim(self.root, claimed)
        event("put-back", claimed.path, why=why)
        with contextlib.suppress(OSError):
            self._settling.look(scan(self.root.inbox))
            self._settling.put_back(claimed.path, why)

    def _again_or_quarantine(self, claimed: Claim, error: WorkerCrashed | WorkerHung) -> None:
        event("crashed", claimed.path, message=error.message, attempts=claimed.attempts)
        if self._used_up(claimed):
            self._quarantine(claimed, error)
            return
        self._pending.append(claimed)
        if claimed.publish is not None:  # not the take's doing: it is finished, only not in place
            self._pause(error.message, claimed.path)

    def _used_up(self, claimed: Claim) -> bool:
        """Whether a take had all its attempts. One whose files are being placed is past that."""
        with contextlib.suppress(OSError):
            refresh(claimed)
        return claimed.publish is None and claimed.attempts >= self.root.settings.most_attempts

    def _quarantine(self, claimed: Claim, error: WorkerCrashed | WorkerHung) -> None:
        self._settle_outcome(claimed, quarantined(self.root, claimed, error, "work"))

    # --- surroundings ------------------------------------------------------------------------

    def _pause(self, message: str, path: str = "") -> None:
        """Leave everything where it is and try again later, each time a little later."""
        self._trouble = message
        self._pauses += 1
        self._pause_until = time.monotonic() + self._pause_s
        event("waiting", path, why=message, retry_in_s=round(self._pause_s))
        self._pause_s = min(self._pause_s * 2, self.root.settings.retry_most_s)

    def _out_of_trouble(self) -> None:
        if self._trouble:
            event("resumed")
        self._trouble, self._pause_s, self._pauses = "", self.root.settings.retry_s, 0

    def _beat(self) -> None:
        if time.monotonic() - self._beaten < EVERY_S:
            return
        self._beaten = time.monotonic()
        doing = [
            {
                "job": w.claimed.job,
                "take": w.claimed.path,
                "verb": w.verb,
                "share": round(w.share, 3),
            }
            for w in self._workers.busy
            if w.claimed
        ]
        with contextlib.suppress(OSError):  # nothing to be done about it here; its age will tell
            beat(self.root.heartbeat, self._since, doing, self._settling.reasons(), self._trouble)

    # --- begin and end -----------------------------------------------------------------------

    def _end(self) -> None:
        """Let publishing finish, put everything else back, leave nothing half done."""
        patience = time.monotonic() + PUBLISH_PATIENCE_S
        while any(w.publishing for w in self._workers.busy) and time.monotonic() < patience:
            wait([w.pipe for w in self._workers.busy], 0.2)
            for worker in self._workers.busy:
                self._hear(worker)
        unfinished = [w.claimed for w in self._workers.busy if w.claimed]
        self._workers.end_all()
        for claimed in [*unfinished, *self._pending]:
            self._hand_back(claimed)
        event("stopped", finished=self.finished, quarantined=self.failed)

    def _hand_back(self, claimed: Claim) -> None:
        """What cannot go back now is found as a claim at the next start."""
        with contextlib.suppress(OSError):
            refresh(claimed)
            if claimed.take.exists() and claimed.publish is None and claimed.quarantine is None:
                unclaim(self.root, claimed)
                event("put-back", claimed.path, why="the service ends")

    @contextlib.contextmanager
    def _alone(self) -> Iterator[None]:
        """Hold the ROOT's lock. Raises `AlreadyServed`."""
        if os.name != "posix":
            yield
            return
        import fcntl

        with open(self.root.lock, "a") as lock:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                raise AlreadyServed(str(self.root.path)) from None
            yield

    @contextlib.contextmanager
    def _signals(self) -> Iterator[None]:
        before = {s: signal.signal(s, self.stop) for s in (signal.SIGTERM, signal.SIGINT)}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)

    @contextlib.contextmanager
    def _watching(self) -> Iterator[None]:
        """Be woken by events. Without them the periodic scan does it all, only later."""
        try:
            observer = start_watching(self.root.inbox, self.root.settings.watch, self._poke)
        except OSError as e:
            event("no-events", why=f"{e.strerror}; the inbox is looked through every scan_s")
            yield
            return
        try:
            yield
        finally:
            observer.stop()
            observer.join(5)

    def _poke(self) -> None:
        # One waiting word is enough; a full pipe would block whoever writes to it.
        if self._waking.acquire(blocking=False):
            try:
                if not self._woken.poll():
                    self._wake.send(True)
            finally:
                self._waking.release()

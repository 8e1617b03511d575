"""Tell the owner when a batch has ended or a take was quarantined: by a command, by a POST, or both.

The service's loop drops notices and goes on. A thread delivers them one after another, each once and
with a time limit; what fails is said in log and status, and no take ever waits for it. Where notices
come faster than they are delivered, the oldest are thrown away: the batch's own tells of all.
"""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from fairtake.errors import all_errors
from fairtake.folders import Root
from fairtake.notice import Counts, Event, FinishedNote, Notice, QuarantinedNote
from fairtake.receipt import REASON_SUFFIX, RECEIPT_SUFFIX
from fairtake.serving.errand import post_errand, run_errand
from fairtake.serving.inventory import read_json
from fairtake.serving.job import Outcome
from fairtake.serving.log import event
from fairtake.versions import fairtake_version

#: So many notices wait to be delivered, and so many takes of each kind are listed in one.
MOST_WAITING, MOST_LISTED = 50, 1000
#: The receipts of so many are in it, and the reasons of so many.
MOST_DOCUMENTS = 50
#: What waits when the service is told to end is given so long. Less than a service manager allows.
END_S = 10.0


@dataclass
class Batch:
    """What ended since the service was idle last."""

    counts: Counts = field(default_factory=Counts)
    finished: list[FinishedNote] = field(default_factory=list)
    quarantined: list[QuarantinedNote] = field(default_factory=list)

    def add(self, root: Root, path: str, outcome: Outcome) -> bool:
        """Take in how the work on *path* ended; whether that was an end at all."""
        counts = self.counts
        match outcome.ending:
            case "finished":
                counts.finished += 1
                counts.missed_checks += bool(outcome.failed_checks)
                receipt = str(root.outbox / f"{outcome.place}{RECEIPT_SUFFIX}")
                missed = list(outcome.failed_checks)
                if len(self.finished) < MOST_LISTED:
                    note = FinishedNote(take=path, receipt=receipt, missed_checks=missed)
                    self.finished.append(note)
            case "quarantined":
                counts.quarantined += 1
                if len(self.quarantined) < MOST_LISTED:
                    self.quarantined.append(_quarantined(root, path, outcome))
            case "duplicate":
                counts.duplicates += 1
            case _:
                return False
        return True

    def notice(self, root: Root, what: Event, waiting: int) -> Notice:
        return Notice(
            event=what,
            at=datetime.now().astimezone().isoformat(timespec="seconds"),
            root=str(root.path),
            counts=self.counts.model_copy(update={"waiting": waiting}),
            finished=self.finished,
            quarantined=self.quarantined,
            made_by={"fairtake": fairtake_version()},
        )


class Notices:
    """A ROOT's notices. ``trouble`` says why the last one was not delivered, '' when it was."""

    def __init__(self, root: Root) -> None:
        self.trouble = ""
        settings = root.settings.notify
        self._root, self._settings = root, settings
        self._is_on = bool(settings.command or settings.url)
        self._batch = Batch()
        self._waiting = 0
        self._busy_at = time.monotonic()
        self._queue: queue.Queue[Notice | None] = queue.Queue(MOST_WAITING)
        self._dropped = 0
        self._ending, self._over = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._keep, name="notices", daemon=True)

    def start(self) -> None:
        if self._is_on:
            self._thread.start()

    def end(self, patiently: bool) -> None:
        """What is in hand is a batch; deliver what waits, *patiently* as long as two may take."""
        if not self._thread.is_alive():
            return
        self._ending.set()
        self._batch_ended()
        self._put(None)
        self._thread.join(4 * self._settings.timeout_s if patiently else END_S)
        self._over.set()
        self._thread.join(1.0)

    # --- told by the service's loop ------------------------------------------------------------------

    def ended(self, path: str, outcome: Outcome) -> None:
        """The work on a take ended."""
        if not self._is_on or not self._batch.add(self._root, path, outcome):
            return
        self._busy_at = time.monotonic()
        if outcome.ending == "quarantined":
            one = Batch()
            one.add(self._root, path, outcome)
            self._put(one.notice(self._root, "quarantined", self._waiting))

    def told(self, busy: bool, waiting: int) -> None:
        """Whether takes are in work, and how many wait for it; said every few seconds."""
        now = time.monotonic()
        self._waiting = waiting
        if busy:
            self._busy_at = now
        elif now - self._busy_at >= self._settings.quiet_s:
            self._batch_ended()

    def _batch_ended(self) -> None:
        batch, self._batch = self._batch, Batch()
        if batch.counts.finished or batch.counts.quarantined:
            self._put(batch.notice(self._root, "batch-ended", self._waiting))

    def _put(self, notice: Notice | None) -> None:
        if self._queue.full():
            with contextlib.suppress(queue.Empty):
                self._queue.get_nowait()
                self._dropped += 1
        self._queue.put_nowait(notice)  # nobody else puts

    # --- on the thread of the notices ----------------------------------------------------------------

    def _keep(self) -> None:
        while (notice := self._queue.get()) is not None and not self._over.is_set():
            if self._ending.is_set() and self.trouble and notice.event == "quarantined":
                self._dropped += 1  # there is time for one: the batch's, which tells of all
                continue
            try:
                failed = self._deliver(notice)
            except Exception as e:  # whatever it is, it must not end the notices for good
                failed = [f"A notice met a bug: {type(e).__name__}: {e}."]
            if self._dropped:
                failed.append(f"{self._dropped} notices were thrown away, unsaid.")
                self._dropped = 0
            self._say(" ".join(failed))

    def _deliver(self, notice: Notice) -> list[str]:
        """A sentence for each way that failed."""
        settings, document = self._settings, _with_documents(notice).to_json().encode("ascii")
        ways: list[tuple[str, Callable[[], str]]] = []
        if settings.command:
            ways.append(("The command of [notify]", lambda: run_errand(
                settings.command, document, settings.timeout_s, self._over.is_set)))  # fmt: skip
        if settings.url:
            ways.append(("The POST of [notify]", lambda: post_errand(
                settings.url, document, settings.timeout_s, self._over.is_set)))  # fmt: skip
        failed = []
        for name, way in ways:
            try:
                why = way()
            except OSError as e:
                why = f"it could not be started: {e.strerror or e}"
            failed += [f"{name} failed: {why}."] if why else []
        return failed

    def _say(self, trouble: str) -> None:
        if trouble:
            event("fault", why=trouble)
        elif self.trouble:
            event("resumed", why="notices are delivered again")
        self.trouble = trouble


def _with_documents(notice: Notice) -> Notice:
    """*notice* with receipts and reasons as they stand on disk, which the loop must not wait for."""
    for finished in notice.finished[:MOST_DOCUMENTS]:
        finished.document = read_json(Path(finished.receipt)) or None
    for quarantined in notice.quarantined[:MOST_DOCUMENTS]:
        quarantined.document = read_json(Path(quarantined.reason)) or None
    return notice


def _quarantined(root: Root, path: str, outcome: Outcome) -> QuarantinedNote:
    advice = next((e.advice for e in all_errors() if e.code == outcome.code), "")
    reason = str(root.quarantine / f"{outcome.place}{REASON_SUFFIX}")
    return QuarantinedNote(
        take=path, reason=reason, code=outcome.code, message=outcome.message, advice=advice
    )

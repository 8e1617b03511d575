"""The clerk: keeps the ledger, on a thread of its own, so that no take ever waits for a book.

The service's loop drops notes and goes on. When the ledger's disk is full, read-only, gone or slow,
that is said in log and status, notes are thrown away, and the clerk tries again by itself; then, as
at every start and once an hour, it brings the ledger into agreement with the folders.
"""

from __future__ import annotations

import contextlib
import functools
import queue
import sqlite3
import threading
import time
from collections.abc import Callable, Iterable
from typing import Any

from fairtake.errors import FairtakeError
from fairtake.folders import Claim, Root
from fairtake.folders.drives import Drives
from fairtake.serving.inventory import standing, stands_in_quarantine
from fairtake.serving.ledger import Entry, Ledger, State, open_ledger
from fairtake.serving.log import event

RECONCILE_EVERY_S = 3600.0
#: Notes are gathered for so long: each writing waits for the disk, and others wait behind it.
GATHER_S = 0.2
_Note = Callable[[Ledger], None]


class Clerk:
    """Keeps a ROOT's ledger. ``trouble`` says what is in the way, '' when nothing is."""

    def __init__(self, root: Root) -> None:
        self.trouble = ""
        self._root = root
        self._notes: queue.SimpleQueue[_Note | None] = queue.SimpleQueue()
        self._ledger: Ledger | None = None
        self._reconciled = self._tried = -1e9
        self._waiting, self._in_full = frozenset[str](), True
        self._thread = threading.Thread(target=self._keep, name="clerk", daemon=True)

    def start(self) -> None:
        """Begin with what the folders show."""
        self._notes.put(lambda ledger: None)
        self._thread.start()

    def end(self, patience_s: float = 5.0) -> None:
        """Write what was noted, and end; a ledger that hangs is left to itself."""
        self._notes.put(None)
        self._thread.join(patience_s)

    # --- notes, from the service's loop ------------------------------------------------------------

    def seen(self, paths: Iterable[str]) -> None:
        """These takes wait in the inbox."""
        waiting, before = frozenset(paths), self._waiting
        in_full = self._in_full
        if waiting == before and not in_full:
            return
        if in_full:
            self._in_full = False  # before what is noted now: it may be asked for anew meanwhile
        self._waiting = waiting
        stands = functools.partial(stands_in_quarantine, self._root)
        if in_full:
            self._note("seen", waiting, time.time(), stands)
        else:  # of thousands that wait, one or two change
            self._note("changed", waiting - before, before - waiting, time.time(), stands)

    def claimed(self, claimed: Claim) -> None:
        self._note("claimed", claimed.job, claimed.path, claimed.claimed_at)

    def began(self, claimed: Claim) -> None:
        self._note("began", claimed.job, claimed.attempts)

    def unclaimed(self, claimed: Claim, path: str) -> None:
        """The take lies in the inbox again, at *path*."""
        self._note("unclaimed", claimed.job, path, time.time())

    def ended(self, claimed: Claim, state: State, sha256: str, place: str, code: str = "") -> None:
        """The take was published or quarantined."""
        self._note("ended", self._entry(claimed, state, sha256, place, code))

    def duplicate(self, claimed: Claim, sha256: str, place: str) -> None:
        """The take had been published before."""
        self._note("duplicate", self._entry(claimed, "published", sha256, place))

    def _entry(
        self, claimed: Claim, state: State, sha256: str, place: str, code: str = ""
    ) -> Entry:
        return Entry(
            claimed.path, state, time.time(), sha256, claimed.job, claimed.attempts, code, place
        )

    def _note(self, what: str, *arguments: Any) -> None:
        self._notes.put(lambda ledger: getattr(ledger, what)(*arguments))

    # --- the ledger, on the clerk's thread -----------------------------------------------------------

    def _keep(self) -> None:
        going_on = True
        while going_on:
            notes = self._taken()
            going_on = None not in notes
            try:
                self._write([note for note in notes if note is not None])
            except (sqlite3.Error, OSError) as e:
                self._give_up(f"The ledger cannot be written: {e}.")
            except FairtakeError as e:
                self._give_up(f"The ledger cannot be compared with the folders. {e.message}")
            except Exception as e:  # a bug of ours here must not end the books for good
                self._give_up(f"The ledger met a bug: {type(e).__name__}: {e}.")
        self._close()

    def _taken(self) -> list[_Note | None]:
        """All notes of a moment, after a while without any an empty list."""
        notes: list[_Note | None] = []
        wait_s = self._root.settings.retry_s if self.trouble else RECONCILE_EVERY_S
        with contextlib.suppress(queue.Empty):
            notes.append(self._notes.get(timeout=wait_s))
            time.sleep(GATHER_S if self._ledger is not None else 0.0)
            while True:
                notes.append(self._notes.get_nowait())
        return notes

    def _write(self, notes: list[_Note]) -> None:
        now = time.monotonic()
        if self.trouble and now - self._tried < self._root.settings.retry_s:
            return  # the folders will tell it all
        self._tried = now
        if self._ledger is not None and not self._ledger.is_there():
            self._close()
        if self._ledger is None:
            self._ledger = open_ledger(self._root.ledger)
            self._reconciled = -1e9
            notes = []  # the folders tell it all, and what was noted before may be true no longer
        if now - self._reconciled >= RECONCILE_EVERY_S:
            Drives(self._root).require()  # an empty folder in a drive's place says nothing
            found = list(standing(self._root, self._ledger.places()))
            with self._ledger.transaction():
                self._ledger.reconcile(found)
            self._in_full = True  # what changed meanwhile is told with the next change
            self._reconciled = now
        with self._ledger.transaction():
            for note in notes:
                note(self._ledger)
        if self.trouble:
            self.trouble = ""
            event("resumed", why="the ledger is kept again")

    def _give_up(self, trouble: str) -> None:
        if trouble != self.trouble:
            event("fault", why=trouble)
        self.trouble = trouble
        self._close()

    def _close(self) -> None:
        if self._ledger is not None:
            self._ledger.close()
            self._ledger = None

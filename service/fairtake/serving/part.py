"""One drive's part of the inbox: looked through, settled and claimed from on a thread of its own.

Whatever touches the drive happens here, so that a share that hangs holds up this thread and nobody
else. The service's loop asks for takes and reads what this thread last said.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from queue import Empty, SimpleQueue
from typing import Any

from fairtake.errors import FolderGone
from fairtake.folders import Claim, Root, can_claim, claim, unclaim
from fairtake.pulse import felt_by
from fairtake.serving.job import fault_of
from fairtake.serving.making import described
from fairtake.serving.scan import Seen, is_companion, look, walk
from fairtake.serving.settle import Settling, held_open
from fairtake.serving.waits import Waits
from fairtake.serving.watch import Watch
from fairtake.writers import open_for_writing

#: Fewest seconds between two scans, whatever events say.
SCAN_LEAST_S = 0.2
#: Between two scans there is rest for so many times as long as one takes.
SCAN_RESTS = 10
#: While takes wait, what they wait for is said anew so often.
SAY_EVERY_S = 1.0
#: So many folders that are closed to us are told one by one.
MOST_TOLD = 3
#: A drive that lets no call return for so long does not answer.
SILENT_S = 10.0


@dataclass(frozen=True)
class Taken:
    """A claimed take; ``grace_over`` when it has waited for missing bytes long enough."""

    claimed: Claim
    grace_over: bool


@dataclass(frozen=True)
class PutBack:
    """A take that is in the inbox again, at ``place``, and why."""

    claimed: Claim
    place: str
    why: str


@dataclass(frozen=True)
class Refused:
    """The surroundings let no take be claimed; or the one that was *claimed* be looked at or put back."""

    path: str
    message: str
    claimed: Claim | None = None


@dataclass(frozen=True)
class HeldUp:
    """A take could not be claimed or put back, and waits by itself; all others go on.

    It is tried again after ``wait_s``; None when it is gone.
    """

    path: str
    message: str
    wait_s: float | None


News = Taken | PutBack | Refused | HeldUp


class Part:
    """The inbox below *folder*, a path relative to it; '' is the inbox itself.

    *check* raises `FolderGone` when the drive is not the one it was. *tell* is called when there is
    something new in `news`, `reasons` or `trouble`.
    """

    def __init__(
        self,
        root: Root,
        folder: str,
        check: Callable[[], None],
        tell: Callable[[], None],
        once: bool,
    ) -> None:
        settings = root.settings
        self.folder = folder
        self.apart: frozenset[str] = frozenset()
        self.news: SimpleQueue[News] = SimpleQueue()
        self.reasons: dict[str, str] = {}
        self.arriving: set[str] = set()
        self.held_up: dict[str, tuple[str, int]] = {}
        self.first: set[str] | None = None
        self.closed: list[str] = []
        self._trouble = ""
        self._root, self._check, self._tell, self._once = root, check, tell, once
        grace_s = settings.settle_s if once else settings.incomplete_grace_s
        self._settling = Settling(
            root.inbox, settings.settle_s, grace_s, settings.unseen_s, time.monotonic
        )
        self._watch = Watch(root.inbox / folder, settings.watch, self._something_changed)
        self._wanted, self._counting = 0, threading.Lock()
        self._scanned = -1e9
        self._changed = self._ending = False
        self._took_s = 0.0
        self._returning: list[tuple[Claim, str, bool]] = []
        self._claiming = Waits(settings.retry_s, settings.retry_most_s)
        self._going_back = Waits(settings.retry_s, settings.retry_most_s)
        self._moved: float | None = None
        self._woken = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"inbox/{folder}", daemon=True)

    # --- asked by the service's loop; none of this waits for the drive -------------------------------

    def start(self) -> None:
        self._thread.start()

    def stop(self, patience_s: float) -> None:
        """End the thread; one that hangs is left to itself."""
        self._ending = True
        self._woken.set()
        if self._thread.is_alive():
            self._thread.join(patience_s)

    def want(self, takes: int) -> None:
        """Claim so many takes as soon as they are ready."""
        with self._counting:
            if not self.news.empty():  # who asks has not counted what was claimed already
                takes = min(takes, self._wanted)
            if takes == self._wanted:
                return
            self._wanted = takes
        self._woken.set()

    def put_back(self, claimed: Claim, why: str, patiently: bool) -> None:
        """Put a take back, to settle anew, or *patiently* to wait out its grace."""
        self._returning.append((claimed, why, patiently))
        self._woken.set()

    @property
    def trouble(self) -> str:
        """Why nothing can be taken from here, in a sentence, or ''."""
        moved = self._moved
        silent_s = 0.0 if moved is None else time.monotonic() - moved
        if silent_s > SILENT_S:
            return f"The drive of {self._root.inbox / self.folder} does not answer."
        return self._trouble

    @property
    def met_unseen(self) -> bool:
        """Whether takes came of which nobody tells whether somebody writes them."""
        return self._settling.met_unseen

    @property
    def returning(self) -> list[Claim]:
        """Takes on their way back."""
        return [claimed for claimed, *_ in list(self._returning)]

    # --- on the thread -----------------------------------------------------------------------------

    def _run(self) -> None:
        with felt_by(self._alive):
            self._live()

    def _live(self) -> None:
        while not self._ending:
            self._moved, before = time.monotonic(), self._told
            try:
                self._turn()
            except OSError as e:
                self._trouble = fault_of(e).message
                self._scanned = time.monotonic()
            except FolderGone as e:
                self._trouble = e.message
                self._scanned = time.monotonic()
            except Exception as e:  # a bug of ours must not close the way in for good
                self._trouble = f"Looking through the inbox met a bug: {described(e)}"
                self._scanned = time.monotonic()
            self._moved = None
            if self._told != before or not self.news.empty():
                self._tell()
            self._woken.wait(self._sleep_s())
            self._woken.clear()
        self._watch.stop()

    @property
    def _told(self) -> tuple[Any, ...]:
        """All that the service's loop reads here, beside the news."""
        return (
            self.reasons,
            self.arriving,
            self.held_up,
            self._trouble,
            self.first,
            self.closed,
            len(self._returning),
        )

    def _turn(self) -> None:
        if time.monotonic() - self._scanned >= self._scan_every_s():
            self._scan()
        if not self._trouble:
            self._return_takes()
            self._claim_takes()
        self._say()

    def _scan(self) -> None:
        begun = time.monotonic()
        told, self._changed = self._changed, False
        self._check()
        self._watch.mend(recursive=not self.apart)
        found: dict[str, Seen] = {}
        closed: set[str] = set()
        for path, seen in walk(self._root.inbox, self.folder, self.apart, closed):
            self._moved = time.monotonic()
            found[path] = seen
        news = self._settling.look(found)
        if news and not told and not self._changed and self.first is not None and not self.apart:
            self._watch.missed()
        self._scanned, self._trouble = time.monotonic(), ""
        self.closed = list(_said_of_closed(sorted(closed)))
        self._took_s = self._scanned - begun
        if self.first is None:
            self.first = {path for path in found if not is_companion(path)}

    def _claim_takes(self) -> None:
        if not self._wanted:
            return
        for path in self._settling.ready():
            if self._once and path not in (self.first or ()):
                continue
            self._alive()
            if self._claiming.left_s(path):
                continue
            try:
                self._claim(path)
                self._claiming.end(path)
            except OSError as e:
                self._not_claimed(path, fault_of(e).message)
            if not self._wanted or self._ending:
                return

    def _not_claimed(self, path: str, message: str) -> None:
        """Where no other could be claimed either, none is wanted; else this one waits by itself."""
        if can_claim(self._root):
            self.news.put(HeldUp(path, message, self._claiming.begin(path, message)))
            return
        self._wanted = 0
        self.news.put(Refused(path, message))

    def _alive(self) -> None:
        self._moved = time.monotonic()

    def _claim(self, path: str) -> None:
        taken = claim(self._root, path, open_for_writing)
        waited = self._settling.files.pop(path)
        if taken is None:
            return
        # From here on nobody can open it by its name; whoever had it open before still can write.
        try:
            seen = look(taken.take)
            if taken.copied is not None:  # the drive of the claims may keep times less finely
                noted = {key: taken.copied[key] for key in ("size", "mtime_ns")}
                seen = replace(seen, **noted)
            if not seen.same_bytes(waited.seen) or held_open(taken.take):
                self._returning.append((taken, "somebody still writes it", False))
                self._return_takes()
                return
        except OSError:  # it is claimed already: whoever works on it looks again
            self.news.put(Refused(path, "The drive let it be claimed and no more.", taken))
            return
        with self._counting:
            self.news.put(Taken(taken, bool(waited.missing)))
            self._wanted = max(self._wanted - 1, 0)  # none may be wanted any more, meanwhile
        if self._wanted:
            self._tell()  # the next may have to be copied, and this one could be begun

    def _return_takes(self) -> None:
        for going in list(self._returning):
            claimed, why, patiently = going
            if self._going_back.left_s(claimed.job):
                continue
            if self._bring_back(claimed, why, patiently):
                self._going_back.end(claimed.job)
                self._say()  # before it leaves the list: at any time it is seen in one of the two
                self._returning.remove(going)

    def _bring_back(self, claimed: Claim, why: str, patiently: bool) -> bool:
        """False while it is on its way: half way back it can only go on."""
        try:
            self._return(claimed, why, patiently)
        except OSError as e:
            path, message = claimed.path, fault_of(e).message
            if claimed.take.exists():
                self.news.put(Refused(path, message, claimed))
            elif self._is_gone(claimed):
                self.news.put(HeldUp(path, "Its claim is gone, and the take with it.", None))
            else:
                self.news.put(HeldUp(path, message, self._going_back.begin(claimed.job, message)))
                return False
        return True

    def _is_gone(self, claimed: Claim) -> bool:
        """Whether somebody removed a claim; a drive that is gone has taken them all with it."""
        return self._root.claims.is_dir() and not claimed.folder.exists()

    def _return(self, claimed: Claim, why: str, patiently: bool) -> None:
        place = unclaim(self._root, claimed)
        with contextlib.suppress(FileNotFoundError):  # somebody took it away at once
            seen = look(self._root.inbox / place)
            self._settling.put_back(place, seen, why if patiently else None)
        self.news.put(PutBack(claimed, place, why))

    def _say(self) -> None:
        for path in self._claiming.why.keys() - self._settling.files.keys():
            self._claiming.end(path)
        held_up = {
            path: (why, self._claiming.tries(path)) for path, why in self._claiming.why.items()
        }
        for claimed in self.returning:
            if why := self._going_back.why.get(claimed.job):
                held_up[claimed.path] = (why, self._going_back.tries(claimed.job))
        told = {path: why for path, (why, _) in held_up.items()}
        self.reasons, self.arriving = self._settling.reasons() | told, self._settling.arriving()
        self.held_up = held_up

    # --- time --------------------------------------------------------------------------------------

    def _something_changed(self) -> None:
        self._changed = True
        self._woken.set()

    def _scan_every_s(self) -> float:
        # Where very many files wait, looking at them all must not be all there is time for.
        hurried_s = max(SCAN_LEAST_S, SCAN_RESTS * self._took_s)
        return (
            min(hurried_s, self._root.settings.scan_s)
            if self._changed
            else self._root.settings.scan_s
        )

    def _sleep_s(self) -> float:
        sleeps = [self._scanned + self._scan_every_s() - time.monotonic()]
        due = self._settling.next_due_s()
        if due is not None and not self._trouble:
            sleeps += [due + 0.01, SAY_EVERY_S]
        for waits in (self._claiming, self._going_back):
            if (again := waits.due_s()) is not None:
                sleeps.append(again + 0.01)
        return max(min(sleeps), 0.02)


def _said_of_closed(folders: list[str]) -> Iterator[str]:
    """What keeps us from looking into each of *folders*, and what to do."""
    for folder in folders[:MOST_TOLD]:
        account = f" (user id {os.geteuid()})" if hasattr(os, "geteuid") else ""
        yield (
            f"{folder} is closed to the account of the service{account}, which sees no take in it: "
            "have its owner, or an administrator, let everybody list and enter it (chmod a+rx)."
        )
    if (more := len(folders) - MOST_TOLD) > 0:
        yield f"{more} more folders of the inbox are closed to the account of the service."


def drain(news: SimpleQueue[News]) -> list[News]:
    """All that is new."""
    found = []
    with contextlib.suppress(Empty):
        while True:
            found.append(news.get_nowait())
    return found

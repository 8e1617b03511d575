"""The way in: the inbox in its parts, one for each drive that is mounted in it.

The inbox itself must be there for anything to be done, since the claims lie beside it. A drive
mounted further in that is gone or hangs holds up its own takes alone.
"""

from __future__ import annotations

import functools
import os
import time
from collections.abc import Callable

from fairtake.errors import FolderGone
from fairtake.folders import Claim, Root
from fairtake.folders.drives import Drives
from fairtake.mounts import mounted_below
from fairtake.serving.part import News, Part, drain
from fairtake.writers import UNSEEN

#: So often the system is asked for drives mounted in the inbox.
ASK_EVERY_S = 5.0
#: The threads of all parts together are given so long to end.
END_S = 5.0


class Intake:
    """Finds, settles and claims takes. *tell* wakes the service's loop when there is news."""

    def __init__(self, root: Root, drives: Drives, tell: Callable[[], None], once: bool) -> None:
        self._root, self._tell, self._once = root, tell, once
        self._main = Part(root, "", drives.require, tell, once)
        self._parts: dict[str, Part] = {"": self._main}
        self._mounted: set[str] = set()
        self._asked = -1e9
        self._place = ""
        self._told: set[str] = set()

    def start(self) -> None:
        # Resolved once: later the walk along the path could hang.
        self._place = os.path.realpath(self._root.inbox)
        self.mind_mounts()
        self._main.start()

    def stop(self) -> None:
        end = time.monotonic() + END_S
        for part in self._parts.values():
            part.stop(max(end - time.monotonic(), 0.1))

    def mind_mounts(self) -> None:
        """Give each drive mounted in the inbox a part of its own."""
        if time.monotonic() - self._asked < ASK_EVERY_S:
            return
        self._asked = time.monotonic()
        self._mounted = mounted_below(self._place)
        new = self._mounted - self._parts.keys()
        for folder in new:
            check = functools.partial(self._check_mounted, folder)
            self._parts[folder] = Part(self._root, folder, check, self._tell, self._once)
        for part in self._parts.values():
            part.apart = frozenset(self._parts.keys() - {part.folder})
        for folder in new:
            self._parts[folder].start()

    def _check_mounted(self, folder: str) -> None:
        if folder not in self._mounted:
            raise FolderGone(f"The drive of {self._root.inbox / folder} is not there.")

    # --- asked by the service's loop -----------------------------------------------------------------

    def want(self, takes: int) -> None:
        """Claim so many takes as soon as they are ready; of each drive, so that none waits for another
        that hangs: where several have takes ready, more are claimed than were asked for."""
        for part in self._parts.values():
            part.want(takes)

    def put_back(self, claimed: Claim, why: str, patiently: bool) -> None:
        """Put a take back into the inbox, to settle anew, or *patiently* to wait out its grace."""
        self._part_of(claimed.path).put_back(claimed, why, patiently)

    def reaches(self, path: str) -> bool:
        """Whether the drive on which *path* lies can be used now."""
        return not self._main.trouble and not self._part_of(path).trouble

    def news(self) -> list[News]:
        """What happened since last asked."""
        return [news for part in self._parts.values() for news in drain(part.news)]

    @property
    def has_news(self) -> bool:
        return any(not part.news.empty() for part in self._parts.values())

    @property
    def trouble(self) -> str:
        """Why nothing can be taken in at all, or ''."""
        return self._main.trouble

    @property
    def troubles_of_parts(self) -> list[str]:
        """What is in the way of single parts, or of what lies in single folders; a sentence each."""
        gone = [part.trouble for part in self._parts.values() if part.folder and part.trouble]
        return [*gone, *self.closed]

    @property
    def closed(self) -> list[str]:
        """The folders that cannot be looked into, a sentence each."""
        return [sentence for part in self._parts.values() for sentence in part.closed]

    @property
    def unseen(self) -> str:
        """That writers of takes that came cannot be seen, in a sentence, or ''."""
        met = any(part.met_unseen for part in self._parts.values())
        return UNSEEN.format(self._root.settings.unseen_s) if met else ""

    def news_of_parts(self) -> list[str]:
        """What is newly in the way of single parts, or of seeing writers."""
        now = set(filter(None, [*self.troubles_of_parts, self.unseen]))
        new, self._told = now - self._told, now
        return sorted(new)

    @property
    def reasons(self) -> dict[str, str]:
        """What each take in the inbox waits for, in words."""
        return {path: why for part in self._parts.values() for path, why in part.reasons.items()}

    @property
    def first(self) -> set[str] | None:
        """The takes that were there at the first look; None before it."""
        if self._main.first is None:
            return None
        return {path for part in self._parts.values() for path in part.first or ()}

    def waiting(self) -> set[str]:
        """The takes in the inbox, and those on their way back to it."""
        returning = {claimed.path for claimed in self.returning}  # asked first: they move that way
        return returning | self.reasons.keys()

    @property
    def returning(self) -> list[Claim]:
        """The takes on their way back."""
        return [claimed for part in self._parts.values() for claimed in part.returning]

    def still_arriving(self, path: str) -> bool:
        """Whether somebody was seen writing the file, so that no end can be told."""
        return path in self._part_of(path).arriving

    @property
    def held_up(self) -> dict[str, tuple[str, int]]:
        """The takes that wait by themselves to be claimed or put back: why, and how often that was tried."""
        return {path: held for part in self._parts.values() for path, held in part.held_up.items()}

    def _part_of(self, path: str) -> Part:
        folders = [f for f in self._parts if f and path.startswith(f + "/")]
        return self._parts[max(folders, key=len, default="")]

"""When a dropped file may be taken: one rule, however it arrived.

A take is ready when it has looked the same for the settle time on our own monotonic clock, nobody
has it open for writing as far as the system can tell, and its format says it is whole. A file that
is not whole gets a longer grace and is then taken all the same, to be quarantined with the reason.

A folder without a title.toml has to be quiet as a whole first: its title.toml may be the last file
of a long copy, and would come too late for the takes before it.
"""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from fairtake.errors import FairtakeError
from fairtake.files.container import sniff
from fairtake.serving.scan import Seen, is_companion
from fairtake.title import TITLE_FILE


@dataclass
class Waiting:
    """A file in the inbox and why it is not taken yet."""

    seen: Seen
    since: float
    changed: bool = False
    missing: str | None = None  # None: not looked at yet


class Settling:
    """Watches files settle. *clock* gives monotonic seconds."""

    def __init__(
        self, inbox: Path, settle_s: float, grace_s: float, clock: Callable[[], float]
    ) -> None:
        self._inbox, self._settle_s, self._grace_s, self._clock = inbox, settle_s, grace_s, clock
        self.files: dict[str, Waiting] = {}

    def look(self, found: dict[str, Seen]) -> None:
        """Take in a scan."""
        now = self._clock()
        files: dict[str, Waiting] = {}
        for path, seen in found.items():
            known = self.files.get(path)
            if known is not None and known.seen == seen:
                files[path] = known
            else:
                files[path] = Waiting(seen, now, changed=known is not None)
        self.files = files

    def ready(self) -> Iterator[str]:
        """The takes that may be claimed now, in the order of their names; looked at one by one."""
        now = self._clock()
        loud = self._loud_folders(now)
        for path, file in list(self.files.items()):
            if is_companion(path) or _folder(path) in loud or not self._settled(file, now):
                continue
            if self._unchanged(path, file, now) and self._whole(path, file, now):
                yield path

    def put_back(self, path: str, missing: str) -> None:
        """A take that turned out not to be whole waits out its grace."""
        if path in self.files:
            self.files[path].missing = missing

    def next_due_s(self) -> float | None:
        """Seconds until something may become ready without any change; None: nothing will."""
        now = self._clock()
        dues = [self._due(file) - now for path, file in self.files.items()]
        coming = [due for due in dues if due > 0]
        return min(coming) if coming else None

    def reasons(self) -> dict[str, str]:
        """What each take in the inbox waits for, in words."""
        now = self._clock()
        loud = self._loud_folders(now)
        return {
            path: self._reason(path, file, now, loud)
            for path, file in self.files.items()
            if not is_companion(path)
        }

    def still_arriving(self, path: str) -> bool:
        """Whether somebody was seen writing the file, so that no end can be told."""
        file = self.files.get(path)
        loud = self._loud_folders(self._clock())
        return file is not None and (file.changed or file.missing == _OPEN or _folder(path) in loud)

    def _reason(self, path: str, file: Waiting, now: float, loud: set[str]) -> str:
        if not self._settled(file, now):
            return "arriving" if file.changed else "settling"
        if file.missing:
            return file.missing
        return "the folder is still being filled" if _folder(path) in loud else "its turn"

    def _due(self, file: Waiting) -> float:
        return file.since + (self._grace_s if file.missing else self._settle_s)

    def _settled(self, file: Waiting, now: float) -> bool:
        return now - file.since >= self._settle_s

    def _unchanged(self, path: str, file: Waiting, now: float) -> bool:
        """Whether the file still looks as it did at the last scan."""
        try:
            seen = Seen.of(os.stat(self._inbox / path, follow_symlinks=False))
        except OSError:
            return False
        if seen != file.seen:
            file.seen, file.since, file.changed, file.missing = seen, now, True, None
        return file.since != now

    def _whole(self, path: str, file: Waiting, now: float) -> bool:
        if open_for_writing(self._inbox / path):
            file.missing = _OPEN
            return False
        if file.missing is None or file.missing == _OPEN:
            file.missing = _missing(self._inbox / path)
        return not file.missing or now - file.since >= self._grace_s

    def _loud_folders(self, now: float) -> set[str]:
        """Folders that still change and have no settled title.toml, at any depth, above them."""
        settled = {path for path, file in self.files.items() if self._settled(file, now)}
        titled = {_folder(path) for path in settled if PurePosixPath(path).name == TITLE_FILE}
        loud = {_folder(path) for path in self.files if path not in settled}
        return {
            folder
            for folder in loud
            if folder and not any(above in titled for above in _lineage(folder))
        }


_OPEN = "somebody is still writing it"


def _folder(path: str) -> str:
    parent = str(PurePosixPath(path).parent)
    return "" if parent == "." else parent


def _lineage(folder: str) -> list[str]:
    """*folder* and the folders above it, without the inbox itself."""
    pure = PurePosixPath(folder)
    return [folder, *(str(parent) for parent in pure.parents if str(parent) != ".")]


def _missing(path: Path) -> str:
    """What the file's own format says is not there yet; '' when it is whole or cannot tell."""
    try:
        return sniff(path).missing
    except FairtakeError as e:
        return "it holds no bytes yet" if e.code == "empty" else ""
    except OSError:
        return ""  # whatever it is, it shows when the take is opened


def open_for_writing(path: Path) -> bool:
    """Whether somebody on this machine has the file open for writing, where the system tells."""
    if sys.platform != "linux":
        return False
    import fcntl

    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_NOFOLLOW | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        # A read lease is granted only while no writer has the file open.
        fcntl.fcntl(descriptor, fcntl.F_SETLEASE, fcntl.F_RDLCK)
        fcntl.fcntl(descriptor, fcntl.F_SETLEASE, fcntl.F_UNLCK)
    except OSError as e:
        return e.errno == errno.EAGAIN
    finally:
        os.close(descriptor)
    return False

"""When a dropped file may be taken: one rule, however it arrived.

A take is ready when it has looked the same for the settle time on our own monotonic clock, nobody
has it open for writing as far as the system can tell, and its format says it is whole. A file that
is not whole gets a longer grace and is then taken all the same, to be quarantined with the reason.
A file that grows, or that somebody holds open, is waited for without end.

A folder without a title.toml has to be quiet as a whole first: its title.toml may be the last file
of a long copy, and would come too late for the takes before it.
"""

from __future__ import annotations

import errno
import math
import os
import signal
import sys
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from fairtake.errors import FairtakeError
from fairtake.files.container import sniff
from fairtake.mix_folder import is_mix, missing_in
from fairtake.serving.scan import Seen, is_companion, look, plain_files
from fairtake.title import is_title_file

#: Whoever holds a file open says nothing when he lets go of it: it is looked at again so often.
HELD_S = 0.5
#: What is said of a take that may be begun.
ITS_TURN = "its turn"


@dataclass
class Waiting:
    """A file in the inbox and why it is not taken yet."""

    seen: Seen
    since: float
    is_take: bool  # or what goes with takes
    changed: bool = False
    held: bool = False
    missing: str | None = None  # None: not looked at yet


class Settling:
    """Watches files settle. *clock* gives monotonic seconds."""

    def __init__(
        self, inbox: Path, settle_s: float, grace_s: float, clock: Callable[[], float]
    ) -> None:
        self._inbox, self._settle_s, self._grace_s, self._clock = inbox, settle_s, grace_s, clock
        self.files: dict[str, Waiting] = {}

    def look(self, found: Mapping[str, Seen]) -> bool:
        """Take in a scan; whether it brought anything new or changed."""
        now, news = self._clock(), False
        files: dict[str, Waiting] = {}
        for path, seen in found.items():
            known = self.files.get(path)
            if known is not None and known.seen == seen:
                files[path] = known
            else:
                files[path] = Waiting(seen, now, not is_companion(path), changed=known is not None)
                news = True
        self.files = files
        return news

    def ready(self) -> Iterator[str]:
        """The takes that may be claimed now, in the order of their names; looked at one by one."""
        now = self._clock()
        loud = self._loud_folders(now)
        for path, file in list(self.files.items()):
            if not file.is_take or not self._settled(file, now) or _is_in(path, loud):
                continue
            if self._unchanged(path, file, now) and self._whole(path, file, now):
                yield path

    def put_back(self, path: str, seen: Seen, missing: str | None) -> None:
        """A take that turned out not to be whole waits out its grace, one that grew settles again."""
        take = not is_companion(path)
        self.files[path] = Waiting(seen, self._clock(), take, changed=True, missing=missing)

    def next_due_s(self) -> float | None:
        """Seconds until something may become ready without any change; None: nothing will."""
        now = self._clock()
        coming = [due - now for file in self.files.values() if (due := self._due(file, now)) > now]
        return min(coming, default=None)

    def reasons(self) -> dict[str, str]:
        """What each take in the inbox waits for, in words."""
        now = self._clock()
        loud, settled_at = self._loud_folders(now), now - self._settle_s
        # Of most it is the same, and there may be thousands: those are told without a closer look.
        return {
            path: ITS_TURN
            if not (loud or file.held or file.missing) and file.since <= settled_at
            else self._reason(path, file, now, loud)
            for path, file in self.files.items()
            if file.is_take
        }

    def arriving(self) -> set[str]:
        """Files somebody was seen writing, so that no end can be told."""
        loud = self._loud_folders(self._clock())
        return {
            path
            for path, file in self.files.items()
            if file.changed or file.held or _is_in(path, loud)
        }

    def _reason(self, path: str, file: Waiting, now: float, loud: set[str]) -> str:
        if not self._settled(file, now):
            left_s = math.ceil(file.since + self._settle_s - now)
            return "still growing" if file.changed else f"settling, {left_s} s to go"
        if file.held:
            return "held open by another program"
        if file.missing:
            left_s = max(math.ceil(file.since + self._grace_s - now), 0)
            return f"{file.missing} ({left_s} s left for that to change)"
        return "the folder is still being filled" if _is_in(path, loud) else ITS_TURN

    def _due(self, file: Waiting, now: float) -> float:
        if file.held:
            return now + HELD_S
        return file.since + (self._grace_s if file.missing else self._settle_s)

    def _settled(self, file: Waiting, now: float) -> bool:
        return now - file.since >= self._settle_s

    def _unchanged(self, path: str, file: Waiting, now: float) -> bool:
        """Whether the file still looks as it did at the last scan."""
        try:
            seen = look(self._inbox / path)
        except FileNotFoundError:
            return False
        if seen == file.seen:
            return True
        self.files[path] = Waiting(seen, now, file.is_take, changed=True)
        return False

    def _whole(self, path: str, file: Waiting, now: float) -> bool:
        file.held = held_open(self._inbox / path)
        if file.held:
            return False
        if file.missing is None:
            file.missing = _missing(self._inbox / path)
        return not file.missing or now - file.since >= self._grace_s

    def _loud_folders(self, now: float) -> set[str]:
        """Folders that still change and have no settled title.toml, at any depth, above them."""
        settled_at = now - self._settle_s
        unsettled = {path for path, file in self.files.items() if file.since > settled_at}
        loud = {folder for path in unsettled if (folder := _folder(path))}
        if not loud:
            return loud
        titles = {path for path in self.files if is_title_file(path.rpartition("/")[2])}
        titled = {_folder(path) for path in titles - unsettled}
        return {folder for folder in loud if not any(above in titled for above in _lineage(folder))}


def _folder(path: str) -> str:
    return path.rpartition("/")[0]


def _is_in(path: str, folders: set[str]) -> bool:
    """Whether it lies in one of them; of none, at once."""
    return bool(folders) and _folder(path) in folders


def _lineage(folder: str) -> list[str]:
    """*folder* and the folders above it, without the inbox itself."""
    pure = PurePosixPath(folder)
    return [folder, *(str(parent) for parent in pure.parents if str(parent) != ".")]


def _missing(path: Path) -> str:
    """What the file's own format, or a mix's cues, say is not there yet; '' when it is whole or cannot
    tell."""
    if is_mix(path.name) and path.is_dir():
        return missing_in(path)
    try:
        missing = sniff(path).missing
        return missing and f"bytes are missing: {missing}"
    except FairtakeError as e:
        return "it holds no bytes yet" if e.code == "empty" else ""
    except OSError:
        return ""  # whatever it is, it shows when the take is opened


def held_open(take: Path) -> bool:
    """Whether somebody on this machine has a take, or a file of a mix, open for writing."""
    try:
        return any(open_for_writing(file) for file in plain_files(take))
    except OSError:
        return False  # it is gone: the next look tells


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
        # A writer who comes before it is given back is told by a signal: SIGIO would be our end, and
        # this one nobody minds.
        fcntl.fcntl(descriptor, fcntl.F_SETSIG, signal.SIGURG)
        # A read lease is granted only while no writer has the file open.
        fcntl.fcntl(descriptor, fcntl.F_SETLEASE, fcntl.F_RDLCK)
        fcntl.fcntl(descriptor, fcntl.F_SETLEASE, fcntl.F_UNLCK)
    except OSError as e:
        return e.errno == errno.EAGAIN
    finally:
        os.close(descriptor)
    return False

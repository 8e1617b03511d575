"""A claim: the folder a take lies in while it is in work. What stands in it says how far it is.

=====================  ==========================================================================
``claim.json``         where the take came from, and the place its files are promised
``take``               the take
``copied.json``        it was copied from another drive, where it may still stand, too
``returning``          the take on its way back to the inbox
``attempt-1``, …       one for each time work on it began and did not come back
``publish.json``       the files are made, and this is where they go
``quarantine.json``    the take cannot be finished, and this is why
=====================  ==========================================================================

Files are whole or not there. Taking a step back is removing one, which a full disk allows.

A claim is believed only where its folder is ours, by owner and by name, and what stands in it only
where it leads nowhere outside: others may have had something moved there.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import re
import stat
import time
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

from fairtake.folders.durable import (
    PART_SUFFIX,
    remove_quietly,
    standing,
    sync,
    write_durably,
)
from fairtake.folders.names import folder_of, stays_below
from fairtake.folders.places import Root
from fairtake.plain_file import read_object

_MARK = "attempt-"
#: How `fairtake.folders.claim` names a claim.
_JOB = re.compile(r"[0-9a-f]+-[0-9a-f]{6}")


@dataclass
class Claim:
    """A take taken out of the inbox.

    ``path`` is its place there, relative, with forward slashes. ``place`` is where its finished
    files go: below the outbox, without suffix.
    """

    folder: Path
    path: str
    place: str
    attempts: int = 0
    publish: dict[str, Any] | None = None
    quarantine: dict[str, Any] | None = None
    claimed_at: float = field(default_factory=time.time)
    copied: dict[str, Any] | None = None

    @property
    def job(self) -> str:
        return self.folder.name

    @property
    def take(self) -> Path:
        return self.folder / "take"

    @property
    def is_another_s(self) -> bool:
        """Whether the take is a file of another account, which may write it wherever it is moved."""
        there = os.lstat(self.take)
        return stat.S_ISREG(there.st_mode) and there.st_uid not in _accounts(self.folder.parent)

    @property
    def returning(self) -> Path:
        """The take once it is on its way back: nobody works on it any more."""
        return self.folder / "returning"

    @property
    def name(self) -> str:
        """The take's own file name, verbatim."""
        return PurePosixPath(self.path).name

    @property
    def title(self) -> str:
        """The folder below the inbox, verbatim, '' for the inbox itself."""
        return folder_of(self.path)

    @property
    def stem(self) -> str:
        """The name of its finished files, without suffix."""
        return PurePosixPath(self.place).name

    @property
    def is_decided(self) -> bool:
        """Whether the work is over and only its result has to be put in place."""
        return self.publish is not None or self.quarantine is not None

    @property
    def is_unbegun(self) -> bool:
        """Whether it was only claimed: no worker had it yet, and nothing was decided."""
        return not self.attempts and not self.is_decided

    # --- on disk ---------------------------------------------------------------------------------

    def save(self) -> None:
        """Write where the take came from."""
        known = {"path": self.path, "place": self.place, "claimed_at": self.claimed_at}
        write_durably(self.folder / "claim.json", json.dumps(known))

    def decide(self, what: str, plan: dict[str, Any]) -> None:
        """Write that the take is to go the way *what*, ``publish`` or ``quarantine``."""
        write_durably(self.folder / f"{what}.json", json.dumps(plan))
        setattr(self, what, plan)

    def note_copy(self, copied: dict[str, Any]) -> None:
        """Write what it was copied from: ``size``, ``mtime_ns`` and ``sha256``."""
        write_durably(self.folder / "copied.json", json.dumps(copied))
        self.copied = copied

    def forget_copy(self) -> None:
        """What it was copied from is gone, or another take now. `copied` still tells of it."""
        (self.folder / "copied.json").unlink(missing_ok=True)
        sync(self.folder)

    def drop_copy(self) -> None:
        """Remove the copy, then the note: a note without a take removes nothing."""
        self.take.unlink(missing_ok=True)
        self.forget_copy()

    def undecide(self) -> None:
        """Take back that it is to be published: it has to be worked on again."""
        (self.folder / "publish.json").unlink(missing_ok=True)
        sync(self.folder)
        self.publish = None

    def count(self, attempts: int) -> None:
        """Make the count of attempts on disk be *attempts*."""
        standing = _marks(self.folder)
        for number in range(1, attempts + 1):
            if number not in standing:
                os.close(os.open(self.folder / f"{_MARK}{number}", os.O_CREAT | os.O_WRONLY))
        for number in standing:
            if number > attempts:
                (self.folder / f"{_MARK}{number}").unlink(missing_ok=True)
        sync(self.folder)
        self.attempts = attempts


def claims(root: Root) -> list[Claim]:
    """Every claim there is, oldest first."""
    try:
        names = sorted(os.listdir(root.claims))
    except FileNotFoundError:
        return []
    found = (read_claim(root.claims / name) for name in names)
    return [claimed for claimed in found if claimed is not None]


def read_claim(folder: Path) -> Claim | None:
    """The claim at *folder*; None when it is not one, or gone.

    A take whose ``claim.json`` was lost is still a take: it goes on under the name of its claim.
    """
    if not _is_ours(folder):
        return None
    known = _read(folder / "claim.json")
    if known is None or not _stay_below(known.get("path"), known.get("place")):
        if standing(folder / "take") is None:
            return None
        known = {"path": folder.name, "place": folder.name}
    return Claim(
        folder,
        known["path"],
        known["place"],
        max(_marks(folder), default=0),
        _publish_plan(folder),
        _quarantine_plan(folder),
        float(known.get("claimed_at", 0.0)),
        _read(folder / "copied.json"),
    )


def strangers(root: Root) -> list[Path]:
    """What lies among the claims and is none of ours: it is left alone."""
    try:
        names = sorted(os.listdir(root.claims))
    except (FileNotFoundError, NotADirectoryError):
        return []
    return [root.claims / name for name in names if not _is_ours(root.claims / name)]


def said_of_stranger(folder: Path) -> str:
    """Of one of `strangers`, for people."""
    return (
        f"{folder} lies among the claims and is none of the service's; it is left alone. Look what it "
        "is, and move it away: a take belongs into the inbox."
    )


def _is_ours(folder: Path) -> bool:
    """Whether a folder among the claims was made by us, as far as its name and owner tell.

    Some drives give all that lies on them one owner, who also has the folder of the claims.
    """
    there = standing(folder)
    if there is None or not stat.S_ISDIR(there.st_mode) or not _JOB.fullmatch(folder.name):
        return False
    return there.st_uid in _accounts(folder.parent)


def _accounts(claims: Path) -> set[int]:
    """Whose files are ours."""
    return {getattr(os, "geteuid", int)(), os.stat(claims).st_uid}


def refresh(claimed: Claim) -> None:
    """Take in what a worker decided meanwhile. Attempts are counted by the service alone."""
    fresh = read_claim(claimed.folder)
    if fresh is None:
        raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), str(claimed.folder))
    claimed.place, claimed.publish, claimed.quarantine = (
        fresh.place, fresh.publish, fresh.quarantine,
    )  # fmt: skip


def forget(claimed: Claim) -> None:
    """Remove a claim that holds no take any more. One that does stays, whatever was thought."""
    if standing(claimed.take) is not None or standing(claimed.returning) is not None:
        return
    if standing(claimed.folder / "copied.json") is not None:
        return  # what it was copied from may lie in the inbox under a name that only this tells
    # claim.json goes last: without it, nobody knows what the rest is about.
    for name in sorted(os.listdir(claimed.folder), key=lambda name: name == "claim.json"):
        if name.endswith((".json", PART_SUFFIX)) or name.startswith(_MARK):
            remove_quietly(claimed.folder / name)
    with contextlib.suppress(OSError):
        os.rmdir(claimed.folder)


def _marks(folder: Path) -> set[int]:
    try:
        names = os.listdir(folder)
    except (FileNotFoundError, NotADirectoryError):
        return set()
    numbers = (name.removeprefix(_MARK) for name in names if name.startswith(_MARK))
    return {int(number) for number in numbers if number.isdigit()}


def _publish_plan(folder: Path) -> dict[str, Any] | None:
    plan = _read(folder / "publish.json")
    match plan:
        case {"files": [_, *_] as files, "original": original, "sha256": str()}:
            whole = all(isinstance(file, list) and len(file) == 3 for file in files)
            paths = [path for file in files for path in file[:2]] if whole else [None]
            return plan if _stay_below(original, *paths) else None
    return None


def _quarantine_plan(folder: Path) -> dict[str, Any] | None:
    plan = _read(folder / "quarantine.json") or {}
    sound = _stay_below(plan.get("path")) and isinstance(plan.get("reason"), str)
    return plan if sound else None


def _stay_below(*paths: Any) -> bool:
    return all(isinstance(path, str) and stays_below(path) for path in paths)


def _read(path: Path) -> dict[str, Any] | None:
    return read_object(path) or None

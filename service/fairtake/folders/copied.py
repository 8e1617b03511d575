"""A take of a drive that is mounted in the inbox: a claim is a rename, and cannot be one there.

It is copied into its claim, and goes from the inbox when the copy is safe. To go it first gets a
name that only we know, in one step: whoever writes or replaces it later has another file. What it
was copied from is noted beside the copy, until it is gone.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import stat
from collections.abc import Callable
from pathlib import Path, PurePosixPath

from fairtake.errors import NotAFile
from fairtake.files.hashing import digest_of
from fairtake.folders.claim_folder import Claim, claims
from fairtake.folders.durable import (
    CHUNK,
    NO_FOLDER_SYNC,
    PART_PREFIX,
    PART_SUFFIX,
    move_to_free,
    read_back,
    remove,
    rename,
    standing,
    sync,
    way_in,
    way_to,
)
from fairtake.folders.places import Root
from fairtake.plain_file import open_plain
from fairtake.pulse import beat

#: Whether somebody has a file open for writing; None: that cannot be told.
Held = Callable[[Path], bool | None]


def claim_by_copy(
    root: Root,
    claimed: Claim,
    name: Path,
    folder: int | None,
    held: Held,
) -> bool:
    """Step 2 for a take on another drive; False when there is nothing to claim there now.

    *held* tells of a file whether somebody has it open for writing. Raises ``OSError`` with the take in the inbox and nothing in the claim.
    """
    for other in claims(root):  # one that could not be removed when it was copied
        if other.path == claimed.path and other.copied is not None and let_go(root, other):
            other.forget_copy()
            return False
    if not os.access(name.parent, os.W_OK, dir_fd=folder):  # said now, not after a long copy
        raise PermissionError(
            errno.EACCES, "It could be read, but not removed", str(root.inbox / claimed.path)
        )
    try:
        if not _copy(claimed, name, folder):
            return False
    except NotAFile:
        return False
    try:
        ours = let_go(root, claimed, held)
    except OSError:
        if not _looks_as_noted(claimed, standing(name, folder)):
            return True  # it has not its old name: the next start asks again
        claimed.drop_copy()
        raise
    if not ours:
        claimed.drop_copy()
        return False
    with contextlib.suppress(OSError):  # a note too many does no harm
        claimed.forget_copy()
    return True


def let_go(root: Root, claimed: Claim, held: Held = lambda path: False) -> bool:
    """Remove from the inbox what the claim has a copy of.

    False when it is not that any more: then it stays, under its name, as a take of its own.
    """
    try:
        with way_to(root.inbox, claimed.path) as (name, folder):
            aside = name.with_name(_aside(claimed))
            if standing(aside, folder) is None:
                there = standing(name, folder)
                if there is not None and not _looks_as_noted(claimed, there):
                    return False
                if there is not None:
                    rename(name, aside, folder=folder, into=folder)
            if standing(aside, folder) is not None:
                if _is_as_noted(claimed, aside, folder) and not held(
                    root.inbox / _aside_path(claimed)
                ):
                    remove(aside, folder)
                else:
                    put_back(root, claimed)
                    return False
            _sync_folder(folder)
    except (FileNotFoundError, NotADirectoryError):
        return True  # its folder is gone, and it with it
    except OSError as e:
        if e.errno != errno.ELOOP:  # its folder is a link now
            raise
    return True


def put_back(root: Root, claimed: Claim) -> None:
    """Give what was copied its name again, where it still stands there."""
    with (
        contextlib.suppress(FileNotFoundError, FileExistsError),
        way_in(root.inbox, _aside_path(claimed)) as aside,
    ):
        if standing(aside) is not None:
            move_to_free(aside, root.inbox, claimed.path)


def _copy(claimed: Claim, name: Path, folder: int | None) -> bool:
    """Copy, note and place; False when somebody wrote meanwhile."""
    fresh = claimed.folder / f"{PART_PREFIX}take{PART_SUFFIX}"
    told = hashlib.sha256()
    with open_plain(name, folder) as old, open(fresh, "xb") as new:
        before = os.fstat(old.fileno())
        while chunk := old.read(CHUNK):
            told.update(chunk)
            new.write(chunk)
            beat()
            if new.tell() > before.st_size:
                return False  # it grows, perhaps without end
        new.flush()
        os.utime(fresh, ns=(before.st_atime_ns, before.st_mtime_ns))
        os.fsync(new.fileno())
        after = os.fstat(old.fileno())
    if _written(before) != _written(after):
        return False
    read_back(fresh, told.hexdigest())
    claimed.note_copy(
        {"size": after.st_size, "mtime_ns": after.st_mtime_ns, "sha256": told.hexdigest()}
    )
    rename(fresh, claimed.take)
    sync(claimed.folder)
    sync(claimed.folder.parent)
    return True


def _aside(claimed: Claim) -> str:
    return f"{PART_PREFIX}{claimed.job}.taken"  # no part: those are swept


def _aside_path(claimed: Claim) -> str:
    return str(PurePosixPath(claimed.path).with_name(_aside(claimed)))


def _written(status: os.stat_result) -> tuple[int, int, int]:
    """What writing changes of a file; the last of it can be put back by nobody."""
    return status.st_size, status.st_mtime_ns, status.st_ctime_ns


def _looks_as_noted(claimed: Claim, there: os.stat_result | None) -> bool:
    noted = claimed.copied or {}
    return (
        there is not None
        and stat.S_ISREG(there.st_mode)
        and (there.st_size, there.st_mtime_ns) == (noted.get("size"), noted.get("mtime_ns"))
    )


def _is_as_noted(claimed: Claim, name: Path, folder: int | None) -> bool:
    """Whether it holds the bytes that were copied, and nobody wrote it since."""
    if not _looks_as_noted(claimed, standing(name, folder)):
        return False
    try:
        with open_plain(name, folder) as file:
            sha256 = digest_of(file)
    except NotAFile:
        return False
    noted = claimed.copied or {}
    return sha256 == noted["sha256"] and _looks_as_noted(claimed, standing(name, folder))


def _sync_folder(folder: int | None) -> None:
    if folder is None:
        return
    try:
        os.fsync(folder)
    except OSError as e:
        if e.errno not in NO_FOLDER_SYNC:
            raise

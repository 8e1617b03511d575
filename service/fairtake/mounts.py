"""What the system tells of the file systems that are mounted."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

_REMOTE = ("nfs", "cifs", "smb", "fuse.sshfs", "9p", "afs", "ceph", "fuse.rclone")


def is_remote(kind: str) -> bool:
    """Whether a file system of this kind lies on another machine."""
    return kind.startswith(_REMOTE)


def file_system(path: Path) -> str:
    """Kind of the file system *path* is on, '' where the system does not tell."""
    resolved, best, found = str(path.resolve()), "", ""
    for point, kind in _mounts():
        inside = resolved == point or resolved.startswith(point.rstrip("/") + "/")
        if inside and len(point) >= len(best):
            best, found = point, kind
    return found


def mounted_below(folder: str) -> set[str]:
    """Where below *folder*, a path without links, other drives are mounted; relative to it.

    Asks the system alone and no drive, so that none can hang it.
    """
    prefix = folder.rstrip("/") + "/"
    return {point.removeprefix(prefix) for point, _ in _mounts() if point.startswith(prefix)}


def _mounts() -> Iterator[tuple[str, str]]:
    try:
        with open("/proc/self/mountinfo", "rb") as file:
            lines = file.read().splitlines()
    except OSError:
        return
    for line in lines:
        fields = line.split()
        point = os.fsdecode(fields[4].decode("unicode_escape").encode("latin-1"))
        yield point, fields[fields.index(b"-") + 1].decode()

"""Open files in folders that others write to: plain files only, no link followed, never waiting."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import stat
from collections.abc import Iterator
from io import BufferedReader
from pathlib import Path, PurePosixPath
from typing import Any

from fairtake.errors import NotAFile

_NO_LINK = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_CLOEXEC", 0)
#: Opening a pipe for reading waits for a writer, unless asked not to.
_READ = os.O_RDONLY | _NO_LINK | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)

#: The largest receipt, of a mix of very many sounds, has some hundred kilobytes.
MOST_JSON_BYTES = 16 * 2**20


def open_plain(path: str | Path, folder: int | None = None) -> BufferedReader:
    """The file at *path*, below the open *folder* where one is given.

    Raises `NotAFile` for links, folders, pipes, sockets and devices; an ``OSError`` passes through.
    """
    try:
        descriptor = os.open(path, _READ, dir_fd=folder)
    except OSError as e:
        if e.errno in (errno.ELOOP, errno.ENXIO):  # a link; a socket, or a device of nothing
            raise NotAFile() from None
        raise
    if not stat.S_ISREG(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise NotAFile()
    return open(descriptor, "rb")


def read_object(path: Path) -> dict[str, Any]:
    """The JSON object in the file at *path*; an empty one where there is none.

    Anybody may have put anything there under a name of ours: no text, gigabytes, brackets without end.
    An ``OSError`` that says more than that nothing is there passes through.
    """
    try:
        with open_plain(path) as file:
            data = file.read(MOST_JSON_BYTES + 1)
        known = json.loads(data.decode("utf-8")) if len(data) <= MOST_JSON_BYTES else None
    except (FileNotFoundError, NotADirectoryError, NotAFile, ValueError, RecursionError):
        return {}
    return known if isinstance(known, dict) else {}


def is_closed_to_us(path: Path) -> bool:
    """Whether the rights of *path* say that we may not read it.

    Asked after reading was refused: where they do not say so, or nothing stands there, the refusal
    was the drive's.
    """
    wanted = os.R_OK | (os.X_OK if os.path.isdir(path) else 0)
    return os.path.lexists(path) and not os.access(path, wanted)


@contextlib.contextmanager
def folder_below(base: Path, path: str) -> Iterator[int]:
    """A descriptor of the folder *path* below *base*, none of whose parts is a link.

    Only on POSIX. Raises ``OSError``.
    """
    flags = os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC
    descriptor = os.open(base, flags)
    try:
        for part in PurePosixPath(path).parts:
            inner = os.open(part, flags | os.O_NOFOLLOW, dir_fd=descriptor)
            os.close(descriptor)
            descriptor = inner
        yield descriptor
    finally:
        os.close(descriptor)

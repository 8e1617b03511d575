"""Pages beside the finished takes: written whole or not at all, over nothing that is not ours."""

from __future__ import annotations

import contextlib
import os
import secrets
from pathlib import Path, PurePosixPath

from fairtake.errors import NotAFile
from fairtake.folders.durable import PART_PREFIX, PART_SUFFIX, way_to
from fairtake.plain_file import open_plain

#: A mark of ours stands within so many bytes of a page's beginning.
MARK_WITHIN_BYTES = 1024


def put_page(home: Path, path: str, text: str, mark: str) -> bool:
    """Put a page at *path* below *home*; False where something stands there that is not ours.

    *text* holds *mark* near its beginning, and so does what may be replaced. Nothing is synced: a page
    is made again at any time. Raises ``OSError``.
    """
    name = PurePosixPath(path).name
    fresh = f"{PART_PREFIX}{secrets.token_hex(8)}{PART_SUFFIX}"
    with way_to(home, path) as (_, folder):
        where = None if folder is not None else (home / path).parent
        if not _may_replace(name, mark, folder, where):
            return False

        def at(file: str) -> str | Path:
            return file if where is None else where / file

        try:
            flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
            descriptor = os.open(at(fresh), flags, 0o666, dir_fd=folder)
            with open(descriptor, "wb") as file:
                file.write(text.encode("utf-8", "replace"))
            os.replace(at(fresh), at(name), src_dir_fd=folder, dst_dir_fd=folder)
        except OSError:
            with contextlib.suppress(OSError):
                os.unlink(at(fresh), dir_fd=folder)
            raise
    return True


def _may_replace(name: str, mark: str, folder: int | None, where: Path | None) -> bool:
    try:
        with open_plain(name if where is None else where / name, folder) as file:
            return mark.encode() in file.read(MARK_WITHIN_BYTES)
    except FileNotFoundError:
        return True
    except NotAFile:
        return False

"""What lies below a folder, however deep. `Path.rglob` calls itself, and ends where others nest folders
without end."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from pathlib import Path

from fairtake.pulse import beat


def all_below(folder: Path, starts: str = "", ends: str = "") -> Iterator[Path]:
    """Everything below *folder* whose name starts and ends so, folders too; links are not followed.

    What may not be read, or lies deeper than a path can say, is passed over. Raises ``OSError``.
    """
    waiting = [folder]
    while waiting:
        here = waiting.pop()
        beat()
        try:
            with os.scandir(here) as entries:
                found = list(entries)
        except (FileNotFoundError, NotADirectoryError, PermissionError):
            continue
        except OSError as e:
            if e.errno != errno.ENAMETOOLONG:
                raise
            continue
        for entry in found:
            if entry.name.startswith(starts) and entry.name.endswith(ends):
                yield here / entry.name
            if entry.is_dir(follow_symlinks=False):
                waiting.append(here / entry.name)

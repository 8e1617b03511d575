"""What lies in the inbox. A scan is the truth; events only make it happen sooner."""

from __future__ import annotations

import os
import stat
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from fairtake.title import COVER_SUFFIXES, TITLE_FILE

#: Names of copies that are not finished, and of what systems and sync programs leave behind.
_STARTS = (".", "~syncthing~", "~$")
_ENDS = (
    "~", ".part", ".partial", ".crdownload", ".download", ".opdownload", ".filepart", ".!ut",
    ".bc!", ".aria2", ".tmp", ".temp", ".unconfirmed", ".inprogress", ".unfinished", ".xltd",
    ".icloud",
)  # fmt: skip
_NAMES = ("desktop.ini", "thumbs.db", "@eadir", "__macosx", "#recycle")


@dataclass(frozen=True)
class Seen:
    """What a file looked like. Two equal ones, some time apart, mean that nothing was written."""

    size: int
    mtime_ns: int
    inode: int

    @classmethod
    def of(cls, status: os.stat_result) -> Seen:
        return cls(status.st_size, status.st_mtime_ns, status.st_ino)


def is_ignored(name: str) -> bool:
    """Whether a file or folder of this name is nobody's take."""
    plain = unicodedata.normalize("NFC", name).casefold()
    return plain.startswith(_STARTS) or plain.endswith(_ENDS) or plain in _NAMES


def is_companion(path: str) -> bool:
    """Whether a file goes with takes instead of being one: title.toml and pictures."""
    name = PurePosixPath(path).name.casefold()
    return name == TITLE_FILE or name.endswith(COVER_SUFFIXES)


def scan(inbox: Path) -> dict[str, Seen]:
    """Every plain file below *inbox*, by its relative path with forward slashes.

    Links are not followed and special files are passed over. Raises ``OSError`` when the inbox
    itself cannot be read, for then an empty answer would be a lie.
    """
    return dict(_below(inbox, ""))


def _below(folder: Path, prefix: str) -> Iterator[tuple[str, Seen]]:
    try:
        with os.scandir(folder) as entries:
            found = sorted(entries, key=lambda entry: entry.name)
    except (FileNotFoundError, PermissionError):
        if not prefix:
            raise
        return  # one title that cannot be read holds up no other
    for entry in found:
        if is_ignored(entry.name):
            continue
        try:
            if entry.is_dir(follow_symlinks=False):
                yield from _below(folder / entry.name, f"{prefix}{entry.name}/")
                continue
            status = entry.stat(follow_symlinks=False)
        except FileNotFoundError:
            continue  # gone since the folder was listed
        if stat.S_ISREG(status.st_mode):
            yield f"{prefix}{entry.name}", Seen.of(status)

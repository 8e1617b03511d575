"""What lies in the inbox. A scan is the truth; events only make it happen sooner."""

from __future__ import annotations

import errno
import hashlib
import os
import stat
import unicodedata
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path

from fairtake.mix_folder import is_mix
from fairtake.title import COVER_SUFFIXES, is_title_file

#: Names of copies that are not finished, and of what systems and sync programs leave behind. A dot
#: in front hides: ``.syncthing.x.tmp``, rsync's ``.x.Xy12Zq``, ``.nfs0001``, ``._x.wav``, ``.~lock``.
_STARTS = (".", "~syncthing~", "~$")
_ENDS = (
    "~", ".part", ".partial", ".crdownload", ".download", ".opdownload", ".filepart", ".!ut",
    ".bc!", ".aria2", ".tmp", ".temp", ".unconfirmed", ".inprogress", ".unfinished", ".xltd",
    ".icloud",
)  # fmt: skip
_NAMES = (
    "desktop.ini", "thumbs.db", "@eadir", "__macosx", "#recycle", "$recycle.bin",
    "system volume information", "lost+found",
)  # fmt: skip
#: A mix needs no folders. Deeper than this nothing is looked at, for paths have an end.
DEEPEST_IN_MIX = 8
#: Nor do titles lie deeper than this.
DEEPEST = 100


@dataclass(frozen=True)
class Seen:
    """What a file looked like. Two equal ones, some time apart, mean that nothing was written.

    Whoever writes may put ``mtime_ns`` back, as copying programs do; ``ctime_ns`` nobody can.
    """

    size: int
    mtime_ns: int
    inode: int
    ctime_ns: int

    @classmethod
    def of(cls, status: os.stat_result) -> Seen:
        return cls(status.st_size, status.st_mtime_ns, status.st_ino, status.st_ctime_ns)

    @classmethod
    def of_mix(cls, folder: Path) -> Seen:
        """A mix looks like all that lies in it together. Raises ``OSError``."""
        told, size, mtime_ns, ctime_ns = hashlib.sha256(), 0, 0, 0
        for name, status in _inside(folder):
            told.update(b"%s\0%d\0%d\0" % (os.fsencode(name), status.st_size, status.st_mtime_ns))
            told.update(b"%d\0" % status.st_ino)
            told.update(b"%d\0" % status.st_ctime_ns)
            size, mtime_ns = size + status.st_size, max(mtime_ns, status.st_mtime_ns)
            ctime_ns = max(ctime_ns, status.st_ctime_ns)
        return cls(size, mtime_ns, int.from_bytes(told.digest()[:8]), ctime_ns)

    def same_bytes(self, other: Seen) -> bool:
        """Whether the other can be the same bytes, moved or copied elsewhere, which changes ``ctime_ns``."""
        return (self.size, self.mtime_ns) == (other.size, other.mtime_ns)


def look(path: Path) -> Seen:
    """How a take or a mix looks now. Raises ``OSError``."""
    status = os.lstat(path)
    return Seen.of_mix(path) if stat.S_ISDIR(status.st_mode) else Seen.of(status)


def plain_files(take: Path) -> Iterator[Path]:
    """The take itself, or the plain files of a mix, at any depth."""
    if not stat.S_ISDIR(os.lstat(take).st_mode):
        yield take
        return
    for name, status in _inside(take):
        if stat.S_ISREG(status.st_mode):
            yield take / name


def nests_too_deep(take: Path) -> bool:
    """Whether folders of a mix lie deeper in one another than is looked at."""
    return any(stat.S_ISDIR(status.st_mode) for _, status in _inside(take))


def _inside(folder: Path, below: str = "") -> Iterator[tuple[str, os.stat_result]]:
    """All that lies in a mix but folders, in the order of names; of folders those that lie too deep to
    be entered."""
    with os.scandir(folder / below) as entries:
        ordered = sorted(entries, key=lambda entry: entry.name)
    for entry in ordered:
        try:
            if entry.is_dir(follow_symlinks=False) and below.count("/") < DEEPEST_IN_MIX:
                yield from _inside(folder, f"{below}{entry.name}/")
            else:
                yield below + entry.name, os.lstat(entry)
        except FileNotFoundError:
            continue  # gone since the folder was listed


def is_ignored(name: str) -> bool:
    """Whether a file or folder of this name is nobody's take."""
    plain = unicodedata.normalize("NFC", name).casefold()
    return plain.startswith(_STARTS) or plain.endswith(_ENDS) or plain in _NAMES


def is_companion(path: str) -> bool:
    """Whether a file goes with takes instead of being one: title.toml and pictures."""
    name = path.rpartition("/")[2]
    return is_title_file(name) or name.casefold().endswith(COVER_SUFFIXES)


def scan(inbox: Path) -> dict[str, Seen]:
    """Every plain file below *inbox*, and every mix, by its relative path with forward slashes.

    Raises ``OSError`` when the inbox itself cannot be read, for then an empty answer would be a lie.
    """
    return dict(walk(inbox))


def walk(
    inbox: Path, part: str = "", apart: Collection[str] = (), closed: set[str] | None = None
) -> Iterator[tuple[str, Seen]]:
    """As `scan`, file by file, below the folder *part* of the inbox; the folders *apart* are not
    entered, nor even looked at. Those whose rights do not let us look into them are added to *closed*.

    Links are not followed and special files are passed over.
    """
    prefix = f"{part}/" if part else ""
    with os.scandir(inbox / part) as entries:
        found = sorted(entries, key=lambda entry: entry.name)
    yield from _each(inbox, prefix, found, apart, set() if closed is None else closed)


def _each(
    inbox: Path,
    prefix: str,
    entries: list[os.DirEntry[str]],
    apart: Collection[str],
    closed: set[str],
) -> Iterator[tuple[str, Seen]]:
    for entry in entries:
        path = prefix + entry.name
        if is_ignored(entry.name) or path in apart:
            continue
        try:
            if entry.is_dir(follow_symlinks=False) and is_mix(entry.name):
                yield path, Seen.of_mix(inbox / path)
                continue
            if entry.is_dir(follow_symlinks=False):
                if path.count("/") < DEEPEST:
                    yield from walk(inbox, path, apart, closed)
                continue
            status = os.lstat(entry)  # on Windows an entry itself does not know its inode
        except (FileNotFoundError, NotADirectoryError):
            continue  # gone since the folder was listed
        except PermissionError as e:
            closed.add(_closed_by(e))
            continue
        except OSError as e:
            if e.errno != errno.ENAMETOOLONG:
                raise
            continue  # nobody can reach it by its path
        if stat.S_ISREG(status.st_mode):
            yield path, Seen.of(status)


def _closed_by(error: PermissionError) -> str:
    """The folder that could not be listed, or not be entered to look at a file in it."""
    path = os.fspath(error.filename)
    return path if os.path.isdir(path) else os.path.dirname(path)

"""Steps on the disk that are there to stay when they return.

Three rules hold throughout:

* An answer may be wrong: a share can rename and report an error all the same. What stands there
  counts, not what the call said.
* A sync that failed is not tried again on the same descriptor: the system may have dropped what it
  could not write, and would say yes the second time. The file is thrown away, or read back.
* A step that raised has left its source where it was, and doing it again is harmless.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import functools
import itertools
import os
import secrets
import shutil
import stat
import sys
from collections.abc import Callable, Iterator
from pathlib import Path, PurePosixPath
from typing import Any

from fairtake.files.hashing import take_hash
from fairtake.folders.names import candidates, fitting, folder_of, free_folder, is_folder
from fairtake.plain_file import folder_below
from fairtake.pulse import beat

#: What `move_new` writes on another drive before it has its name; the scan ignores such names.
PART_PREFIX, PART_SUFFIX = ".fairtake-", ".part"
#: Room for what tells a name from those that are taken.
_NUMBER = "~99999"
#: Bytes that are copied at a time.
CHUNK = 2**20
#: What file systems say that cannot sync a folder, and need not.
NO_FOLDER_SYNC = (errno.EINVAL, errno.ENOTSUP, errno.EBADF, errno.ENOSYS)
#: What opening a folder says that is a link, or something else that is no folder.
NO_FOLDER = (errno.ELOOP, errno.ENOTDIR)
#: A move is begun anew so often when its folder was swapped for a link meanwhile.
SWAPS = 5


def sync(path: Path) -> None:
    """Bring a file or a folder to the disk."""
    is_one = path.is_dir()
    if is_one and os.name == "nt":
        return  # Windows cannot and need not sync folders
    # Windows syncs only what may be written.
    descriptor = os.open(path, os.O_RDWR if os.name == "nt" else os.O_RDONLY)
    try:
        os.fsync(descriptor)
    except OSError as e:
        if not is_one or e.errno not in NO_FOLDER_SYNC:
            raise
    finally:
        os.close(descriptor)


@contextlib.contextmanager
def way_to(home: Path, path: str) -> Iterator[tuple[Path, int | None]]:
    """*path* below *home* as a name and the descriptor of its folder; no link leads there.

    Raises ``OSError`` where a folder on the way is a link.
    """
    if os.name != "posix":
        yield home / path, None
        return
    with folder_below(home, folder_of(path)) as folder:
        yield Path(PurePosixPath(path).name), folder


@contextlib.contextmanager
def way_in(home: Path, path: str) -> Iterator[Path]:
    """As `way_to`, as one path for any call; whatever is swapped for a link, it stays below *home*.

    Only Linux gives an open folder a path. Elsewhere it is the plain one, its folders looked at just
    before. Raises ``FileExistsError`` where a folder on the way is a link; errors name the plain path.
    """
    plain = str((home / path).parent)
    with contextlib.ExitStack() as opened:
        try:
            name, folder = opened.enter_context(way_to(home, path))
        except OSError as e:
            if e.errno not in NO_FOLDER:
                raise
            raise FileExistsError(errno.EEXIST, "It is no folder", plain) from None
        if folder is None or sys.platform != "linux":
            yield home / path
            return
        through = f"/proc/self/fd/{folder}"
        try:
            yield Path(through) / name
        except OSError as e:
            e.filename, e.filename2 = (
                str(said).replace(through, plain, 1) if said else said
                for said in (e.filename, e.filename2)
            )
            raise


def make_below(home: Path, folder: str) -> Path:
    """The *folder* below *home*, made where it is missing. *home* itself has to be there.

    Raises ``FileExistsError`` where something else has the name, a link to a folder too.
    """
    if not home.is_dir():  # a drive that went away must not be replaced by a folder of its name
        raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), str(home))
    below = PurePosixPath(folder)
    for part in (*reversed(below.parents), below)[1:]:
        with way_in(home, str(part)) as path:
            try:
                os.mkdir(path)
            except FileExistsError:
                if not is_folder(path):
                    raise
            else:
                sync(path.parent)
    return home / folder


def write_durably(path: Path, text: str) -> None:
    """Replace *path* by *text*, whole or not at all."""
    fresh = path.with_name(f"{PART_PREFIX}{secrets.token_hex(8)}{PART_SUFFIX}")
    try:
        with open(fresh, "xb") as file:
            file.write(text.encode())
            file.flush()
            os.fsync(file.fileno())
        rename(fresh, path, os.replace)
    except BaseException:
        remove_quietly(fresh)
        raise
    sync(path.parent)


def read_back(path: Path, sha256: str) -> None:
    """Read *path* from the disk, not from memory where that can be told apart.

    Raises ``OSError`` when it does not hold the bytes it should.
    """
    if hasattr(os, "posix_fadvise") and not path.is_dir():
        descriptor = os.open(path, os.O_RDONLY)
        try:
            os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
        finally:
            os.close(descriptor)
    if take_hash(path) != sha256:
        raise OSError(errno.EIO, "It reads back other than it was written", str(path))


def copy_new(source: Path, target: Path, sha256: str) -> None:
    """As `move_new`, always by a copy: whoever has *source* open, or owns it, has not *target*."""
    _copy_across(source, target, sha256)
    sync(source.parent)


def move_new(
    source: Path, target: Path, sha256: str | None = None, is_synced: bool = False
) -> None:
    """Rename *source* to *target*, which must be free, on any two drives; synced.

    What has to be copied is read back before *source* goes; *sha256* is what it should hold.
    What *is_synced* was brought to the disk before, and nobody asks whether its old name is gone.
    Raises ``FileExistsError`` and leaves *source* where it is when *target* is taken.
    """
    plain = stat.S_ISREG(os.lstat(source).st_mode)  # opening a pipe would wait for ever
    # What we may not read, or on Windows not write, holds nothing that we wrote.
    if plain and not is_synced and os.access(source, os.W_OK if os.name == "nt" else os.R_OK):
        sync(source)
    try:
        rename(source, target, _rename_new)
    except OSError as e:
        if e.errno != errno.EXDEV:
            raise
        _copy_across(source, target, sha256 or take_hash(source))
    sync(target.parent)
    if not is_synced:
        sync(source.parent)


def _copy_across(source: Path, target: Path, sha256: str) -> None:
    # Named after its source: when this is broken off, doing it again leaves nothing behind.
    one = os.lstat(source)
    fresh = target.with_name(f"{PART_PREFIX}{one.st_dev:x}-{one.st_ino:x}{PART_SUFFIX}")
    remove_quietly(fresh)
    try:
        (_copy_folder if source.is_dir() else _copy_file)(source, fresh)
        read_back(fresh, sha256)
        rename(fresh, target, _rename_new)
    finally:
        remove_quietly(fresh)
    sync(target.parent)
    remove_take(source)


def _copy_file(source: Path, fresh: Path) -> None:
    with open(source, "rb") as old, open(fresh, "xb") as new:
        while chunk := old.read(CHUNK):
            new.write(chunk)
            beat()
        new.flush()
        os.fsync(new.fileno())


def _copy_folder(source: Path, fresh: Path) -> None:
    """All that lies in a mix; links as links."""
    os.mkdir(fresh)
    for name in sorted(os.listdir(source)):
        inner, copy = source / name, fresh / name
        if inner.is_symlink():
            os.symlink(os.readlink(inner), copy)
        elif is_folder(inner):
            _copy_folder(inner, copy)
        elif stat.S_ISREG(os.lstat(inner).st_mode):
            _copy_file(inner, copy)
    sync(fresh)


def move_to_free(source: Path, home: Path, path: str) -> str:
    """Move *source* to *path* below *home*, or to the next name that is free; the path it got.

    Raises ``FileExistsError`` where its folder is swapped for a link again and again.
    """
    for swaps in range(SWAPS):
        folder = free_folder(folder_of(path), home)
        try:
            make_below(home, folder)
            return _move_to_free_name(source, home, PurePosixPath(folder), PurePosixPath(path).name)
        except FileExistsError:
            if swaps + 1 == SWAPS:
                raise
    raise AssertionError("unreachable")


def _move_to_free_name(source: Path, home: Path, folder: PurePosixPath, name: str) -> str:
    # First as it is: it may use all the room there is.
    for candidate in itertools.chain((name,), candidates(fitting(name))):
        place = str(folder / candidate)
        with way_in(home, place) as target:
            if move_or_is_there(source, target):
                return place
    raise AssertionError("unreachable")


def move_or_is_there(source: Path, target: Path) -> bool:
    """Move *source* to *target*; False when something else stands there."""
    try:
        move_new(source, target)
    except FileExistsError:
        if not same(source, target):
            return False
        remove_take(source)  # a move that was broken off before its last step
    return True


def rename(
    source: Path, target: Path, by: Callable[[Path, Path], None] | None = None,
    folder: int | None = None, into: int | None = None,
) -> None:  # fmt: skip
    """Rename, by the call *by*. An error counts only when the rename did not happen.

    *source* lies in the open *folder* and *target* in the open folder *into*, where given.
    """
    before = os.lstat(source, dir_fd=folder)
    try:
        if by is not None:
            by(source, target)
        else:
            os.rename(source, target, src_dir_fd=folder, dst_dir_fd=into)
    except OSError:
        if not _happened(source, target, before, folder, into):
            raise


def _happened(
    source: Path, target: Path, before: os.stat_result, folder: int | None, into: int | None
) -> bool:
    there = standing(target, into)
    if there is None or there.st_size != before.st_size:
        return False
    if standing(source, folder) is None:
        return True
    if os.path.samestat(there, before) and stat.S_ISREG(before.st_mode):
        # Two names of one file: linked, and then the old name did not go.
        os.unlink(source, dir_fd=folder)
        return True
    return False


def standing(path: Path, folder: int | None = None) -> os.stat_result | None:
    """What stands at *path*, below the open *folder* where one is given; None for nothing.

    Raises ``OSError`` where that cannot be told.
    """
    try:
        return os.lstat(path, dir_fd=folder)
    except (FileNotFoundError, NotADirectoryError):
        return None


def has_room(home: Path, path: str) -> bool:
    """Whether a name may be as long as *path* is, below *home*: its own, and that of a copy in work.

    Raises ``OSError`` where the drive does not tell.
    """
    pure = PurePosixPath(path)
    copy = f"{PART_PREFIX}{'0' * 16}{PART_SUFFIX}"
    names = (f"{pure.stem}{_NUMBER}{pure.suffix}", copy)
    try:
        for part in (*pure.parts[:-1], *names):
            standing(home / part)
        for name in names:
            standing(home / pure.with_name(name))
    except OSError as e:
        if e.errno != errno.ENAMETOOLONG:
            raise
        return False
    return True


def holds(path: Path, sha256: str) -> bool:
    """Whether *path* is a plain file of these bytes, or a mix with these files."""
    there = standing(path)
    return there is not None and _is_take(there) and take_hash(path) == sha256


def same(a: Path, b: Path) -> bool:
    """Whether both are one, or plain files of the same bytes, or mixes with the same files."""
    one, other = os.lstat(a), os.lstat(b)
    if os.path.samestat(one, other):
        return True
    if stat.S_ISREG(one.st_mode) and one.st_size != other.st_size:
        return False
    alike = stat.S_IFMT(one.st_mode) == stat.S_IFMT(other.st_mode) and _is_take(one)
    return alike and take_hash(a) == take_hash(b)


def _is_take(status: os.stat_result) -> bool:
    """Whether it is something that can be a take: a plain file, or the folder of a mix."""
    return stat.S_ISREG(status.st_mode) or stat.S_ISDIR(status.st_mode)


def remove_take(path: Path) -> None:
    """Remove a take of which another copy stands, a mix with all that lies in it.

    A mix first gets a name of ours: half of it is nowhere to be seen.
    """
    there = standing(path)
    if there is None:
        return
    if not stat.S_ISDIR(there.st_mode):
        os.unlink(path)
        return
    gone = path.with_name(f"{PART_PREFIX}{secrets.token_hex(8)}{PART_SUFFIX}")
    rename(path, gone)
    shutil.rmtree(gone)


def remove(path: Path, folder: int | None = None) -> None:
    """Remove a file. An error counts only when it is still there."""
    try:
        os.unlink(path, dir_fd=folder)
    except OSError:
        if standing(path, folder) is not None:
            raise


def remove_quietly(path: Path) -> None:
    """Remove what is our own, with all that lies in it; where that fails it is a left-over for the next
    start to sweep."""
    with contextlib.suppress(OSError):
        if is_folder(path):
            shutil.rmtree(path)
        else:
            path.unlink(missing_ok=True)


# --- renaming without replacing ------------------------------------------------------------------


def _rename_new(source: Path, target: Path) -> None:
    if _rename_no_replace(source, target):
        return
    if is_folder(source):
        _take_name_and_rename(source, target)
        return
    try:
        os.link(source, target)
    except FileExistsError:
        raise
    except OSError as e:
        if e.errno == errno.EXDEV:
            raise
        _reserve_and_rename(source, target)
    else:
        os.unlink(source)


def _reserve_and_rename(source: Path, target: Path) -> None:
    """Where there are no hard links: hold the name with an empty file of our own, rename over it."""
    try:
        os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
    except FileExistsError:
        if os.lstat(target).st_size:
            raise
        # An empty file is what we leave when we are killed between the two steps.
    try:
        os.replace(source, target)
    except OSError:
        if standing(source) is not None:
            remove_quietly(target)
        raise


def _take_name_and_rename(source: Path, target: Path) -> None:
    """As `_reserve_and_rename`, for a folder, which no link can hold: an empty one has the name."""
    try:
        os.mkdir(target)
    except FileExistsError:
        if not is_folder(target) or os.listdir(target):
            raise
    try:
        os.rename(source, target)
    except OSError:
        if standing(source) is not None:
            with contextlib.suppress(OSError):
                os.rmdir(target)
        raise


@functools.cache
def _renameat2() -> Any:
    if not sys.platform.startswith("linux"):
        return None
    return getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)


def _rename_no_replace(source: Path, target: Path) -> bool:
    """Rename in one step without replacing; False where the system cannot."""
    if os.name == "nt":
        os.rename(source, target)  # never replaces there
        return True
    call = _renameat2()
    if call is None:
        return False
    at_cwd, no_replace = -100, 1
    if call(at_cwd, os.fsencode(source), at_cwd, os.fsencode(target), no_replace) == 0:
        return True
    code = ctypes.get_errno()
    if code in (errno.EINVAL, errno.ENOSYS):
        return False
    raise OSError(code, os.strerror(code), str(source), None, str(target))

"""Names that any drive takes, and names that are free.

A take may be called anything the inbox's drive allows. What fairtake makes of it gets a name that
every common drive can hold, so that the finished files can be copied anywhere: Unicode in composed
form, no reserved letters, none of the names old systems keep for devices, no blank or dot at an end,
not the ending of our own reasons, and room for ``~2`` and for suffixes in 255 bytes. Two names that differ only by case or by Unicode
form are one name here, for on many drives they are. The take's own name stays, verbatim, in its
receipt or reason. Which letters and words are reserved: common practice, no source.
"""

from __future__ import annotations

import os
import re
import stat
import unicodedata
from collections.abc import Iterator
from pathlib import Path, PurePosixPath

from fairtake.receipt import REASON_SUFFIX

_MOST_STEM_BYTES, _MOST_SUFFIX_BYTES, _MOST_FOLDER_BYTES = 150, 30, 180
_RESERVED = frozenset('<>:"/\\|?*')
_DEVICES = frozenset(
    ["con", "prn", "aux", "nul", "conin$", "conout$"]
    + [f"{port}{n}" for port in ("com", "lpt") for n in "0123456789¹²³"]
)
#: Letters no name may hold: controls, broken halves, unassigned ones, separators of lines.
_UNPRINTABLE = ("Cc", "Cs", "Cn", "Zl", "Zp")


def portable(path: str) -> str:
    """*path* with every part of it fit for any drive. Doing it again changes nothing."""
    pure = PurePosixPath(path)
    folders = [_cut(_clean(part), _MOST_FOLDER_BYTES) for part in pure.parts[:-1]]
    return str(PurePosixPath(*map(_no_device, folders), _portable_name(pure.name)))


def key(path: str) -> str:
    """Equal for names that some drive takes for one."""
    if path.isascii():  # the same in a tenth of the time, and whole folders are asked for
        return path.lower()
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", path).casefold())


def fitting(path: str) -> str:
    """*path* as it is, its name cut where there is no room to add to it."""
    pure = PurePosixPath(path)
    suffix = _cut(pure.suffix, _MOST_SUFFIX_BYTES)
    return str(pure.with_name(_cut(pure.stem, 230 - len(os.fsencode(suffix))) + suffix))


def candidates(path: str) -> Iterator[str]:
    """*path*, then with ``~2``, ``~3``, … before its suffix."""
    yield path
    pure = PurePosixPath(path)
    number = 2
    while True:
        yield str(pure.with_name(f"{pure.stem}~{number}{pure.suffix}"))
        number += 1


def without_number(path: str) -> str:
    """*path* without the ``~2`` that `candidates` may have given it."""
    pure = PurePosixPath(path)
    return str(pure.with_name(re.sub(r"~\d+$", "", pure.stem) + pure.suffix))


def free_folder(folder: str, *homes: Path) -> str:
    """*folder*, its parts numbered where something that is no folder has their name in a home."""
    found = ""
    for part in PurePosixPath(folder).parts:
        found = next(
            path
            for path in candidates(str(PurePosixPath(found) / part))
            if all(is_folder(home / path) or not os.path.lexists(home / path) for home in homes)
        )
    return found


def stays_below(path: str) -> bool:
    """Whether *path* names something below the folder it is joined to, and no other."""
    pure = PurePosixPath(path)
    return (
        bool(pure.parts) and not pure.is_absolute() and ".." not in pure.parts and "\0" not in path
    )


def is_folder(path: Path) -> bool:
    """Whether *path* is a folder itself. A link to one is not: it may lead anywhere."""
    try:
        return stat.S_ISDIR(os.lstat(path).st_mode)
    except (FileNotFoundError, NotADirectoryError):
        return False


def folder_of(path: str) -> str:
    """The folder of a path with forward slashes, '' for none."""
    parent = str(PurePosixPath(path).parent)
    return "" if parent == "." else parent


def keys_in(folder: Path) -> set[str]:
    """The `key` of every name in *folder*, none where it is not there."""
    try:
        return {key(name) for name in os.listdir(folder)}
    except FileNotFoundError:
        return set()


def _portable_name(name: str) -> str:
    pure = PurePosixPath(name)
    suffix = _cut(_clean(pure.suffix, ""), _MOST_SUFFIX_BYTES)
    stem = _no_device(_cut(_clean(pure.stem), _MOST_STEM_BYTES))
    # In quarantine it would be taken for what was said of the take beside it.
    is_like_a_reason = key(stem + suffix).endswith(REASON_SUFFIX)
    return f"{stem}_{suffix}" if is_like_a_reason else stem + suffix


def _clean(text: str, when_empty: str = "_") -> str:
    letters = (
        "_" if c in _RESERVED or unicodedata.category(c) in _UNPRINTABLE else c
        for c in unicodedata.normalize("NFC", text)
    )
    return "".join(letters).rstrip(" .") or when_empty


def _no_device(name: str) -> str:
    return f"_{name}" if name.split(".")[0].rstrip().casefold() in _DEVICES else name


def _cut(text: str, most_bytes: int) -> str:
    """*text* cut between two letters; the end stays without blank or dot."""
    whole = text
    while len(os.fsencode(text)) > most_bytes:
        text = text[:-1]
    return text if text == whole else text.rstrip(" .")

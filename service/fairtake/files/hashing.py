"""SHA-256 of files, and of folders by what lies in them."""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from fairtake.plain_file import open_plain
from fairtake.pulse import beat

_CHUNK = 2**18


def hash_of(path: Path) -> str:
    """SHA-256 of a plain file's bytes, in hexadecimal. Raises `NotAFile`."""
    with open_plain(path) as file:
        return digest_of(file)


def digest_of(file: BinaryIO) -> str:
    """As `hash_of`, of what is left of an open file."""
    told, chunk = hashlib.sha256(), memoryview(bytearray(_CHUNK))
    while size := file.readinto(chunk):  # type: ignore[attr-defined]
        told.update(chunk[:size])
        beat()
    return told.hexdigest()


def take_hash(path: Path) -> str:
    """As `hash_of`; of a mix the SHA-256 of what `folder_lines` says of its folder. Raises `NotAFile`."""
    if not stat.S_ISDIR(os.lstat(path).st_mode):
        return hash_of(path)
    told = hashlib.sha256()
    for line in folder_lines(path):
        told.update(line + b"\0")
    return told.hexdigest()


def folder_lines(folder: Path, below: bytes = b"") -> Iterator[bytes]:
    """A line for each thing in *folder*, at any depth, in the order of their names: its path, and its
    hash, or what it is where it is no plain file. Links are not followed."""
    with os.scandir(os.fsencode(folder)) as entries:
        ordered = sorted(entries, key=lambda entry: entry.name)
    for entry in ordered:
        name, path = below + entry.name, Path(os.fsdecode(entry.path))
        mode = entry.stat(follow_symlinks=False).st_mode
        if stat.S_ISDIR(mode):
            yield name + b"/"
            yield from folder_lines(path, name + b"/")
        elif stat.S_ISREG(mode):
            yield name + b"\0" + hash_of(path).encode()
        elif stat.S_ISLNK(mode):
            yield name + b"\0->" + os.readlink(entry.path)
        else:
            yield name + b"\0?"

"""A mix: a folder whose name ends in ``.mix``, with a cues.toml and the sound files that it names."""

from __future__ import annotations

import os
import stat
import unicodedata
from dataclasses import dataclass
from pathlib import Path

from fairtake.cues import CUES_FILE, Cues
from fairtake.errors import CuesInvalid, FairtakeError, MixIncomplete, NotAFile
from fairtake.files.container import sniff
from fairtake.plain_file import is_closed_to_us, open_plain
from fairtake.typed_file import parse_settings

MIX_SUFFIX = ".mix"
_MOST_CUES_BYTES = 2**18


@dataclass(frozen=True)
class MixFolder:
    """What lies in a mix: its cues, the file of each name in them, and what nobody names."""

    cues: Cues
    files: dict[str, Path]
    unnamed: tuple[str, ...]


def is_mix(name: str) -> bool:
    """Whether a folder of this name is a mix."""
    return name.casefold().endswith(MIX_SUFFIX)


def read_mix(folder: Path) -> MixFolder:
    """Read the cues of the mix at *folder*, and find the files that they name.

    Raises `CuesInvalid` with every problem, `MixIncomplete` with every file that is not there.
    """
    files, others = _inside(folder)
    if CUES_FILE not in files:
        raise MixIncomplete(f"There is no {CUES_FILE}.")
    cues = parse_settings(_cues_bytes(folder / CUES_FILE), Cues, CuesInvalid, CUES_FILE)
    composed = {_plain(name): name for name in files}
    found = {
        name: folder / there
        for name in cues.files
        if (there := name if name in files else composed.get(_plain(name)))
    }
    if absent := [f"'{name}'" for name in cues.files if name not in found]:
        raise MixIncomplete(f"Missing: {', '.join(absent)}.")
    used = {CUES_FILE, *(path.name for path in found.values())}
    return MixFolder(cues, found, tuple(sorted({*files, *others} - used)))


def missing_in(folder: Path) -> str:
    """What has not arrived in a mix yet, in words; '' where it is whole, or will never be."""
    try:
        mix = read_mix(folder)
    except MixIncomplete as e:
        return e.detail[:1].lower() + e.detail[1:].rstrip(".")
    except (FairtakeError, OSError):
        return ""  # whatever it is, it shows when the mix is opened
    for name, path in mix.files.items():
        try:
            missing = sniff(path).missing
        except FairtakeError as e:
            missing = "it holds no bytes yet" if e.code == "empty" else ""
        except OSError:
            missing = ""
        if missing:
            return f"of '{name}' bytes are missing: {missing}"
    return ""


def _inside(folder: Path) -> tuple[list[str], list[str]]:
    """The plain files of *folder*, in the order of names, and whatever else lies there.

    Hidden ones are what systems leave behind.
    """
    with os.scandir(folder) as entries:
        seen = sorted((e for e in entries if not e.name.startswith(".")), key=lambda e: e.name)
    plain: list[str] = []
    others: list[str] = []
    for entry in seen:
        is_plain = stat.S_ISREG(entry.stat(follow_symlinks=False).st_mode)
        (plain if is_plain else others).append(entry.name)
    return plain, others


def _plain(name: str) -> str:
    return unicodedata.normalize("NFC", name)


def _cues_bytes(path: Path) -> bytes:
    try:
        with open_plain(path) as file:
            data = file.read(_MOST_CUES_BYTES + 1)
    except NotAFile:
        raise CuesInvalid(f"{CUES_FILE}: it is no plain file.") from None
    except PermissionError:
        if not is_closed_to_us(path):
            raise
        raise CuesInvalid(f"{CUES_FILE}: it may not be read.") from None
    if len(data) > _MOST_CUES_BYTES:
        raise CuesInvalid(f"{CUES_FILE}: it is larger than {_MOST_CUES_BYTES // 1024} KiB.")
    return data

"""Make a ROOT, and look whether one is in order."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

from fairtake.errors import EncoderMissing, FairtakeError
from fairtake.files.encoder import encoder_version
from fairtake.folders import SETTINGS_FILE, Root, open_root
from fairtake.shipped import config_folder, load_profile, profile_files

#: Under this nothing of any length can be finished.
LEAST_FREE_BYTES = 2 * 2**30
_REMOTE = ("nfs", "cifs", "smb", "fuse.sshfs", "9p", "afs", "ceph", "fuse.rclone")


def make_root(path: Path) -> list[Path]:
    """Make the folders, settings and profiles of a ROOT; the files written. Keeps what is there."""
    path.mkdir(parents=True, exist_ok=True)
    written = []
    for source in (
        config_folder() / SETTINGS_FILE,
        *sorted((config_folder() / "profiles").glob("*.toml")),
    ):
        target = path / source.relative_to(config_folder())
        target.parent.mkdir(exist_ok=True)
        if not target.exists():
            shutil.copyfile(source, target)
            written.append(target)
    open_root(path).make_folders()
    return written


def problems(path: Path) -> Iterator[tuple[str, str]]:
    """Everything that is wrong with the ROOT at *path*: ``("bad" or "note", sentence)``."""
    try:
        root = open_root(path)
    except FairtakeError as e:
        yield "bad", f"{e.message} {e.advice}"
        return
    yield from _profile_problems(root)
    try:
        encoder_version()
    except EncoderMissing as e:
        yield "bad", f"{e.message} {e.advice}"
    for folder in root.folders:
        yield from _folder_problems(folder)
    yield from _place_problems(root)


def _profile_problems(root: Root) -> Iterator[tuple[str, str]]:
    for name in profile_files(root.profiles):
        try:
            load_profile(name, root.profiles)
        except FairtakeError as e:
            yield "bad", e.message
    default = root.settings.default_profile
    if default not in profile_files(root.profiles):
        yield "bad", f"{SETTINGS_FILE}: default_profile '{default}' is none of the profiles."


def _folder_problems(folder: Path) -> Iterator[tuple[str, str]]:
    if not folder.is_dir():
        yield "bad", f"{folder} is missing: the drive is not there, or `fairtake init` was not run."
        return
    try:
        with tempfile.NamedTemporaryFile(dir=folder, prefix=".fairtake-check-", suffix=".tmp"):
            pass
    except OSError as e:
        yield "bad", f"{folder} cannot be written: {e.strerror}."


def _place_problems(root: Root) -> Iterator[tuple[str, str]]:
    there = [folder for folder in root.folders if folder.is_dir()]
    for folder in there:
        free = shutil.disk_usage(folder).free
        if free < LEAST_FREE_BYTES:
            yield "note", f"{folder} has {free / 2**30:.1f} GiB left: an hour takes about 1.5 GiB."
    if root.inbox in there and root.claims in there and _device(root.inbox) != _device(root.claims):
        yield "bad", f"{root.claims} is not on the inbox's file system: a claim has to be a rename."
    if root.scratch in there and (kind := file_system(root.scratch)).startswith(_REMOTE):
        yield (
            "note",
            f"{root.scratch} is on a network drive ({kind}): set `state` to a local folder.",
        )


def _device(folder: Path) -> int:
    return os.stat(folder).st_dev


def file_system(path: Path) -> str:
    """Kind of the file system *path* is on, '' where the system does not tell."""
    try:
        with open("/proc/self/mountinfo", encoding="utf-8", errors="surrogateescape") as file:
            lines = file.readlines()
    except OSError:
        return ""
    resolved, best, kind = str(path.resolve()), "", ""
    for line in lines:
        fields = line.split()
        point = fields[4].encode().decode("unicode_escape")
        inside = resolved == point or resolved.startswith(point.rstrip("/") + "/")
        if inside and len(point) >= len(best):
            best, kind = point, fields[fields.index("-") + 1]
    return kind

"""Look over a ROOT and report everything that is wrong with it at once."""

from __future__ import annotations

import os
import shutil
import stat
import tempfile
from collections.abc import Iterator
from pathlib import Path

from fairtake.below import all_below
from fairtake.errors import EncoderMissing, FairtakeError, SettingsInvalid, TitleInvalid
from fairtake.files.encoder import encoder_version
from fairtake.folders import SETTINGS_FILE, Root, open_root, require_own_state, strangers
from fairtake.folders.claim_folder import said_of_stranger
from fairtake.folders.durable import standing
from fairtake.mounts import file_system, is_remote
from fairtake.plain_file import open_plain
from fairtake.root import LEAST_FREE_BYTES
from fairtake.service_settings import ServiceSettings
from fairtake.serving.sandbox import missing
from fairtake.shipped import load_profile, profile_files
from fairtake.sound.loops import COMPILED
from fairtake.title import COVER_SUFFIXES, MOST_TITLE_BYTES, Title, is_title_file
from fairtake.typed_file import parse_settings, usable_settings
from fairtake.writers import UNSEEN, open_for_writing

Problem = tuple[str, str]
SLOW = (
    "Fairtake was installed without its compiled loops and takes longer for a take: install a C compiler "
    "and Python's headers, and then fairtake again."
)


def problems(path: Path) -> Iterator[Problem]:
    """Everything that is wrong with the ROOT at *path*: ``("bad" or "note", sentence)``.

    Settings that are wrong are reported and passed over, so that the rest is looked at too.
    """
    try:
        root = open_root(path)
    except SettingsInvalid as e:
        yield "bad", f"{e.message} {e.advice}"
        data = (path / SETTINGS_FILE).read_bytes()
        root = Root(path.absolute(), usable_settings(data, ServiceSettings))
    except FairtakeError as e:
        yield "bad", f"{e.message} {e.advice}"
        return
    yield from _profile_problems(root)
    yield from _title_problems(root)
    try:
        encoder_version()
    except EncoderMissing as e:
        yield "bad", f"{e.message} {e.advice}"
    for folder in root.folders:
        yield from _folder_problems(folder)
    yield from _place_problems(root)
    yield from _writer_problems(root)
    yield from _outward_problems(root)
    try:
        require_own_state(root)
    except FairtakeError as e:
        yield "bad", f"{e.message} {e.advice}"
    yield from (("note", sentence) for sentence in missing())
    if not COMPILED:
        yield "note", SLOW


def _profile_problems(root: Root) -> Iterator[Problem]:
    for name in profile_files(root.profiles):
        try:
            load_profile(name, root.profiles)
        except FairtakeError as e:
            yield "bad", e.message
    default = root.settings.default_profile
    if default not in profile_files(root.profiles):
        yield "bad", f"{SETTINGS_FILE}: default_profile '{default}' is none of the profiles."


def _title_problems(root: Root) -> Iterator[Problem]:
    """What would send the takes of a title to quarantine."""
    for file in sorted(p for p in all_below(root.inbox) if is_title_file(p.name)):
        if file.is_symlink() or not file.is_file():
            continue
        name = file.relative_to(root.inbox).as_posix()
        try:
            with open_plain(file) as opened:
                data = opened.read(MOST_TITLE_BYTES + 1)
            if len(data) > MOST_TITLE_BYTES:
                raise TitleInvalid(f"{name}: it is larger than {MOST_TITLE_BYTES // 1024} KiB.")
            title = parse_settings(data, Title, TitleInvalid, name)
        except OSError as e:
            yield "bad", f"{name} cannot be read: {e.strerror}."
        except FairtakeError as e:
            yield "bad", e.message
        else:
            yield from _choice_problems(root, file, name, title, data.decode("utf-8-sig"))


def _choice_problems(
    root: Root, file: Path, name: str, title: Title, text: str
) -> Iterator[Problem]:
    """A title.toml that is well formed, and asks for what is not there."""
    if title.cover and not (file.parent / title.cover).is_file():
        wanted = f"the cover '{title.cover}' is not beside it"
        yield "note", f"{name}: {wanted}: without it the title's takes end in quarantine."
    top = name.split("/")[0]
    by_folder = top if top in profile_files(root.profiles) else None
    chosen = title.profile or by_folder or root.settings.default_profile
    if chosen not in profile_files(root.profiles) and not title.profile:
        return  # the default profile, of which is told already
    try:
        profile = load_profile(chosen, root.profiles)
    except FairtakeError as e:
        if chosen not in profile_files(root.profiles):
            yield "bad", f"{name}: {e.message}"
        return
    try:
        profile.overridden(title.overrides, name, text)
    except FairtakeError as e:
        yield "bad", e.message


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
    yield from (("bad", said_of_stranger(folder)) for folder in strangers(root))
    there = [folder for folder in root.folders if folder.is_dir()]
    for folder in there:
        free = shutil.disk_usage(folder).free
        if free < LEAST_FREE_BYTES:
            yield "note", f"{folder} has {free / 2**30:.1f} GiB left: an hour takes about 1.5 GiB."
    if root.inbox in there and root.claims in there and _device(root.inbox) != _device(root.claims):
        yield "bad", f"{root.claims} is not on the inbox's file system: a claim has to be a rename."
    if root.scratch in there and is_remote(kind := file_system(root.scratch)):
        yield (
            "note",
            f"{root.scratch} is on a network drive ({kind}): set `state` to a local folder.",
        )


def _writer_problems(root: Root) -> Iterator[Problem]:
    """Takes whose writers the service cannot see. Its account is the one that has the claims."""
    if os.name != "posix" or not (root.claims.is_dir() and root.inbox.is_dir()):
        return
    service = os.stat(root.claims).st_uid
    for file in all_below(root.inbox) if service else ():
        there = standing(file)
        if there is None or not stat.S_ISREG(there.st_mode) or there.st_uid == service:
            continue
        goes_with_takes = is_title_file(file.name) or file.suffix.casefold() in COVER_SUFFIXES
        if not goes_with_takes and (os.geteuid() != service or open_for_writing(file) is None):
            yield "note", UNSEEN.format(root.settings.unseen_s)
            return


def _outward_problems(root: Root) -> Iterator[Problem]:
    """What would keep the owner from being told."""
    settings, command = root.settings, root.settings.notify.command
    if command and not shutil.which(command[0]):
        yield "bad", f"{SETTINGS_FILE}: notify.command: '{command[0]}' cannot be run."
    for place in (root.path, root.path / SETTINGS_FILE):
        if command and os.name == "posix" and place.stat().st_mode & stat.S_IWOTH:
            yield "bad", f"{place} may be written by everybody, who could have any program run: take that right away."  # fmt: skip
    metrics = root.path / settings.metrics
    if settings.metrics and not os.access(metrics.parent, os.W_OK):
        yield (
            "bad",
            f"{SETTINGS_FILE}: metrics: {metrics.parent} is not there or cannot be written.",
        )


def _device(folder: Path) -> int:
    return os.stat(folder).st_dev

"""The work on one claimed take, from claim to end. Runs in a worker."""

from __future__ import annotations

import errno
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Literal

from fairtake.errors import (
    CutShort,
    DiskFull,
    FairtakeError,
    FolderGone,
    HeaderOnly,
    NotPermitted,
    SurroundingsFault,
    TitleInvalid,
    Unreadable,
)
from fairtake.files.hashing import hash_of
from fairtake.files.take import facts_of
from fairtake.folders import (
    Claim,
    Root,
    already_finished,
    drop_duplicate,
    publish,
    quarantine,
    resume,
    scratch_of,
)
from fairtake.master import Job, finish
from fairtake.profile import Profile
from fairtake.receipt import Reason
from fairtake.shipped import load_profile, profile_files
from fairtake.title import TITLE_FILE, Title
from fairtake.typed_file import parse_settings
from fairtake.versions import made_by

_FAULT_OF_ERRNO = {
    errno.ENOSPC: DiskFull, errno.EDQUOT: DiskFull, errno.EFBIG: DiskFull,
    errno.EACCES: NotPermitted, errno.EPERM: NotPermitted, errno.EROFS: NotPermitted,
}  # fmt: skip

Ending = Literal[
    "finished", "quarantined", "duplicate", "not-whole", "changed", "surroundings", "crashed"
]


@dataclass(frozen=True)
class Outcome:
    """How the work ended. ``place`` is where the take's files are now, below outbox or quarantine."""

    ending: Ending
    place: str = ""
    code: str = ""
    message: str = ""
    failed_checks: tuple[str, ...] = ()
    seconds: float = 0.0


Progress = Callable[[str, float], None]


def work(root: Root, claimed: Claim, grace_over: bool, progress: Progress) -> Outcome:
    """Finish or quarantine one claimed take. Raises nothing.

    A file that is not whole is left claimed while its grace is not over.
    """
    verb = "start"

    def said(now: str, share: float) -> None:
        nonlocal verb
        verb = now
        progress(now, share)

    try:
        return _finish(root, claimed, said)
    except (CutShort, HeaderOnly) as e:
        if not grace_over:
            return Outcome("not-whole", code=e.code, message=e.message)
        return quarantined(root, claimed, e, verb)
    except SurroundingsFault as e:
        return Outcome("surroundings", code=e.code, message=e.message)
    except FairtakeError as e:
        return quarantined(root, claimed, e, verb)
    except MemoryError:
        return Outcome("crashed", message="The worker ran out of memory.")
    except OSError as e:
        fault = fault_of(e)
        return Outcome("surroundings", code=fault.code, message=fault.message)
    except Exception as e:
        # A bug of ours, or a file that breaks a library: counted like a crash.
        traceback.print_exc()
        return Outcome("crashed", message=f"{type(e).__name__}: {e}.")


def fault_of(error: OSError) -> SurroundingsFault:
    """The fault of the surroundings behind an ``OSError``."""
    kind = _FAULT_OF_ERRNO.get(error.errno or 0, FolderGone)
    place = f" ({error.filename})" if error.filename else ""
    return kind(f"{error.strerror or error}{place}.")


def _finish(root: Root, claimed: Claim, progress: Progress) -> Outcome:
    if resume(root, claimed):  # an earlier worker died on the last steps
        return _resumed(claimed)
    before = _look(claimed.take)
    title, folder, text = title_of(root, claimed)
    name, profile = profile_of(root, claimed, title, text)
    cover = folder / title.cover if title.cover else None
    job = Job(claimed.take, claimed.name, claimed.stem, name, profile, claimed.title, title, cover)
    try:
        sha256 = hash_of(claimed.take)
    except PermissionError:
        raise Unreadable() from None
    asked = {
        "take": sha256,
        "profile": profile.sha256,
        "tags": job.tags,
        "cover": hash_of(cover) if cover and cover.is_file() else None,
    }
    stem = already_finished(root, claimed, asked)
    if stem is not None:
        drop_duplicate(root, claimed)
        return Outcome("duplicate", place=_place(claimed, stem))
    done = finish(job, scratch_of(root, claimed), progress)
    if _look(claimed.take) != before or done.receipt.take.sha256 != sha256:
        return Outcome("changed", message="The take was still being written.")
    progress("publish", 0.0)
    stem = publish(root, claimed, done.wav, done.mp3, done.receipt)
    return Outcome(
        "finished",
        place=_place(claimed, stem),
        failed_checks=tuple(f"{c.check} of the {c.file}" for c in done.receipt.checks if not c.ok),
        seconds=done.receipt.take.duration_s or 0.0,
    )


def _resumed(claimed: Claim) -> Outcome:
    if claimed.quarantine is None:
        return Outcome("finished", place=_place(claimed, claimed.stem))
    reason = Reason.model_validate_json(claimed.quarantine["reason"])
    place = str(claimed.quarantine["path"])
    return Outcome("quarantined", place=place, code=reason.code, message=reason.message)


def _place(claimed: Claim, stem: str) -> str:
    return str(PurePosixPath(claimed.title) / stem)


def _look(path: Path) -> tuple[int, int]:
    status = path.stat()
    return status.st_size, status.st_mtime_ns


def title_of(root: Root, claimed: Claim) -> tuple[Title, Path, str]:
    """The title.toml nearest to the take, its folder and its text; an empty title without one.

    Raises `TitleInvalid`.
    """
    folder = root.inbox / claimed.title
    while folder != root.inbox.parent:
        path = folder / TITLE_FILE
        if path.is_file() and not path.is_symlink():
            try:
                data = path.read_bytes()
            except PermissionError:
                raise TitleInvalid(f"{TITLE_FILE}: it may not be read.") from None
            title = parse_settings(data, Title, TitleInvalid, TITLE_FILE)
            return title, folder, data.decode("utf-8-sig")
        folder = folder.parent
    return Title(), root.inbox / claimed.title, ""


def profile_of(root: Root, claimed: Claim, title: Title, text: str) -> tuple[str, Profile]:
    """Name and profile for a take: what title.toml says, else its top folder, else the default."""
    known = profile_files(root.profiles)
    top = PurePosixPath(claimed.path).parts[0]
    by_folder = top if claimed.title and top in known else None
    name = title.profile or by_folder or root.settings.default_profile
    profile = load_profile(name, root.profiles)
    if title.overrides:
        profile = profile.overridden(title.overrides, TITLE_FILE, text)
    return name, profile


def quarantined(root: Root, claimed: Claim, error: FairtakeError, verb: str) -> Outcome:
    """Quarantine the take for *error*."""
    reason = Reason(
        take=facts_of(claimed.take, claimed.name, claimed.title),
        code=error.code,
        message=error.message,
        advice=error.advice,
        stage=verb,
        attempts=max(claimed.attempts, 1),
        made_by=made_by(),
    )
    try:
        place = quarantine(root, claimed, reason)
    except OSError as e:
        fault = fault_of(e)
        return Outcome("surroundings", code=fault.code, message=fault.message)
    return Outcome("quarantined", place=place, code=error.code, message=error.message)

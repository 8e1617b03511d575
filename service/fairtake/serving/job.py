"""The work on one claimed take, from claim to end. Runs in a worker.

`work` does all of it. Where the making is done elsewhere, `make_apart` does that part, touching
nothing but a scratch of its own, and `put_in_place` the rest.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import stat
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any, Literal

from fairtake.below import all_below
from fairtake.errors import (
    CutShort,
    DiskFull,
    EncoderFailed,
    FailsAlone,
    FairtakeError,
    FolderGone,
    HeaderOnly,
    MixIncomplete,
    MixTooDeep,
    NotAFile,
    NotPermitted,
    OutOfHandles,
    PathTooLong,
    SecondName,
    SurroundingsFault,
    TitleInvalid,
    Unreadable,
)
from fairtake.files.hashing import hash_of, take_hash
from fairtake.files.mp3 import MOST_COVER_BYTES
from fairtake.files.take import facts_of, refuse_too_long
from fairtake.folders import (
    Claim,
    Root,
    already_finished,
    drop_duplicate,
    has_place,
    publish,
    quarantine,
    resume,
    scratch_of,
)
from fairtake.folders.durable import way_in
from fairtake.folders.life import TakeChanged
from fairtake.master import Finished, Job
from fairtake.mix_folder import is_mix
from fairtake.plain_file import folder_below, is_closed_to_us, open_plain
from fairtake.profile import Profile
from fairtake.pulse import felt_by
from fairtake.receipt import Reason, TakeFacts
from fairtake.serving.confined import Died
from fairtake.serving.making import described, make
from fairtake.serving.scan import Seen, look, nests_too_deep, plain_files
from fairtake.shipped import load_profile, profile_files
from fairtake.sketch import Sketch
from fairtake.title import MOST_TITLE_BYTES, TITLE_FILE, Title, title_name
from fairtake.typed_file import parse_settings
from fairtake.versions import made_by

#: Any other number, as ENOENT, EIO and ESTALE, is that of a drive that is gone or fails.
_FAULT_OF_ERRNO: dict[int, type[SurroundingsFault]] = {
    errno.ENOSPC: DiskFull, errno.EDQUOT: DiskFull, errno.EFBIG: DiskFull,
    errno.EACCES: NotPermitted, errno.EPERM: NotPermitted, errno.EROFS: NotPermitted,
    errno.EMFILE: OutOfHandles, errno.ENFILE: OutOfHandles,
    errno.ENOMEM: SurroundingsFault, errno.EAGAIN: SurroundingsFault,
}  # fmt: skip

Ending = Literal[
    "finished",
    "quarantined",
    "duplicate",
    "not-whole",
    "changed",
    "surroundings",
    "crashed",
    "made",
]


@dataclass(frozen=True)
class Prepared:
    """A take that was looked at and hashed, and what is to be done with it."""

    job: Job
    sha256: str
    looked: Seen
    asked: dict[str, Any]
    cover: str  # where its title's picture lies in the inbox, '' for none


@dataclass(frozen=True)
class Made:
    """What came of the making, still in scratch; ``done`` is None for a take finished before."""

    prepared: Prepared
    done: Finished | None


@dataclass(frozen=True)
class Condemned:
    """The take cannot be finished: why, and at which verb that was found."""

    error: FairtakeError
    verb: str


@dataclass(frozen=True)
class Outcome:
    """How the work ended. ``place`` is where the take's files are now, below outbox or quarantine.

    Only one that is ``made`` has something in ``made``: what is to be put in place; only one that is
    finished has a ``sketch``, for its page.
    """

    ending: Ending
    place: str = ""
    code: str = ""
    message: str = ""
    failed_checks: tuple[str, ...] = ()
    seconds: float = 0.0
    sha256: str = ""
    made: Made | Condemned | None = None
    sketch: Sketch | None = None


Progress = Callable[[str, float], None]


class _CoverUnready(Exception):
    """The title's picture is not there, or is none: somebody may be replacing it."""

    def __init__(self, fault: TitleInvalid) -> None:
        super().__init__(fault.message)
        self.fault = fault


def work(root: Root, claimed: Claim, grace_over: bool, progress: Progress) -> Outcome:
    """Finish or quarantine one claimed take. Raises nothing.

    A file that is not whole, or not yet ours alone, is left claimed while its grace is not over.
    """

    def finish(said: Progress) -> Outcome:
        if resume(root, claimed):  # an earlier worker died on the last steps
            return _resumed(claimed)
        scratch = scratch_of(root, claimed)
        prepared = _prepared(root, claimed, scratch)
        stem = already_finished(root, claimed, prepared.asked)
        if stem is not None:
            return _dropped(root, claimed, stem, prepared)
        done = _made(prepared, scratch, root.settings.hang_s, said)
        return _published(root, claimed, prepared, done, said)

    return _judged(
        finish, grace_over, progress, lambda e, verb: quarantined(root, claimed, e, verb)
    )


def make_apart(
    root: Root, claimed: Claim, grace_over: bool, scratch: Path, progress: Progress
) -> Outcome:
    """Make a take's files in *scratch*, and touch nothing else. Raises nothing.

    As `work`, but what would end it is ``made``, for `put_in_place`.
    """

    def finish(said: Progress) -> Outcome:
        prepared = _prepared(root, claimed, scratch)
        done = None
        if already_finished(root, claimed, prepared.asked) is None:
            done = _made(prepared, scratch, root.settings.hang_s, said)
        return Outcome("made", made=Made(prepared, done))

    def condemn(error: FairtakeError, verb: str) -> Outcome:
        return Outcome("made", made=Condemned(error, verb))

    return _judged(finish, grace_over, progress, condemn)


def put_in_place(root: Root, claimed: Claim, made: Made | Condemned, progress: Progress) -> Outcome:
    """Publish or quarantine what `make_apart` came to. Raises nothing."""
    if isinstance(made, Condemned):
        with felt_by(lambda: progress("publish", 0.0)):
            return quarantined(root, claimed, made.error, made.verb)

    def finish(said: Progress) -> Outcome:
        if made.done is not None:
            return _published(root, claimed, made.prepared, made.done, said)
        stem = already_finished(root, claimed, made.prepared.asked)  # again: time has passed
        if stem is None:
            return Outcome("changed", message="What it was finished as before is gone.")
        return _dropped(root, claimed, stem, made.prepared)

    return _judged(finish, True, progress, lambda e, verb: quarantined(root, claimed, e, verb))


def _judged(
    finish: Callable[[Progress], Outcome],
    grace_over: bool,
    progress: Progress,
    condemn: Callable[[FairtakeError, str], Outcome],
) -> Outcome:
    """What *finish* came to; as long as it moves bytes, it is not silent. Raises nothing."""
    last = ("start", 0.0)

    def said(verb: str, share: float) -> None:
        nonlocal last
        last = verb, share
        progress(verb, share)

    with felt_by(lambda: progress(*last)):
        return _came_to(lambda: finish(said), grace_over, lambda e: condemn(e, last[0]))


def _came_to(
    finish: Callable[[], Outcome], grace_over: bool, condemn: Callable[[FairtakeError], Outcome]
) -> Outcome:
    """Each error is sorted by whose fault it is."""
    try:
        return finish()
    except (CutShort, HeaderOnly, MixIncomplete, SecondName) as e:
        if not grace_over:
            return Outcome("not-whole", code=e.code, message=e.message)
        return condemn(e)
    except _CoverUnready as e:
        if not grace_over:
            return Outcome("not-whole", code=e.fault.code, message=e.fault.message)
        return condemn(e.fault)
    except NotAFile as e:  # put back, where the scan passes it over
        return Outcome("changed", message=e.message)
    except EncoderFailed as e:  # as a crash: it may have been its memory, so it is tried again
        return Outcome("crashed", code=e.code, message=e.detail)
    except SurroundingsFault as e:
        return Outcome("surroundings", code=e.code, message=e.message)
    except FairtakeError as e:
        return condemn(e)
    except Died as e:
        return Outcome("crashed", message=str(e))
    except OSError as e:
        fault = fault_of(e)
        return Outcome("surroundings", code=fault.code, message=fault.message)
    except Exception as e:  # a bug of ours: counted like a crash
        return Outcome("crashed", message=described(e))


def fault_of(error: OSError) -> SurroundingsFault:
    """The fault of the surroundings behind an ``OSError``."""
    kind = _FAULT_OF_ERRNO.get(error.errno or 0, FolderGone)
    place = f" ({error.filename})" if error.filename else ""
    return kind(f"{error.strerror or error}{place}.")


def _prepared(root: Root, claimed: Claim, scratch: Path) -> Prepared:
    """Look the take over and read what comes with it; the title's picture is copied into *scratch*."""
    if not has_place(root, claimed.path):
        raise PathTooLong()
    try:
        looked = look(claimed.take)
        _refuse_links(claimed)
    except PermissionError:
        _refuse_closed(claimed)
        raise
    title, folder, text = title_of(root, claimed)
    name, profile = profile_of(root, claimed, title, text)
    picture = (folder / title.cover).relative_to(root.inbox).as_posix() if title.cover else ""
    cover = _own_cover(root, picture, scratch) if picture else None
    job = Job(claimed.take, claimed.name, claimed.stem, name, profile, claimed.title, title, cover)
    try:
        refuse_too_long(claimed.take, profile.delivery.longest_s)  # before all of it is read
        sha256 = take_hash(claimed.take)
    except PermissionError:
        _refuse_closed(claimed)
        raise
    asked = {
        "take": sha256,
        "profile": profile.sha256,
        "tags": job.tags,
        "cover": hash_of(cover) if cover else None,
    }
    return Prepared(job, sha256, looked, asked, picture)


def _made(prepared: Prepared, scratch: Path, patience_s: float, progress: Progress) -> Finished:
    try:
        return make(prepared.job, scratch, patience_s, progress)
    except TitleInvalid as e:  # its settings were in order: it is the picture
        raise _CoverUnready(e) from None


def _published(
    root: Root, claimed: Claim, prepared: Prepared, done: Finished, progress: Progress
) -> Outcome:
    # Many drives keep times in whole seconds: only the bytes tell that nobody wrote meanwhile.
    mastered, sha256 = done.receipt.take.sha256, prepared.sha256
    if look(claimed.take) != prepared.looked or not sha256 == mastered == take_hash(claimed.take):
        return Outcome("changed", message="The take was still being written.")
    if _cover_was_replaced(root, prepared):
        return Outcome("changed", message="Its title's cover was replaced meanwhile.")
    progress("publish", 0.0)
    try:
        stem = publish(root, claimed, done.files, done.receipt)
    except TakeChanged:
        return Outcome("changed", message="The take was still being written.")
    return Outcome(
        "finished",
        place=_place(claimed, stem),
        failed_checks=tuple(f"{c.check} of the {c.file}" for c in done.receipt.checks if not c.ok),
        seconds=done.receipt.take.duration_s or 0.0,
        sha256=sha256,
        sketch=done.sketch,
    )


def _dropped(root: Root, claimed: Claim, stem: str, prepared: Prepared) -> Outcome:
    drop_duplicate(root, claimed)
    return Outcome("duplicate", place=_place(claimed, stem), sha256=prepared.sha256)


def _resumed(claimed: Claim) -> Outcome:
    if claimed.quarantine is None:
        sha256 = str((claimed.publish or {}).get("sha256", ""))
        return Outcome("finished", place=_place(claimed, claimed.stem), sha256=sha256)
    reason = Reason.model_validate(json.loads(claimed.quarantine["reason"]))
    return _into_quarantine(reason, str(claimed.quarantine["path"]))


def _into_quarantine(reason: Reason, place: str) -> Outcome:
    sha256 = reason.take.sha256 or ""
    return Outcome("quarantined", place, reason.code, reason.message, sha256=sha256)


def _place(claimed: Claim, stem: str) -> str:
    return str(PurePosixPath(claimed.place).with_name(stem))


def _refuse_links(claimed: Claim) -> None:
    """The scan saw a plain file, or a mix; what was claimed may be something else.

    Raises `NotAFile`, `MixTooDeep`, `SecondName`.
    """
    mode = claimed.take.lstat().st_mode
    is_folder = stat.S_ISDIR(mode)
    if not (stat.S_ISREG(mode) or (is_folder and is_mix(claimed.name))):
        raise NotAFile()
    if is_folder and nests_too_deep(claimed.take):
        raise MixTooDeep()
    if any(file.lstat().st_nlink > 1 for file in plain_files(claimed.take)):
        raise SecondName()


def _refuse_closed(claimed: Claim) -> None:
    """Raises `Unreadable` where the rights of the take, or of something in a mix, keep us from reading."""
    take = claimed.take
    if is_closed_to_us(take):
        raise Unreadable() from None
    inside = all_below(take) if take.is_dir() else ()
    closed = (path for path in inside if not os.path.islink(path) and is_closed_to_us(path))
    if first := next(closed, None):
        raise Unreadable(f"In the mix: '{first.relative_to(take)}'.") from None


def _own_cover(root: Root, place: str, scratch: Path) -> Path:
    """A copy of the picture at *place* in the inbox, under its own name. Raises `_CoverUnready`."""
    ours = scratch / "cover" / PurePosixPath(place).name
    ours.parent.mkdir(exist_ok=True)
    ours.write_bytes(_cover_bytes(root, place))
    return ours


def _cover_bytes(root: Root, place: str) -> bytes:
    """As much of a picture as one may have, and a byte more. Raises `_CoverUnready`."""
    try:
        with way_in(root.inbox, place) as path, open_plain(path) as file:
            return file.read(MOST_COVER_BYTES + 1)
    except (FileNotFoundError, FileExistsError, PermissionError, NotAFile):
        said = f"The cover '{PurePosixPath(place).name}' is no file beside title.toml."
        raise _CoverUnready(TitleInvalid(said)) from None


def _cover_was_replaced(root: Root, prepared: Prepared) -> bool:
    """Whether the title has another picture by now; one that was taken away the take has already."""
    if not prepared.cover:
        return False
    try:
        picture = _cover_bytes(root, prepared.cover)
    except _CoverUnready:
        return False
    return hashlib.sha256(picture).hexdigest() != prepared.asked["cover"]


def title_of(root: Root, claimed: Claim) -> tuple[Title, Path, str]:
    """The title.toml nearest to the take, its folder and its text; an empty title without one.

    Raises `TitleInvalid`.
    """
    above = PurePosixPath(claimed.title)
    for inside in (above, *above.parents) if claimed.title else (PurePosixPath(),):
        data = _title_bytes(root.inbox, inside)
        if data is not None:
            try:
                title = parse_settings(data, Title, TitleInvalid, TITLE_FILE)
            except RecursionError:
                raise TitleInvalid(f"{TITLE_FILE}: it is nested too deeply.") from None
            return title, root.inbox / inside, data.decode("utf-8-sig")
    return Title(), root.inbox / claimed.title, ""


def _title_bytes(inbox: Path, inside: PurePosixPath) -> bytes | None:
    """The title.toml in a folder of the inbox, None where there is none. Raises `TitleInvalid`."""
    name = TITLE_FILE
    try:
        if os.name == "posix":
            with folder_below(inbox, str(inside)) as folder:
                name = title_name(os.listdir(folder))
                with open_plain(name, folder) as file:
                    data = file.read(MOST_TITLE_BYTES + 1)
        else:  # where names are the same in any case
            with open_plain(inbox / inside / name) as file:
                data = file.read(MOST_TITLE_BYTES + 1)
    except PermissionError:
        if not is_closed_to_us(inbox / inside / name):
            raise
        raise TitleInvalid(f"{TITLE_FILE}: it may not be read.") from None
    except (FileNotFoundError, NotADirectoryError, NotAFile):
        return None
    except OSError as e:
        if e.errno == errno.ELOOP:  # a folder on the way became a link
            return None
        raise
    if len(data) > MOST_TITLE_BYTES:
        raise TitleInvalid(f"{TITLE_FILE}: it is larger than {MOST_TITLE_BYTES // 1024} KiB.")
    return data


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


def _facts(claimed: Claim, error: FairtakeError) -> TakeFacts:
    """What can be said of a take; of one that fails alone, nothing that a drive with bad sectors would
    have to be read for, which takes minutes."""
    if isinstance(error, FailsAlone):
        return TakeFacts(name=claimed.name, title=claimed.title)
    return facts_of(claimed.take, claimed.name, claimed.title)


def quarantined(root: Root, claimed: Claim, error: FairtakeError, verb: str) -> Outcome:
    """Quarantine the take for *error*; but not while its drive does not even let it be read."""
    try:
        reason = Reason(
            take=_facts(claimed, error),
            code=error.code,
            message=error.message,
            advice=error.advice,
            stage=verb,
            attempts=max(claimed.attempts, 1),
            made_by=made_by(),
        )
        place = quarantine(root, claimed, reason)
    except FolderGone as e:
        return Outcome("surroundings", code=e.code, message=e.message)
    except OSError as e:
        fault = fault_of(e)
        return Outcome("surroundings", code=fault.code, message=fault.message)
    return _into_quarantine(reason, place)

"""The folders of a ROOT and a take's way through them.

This is the only code that renames, publishes, quarantines or deletes. It is written so that it may
be killed after any instruction.

What is relied on: a rename inside one file system happens or does not; what was synced, file and
folder, is there after a power cut; nobody but fairtake writes below ``.fairtake``.

A take's life
-------------
1. It lies in the inbox. Nothing of ours exists.
2. *claim*: a folder ``claims/JOB`` is made with ``claim.json`` in it, then the take is renamed to
   ``claims/JOB/take``. Killed before the rename: a claim without a take, removed at the next start.
   Killed after: a claimed take, worked on at the next start.
3. *begin*: the attempt is counted in ``claim.json`` before the work, so that a take that kills its
   worker is known by its count. The work writes only to ``scratch/JOB``.
4. *publish*: the plan of what goes where, with the hash of every file, is written into
   ``claim.json``. Killed before: the work is done again. From here on a start rolls forward:
5. WAV and MP3 are placed, 6. the take goes to originals, 7. the receipt is placed. Each is
   synced, renamed to a name that was free, and its folder synced. A step that was already done is
   known by its hash. If scratch was lost meanwhile, the take is fetched back and worked on again:
   the same bytes with the same settings give the same files.
8. The claim and its scratch are removed. Killed before: a start finds every step done and does 8.

*quarantine* goes the same way with two files: the reason is placed first, then the take.
*unclaim* puts a take back under its own name. The take is never copied where a rename can do it,
and never deleted, unless the same bytes stand in originals beside their finished files.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import functools
import json
import os
import secrets
import shutil
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

from fairtake.errors import NotARoot, SettingsInvalid
from fairtake.files.hashing import hash_of
from fairtake.receipt import REASON_SUFFIX, RECEIPT_SUFFIX, Reason, Receipt
from fairtake.service_settings import ServiceSettings
from fairtake.typed_file import read_settings

SETTINGS_FILE = "fairtake.toml"
STATE_FOLDER = ".fairtake"


class Root:
    """A ROOT: its settings and its folders."""

    def __init__(self, path: Path, settings: ServiceSettings) -> None:
        self.path, self.settings = path, settings
        self.inbox = path / "inbox"
        self.outbox = self._place(settings.outbox, "outbox")
        self.originals = self._place(settings.originals, "originals")
        self.quarantine = self._place(settings.quarantine, "quarantine")
        self.state = self._place(settings.state, STATE_FOLDER)
        self.profiles = path / "profiles"
        # A claim is a rename, so claims stay on the inbox's file system wherever the state lies.
        self.claims = path / STATE_FOLDER / "claims"
        self.scratch = self.state / "scratch"
        self.heartbeat = self.state / "heartbeat.json"
        self.lock = self.state / "lock"

    def _place(self, setting: str, name: str) -> Path:
        return self.path / (setting or name)  # an absolute setting replaces ROOT

    @property
    def folders(self) -> tuple[Path, ...]:
        """Every folder the service needs."""
        return (self.inbox, self.outbox, self.originals, self.quarantine, self.claims, self.scratch)

    def make_folders(self) -> None:
        for folder in self.folders:
            folder.mkdir(parents=True, exist_ok=True)


def open_root(path: Path) -> Root:
    """The ROOT at *path*. Raises `NotARoot` and `SettingsInvalid`."""
    path = path.absolute()
    try:
        settings = read_settings(path / SETTINGS_FILE, ServiceSettings, SettingsInvalid)
    except (FileNotFoundError, NotADirectoryError):
        raise NotARoot(f"{path} holds no {SETTINGS_FILE}.") from None
    return Root(path, settings)


# --- durable steps ---------------------------------------------------------------------------


def sync(path: Path) -> None:
    """Bring a file or a folder to the disk."""
    if path.is_dir() and os.name == "nt":
        return  # Windows cannot and need not sync folders
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def write_durably(path: Path, text: str) -> None:
    """Replace *path* by *text*, whole or not at all."""
    fresh = path.with_name(f".{path.name[:60]}.{secrets.token_hex(4)}.part")
    with open(fresh, "w", encoding="utf-8", newline="\n") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    os.replace(fresh, path)
    sync(path.parent)


def move_new(source: Path, target: Path) -> None:
    """Rename *source* to *target*, which must be free, on any two file systems; synced.

    Raises ``FileExistsError`` and leaves *source* where it is when *target* is taken.
    """
    sync(source)
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        _rename_new(source, target)
    except OSError as e:
        if e.errno != errno.EXDEV:
            raise
        fresh = target.with_name(f".{secrets.token_hex(8)}.part")
        try:
            shutil.copyfile(source, fresh)
            sync(fresh)
            _rename_new(fresh, target)
        finally:
            fresh.unlink(missing_ok=True)
        sync(target.parent)
        source.unlink()
    sync(target.parent)
    sync(source.parent)


def _rename_new(source: Path, target: Path) -> None:
    if _rename_no_replace(source, target):
        return
    try:
        os.link(source, target)
    except FileExistsError:
        raise
    except OSError as e:
        if e.errno == errno.EXDEV:
            raise
        # No hard links here: hold the name with an empty file of our own and rename over that.
        os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
        os.replace(source, target)
    else:
        os.unlink(source)


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


# --- claims ----------------------------------------------------------------------------------


@dataclass
class Claim:
    """A take taken out of the inbox. ``path`` is its place there, relative, with forward slashes."""

    folder: Path
    path: str
    stem: str
    attempts: int = 0
    publish: dict[str, Any] | None = None
    quarantine: dict[str, Any] | None = None
    claimed_at: float = field(default_factory=time.time)

    @property
    def job(self) -> str:
        return self.folder.name

    @property
    def take(self) -> Path:
        return self.folder / "take"

    @property
    def name(self) -> str:
        """The take's own file name, verbatim."""
        return PurePosixPath(self.path).name

    @property
    def title(self) -> str:
        """The folder below the inbox, '' for the inbox itself."""
        parent = str(PurePosixPath(self.path).parent)
        return "" if parent == "." else parent

    def save(self) -> None:
        known = {key: value for key, value in vars(self).items() if key != "folder"}
        write_durably(self.folder / "claim.json", json.dumps(known))


def claims(root: Root) -> list[Claim]:
    """Every claim there is, oldest first."""
    found = []
    for folder in sorted(root.claims.iterdir()) if root.claims.is_dir() else []:
        with contextlib.suppress(FileNotFoundError, NotADirectoryError, ValueError, TypeError):
            known = json.loads((folder / "claim.json").read_text("utf-8"))
            found.append(Claim(folder, **known))
    return found


def claim(root: Root, path: str) -> Claim | None:
    """Take *path* out of the inbox; None when it is no longer there."""
    job = f"{time.time_ns():x}-{secrets.token_hex(3)}"
    claimed = Claim(root.claims / job, path, free_stem(root, path))
    claimed.folder.mkdir(parents=True)
    claimed.save()
    try:
        os.rename(root.inbox / path, claimed.take)
    except FileNotFoundError:
        _forget(root, claimed)
        return None
    sync(claimed.folder)
    sync((root.inbox / path).parent)
    return claimed


def begin(claimed: Claim) -> None:
    """Count an attempt, on disk, before the work."""
    claimed.attempts += 1
    claimed.save()


def give_back_attempt(claimed: Claim) -> None:
    """The work failed through no fault of the take."""
    claimed.attempts = max(claimed.attempts - 1, 0)
    claimed.save()


def unclaim(root: Root, claimed: Claim) -> None:
    """Put the take back into the inbox, under its own name or the next free one."""
    for path in names(claimed.path):
        try:
            move_new(claimed.take, root.inbox / path)
            break
        except FileExistsError:
            continue
    _forget(root, claimed)


def _forget(root: Root, claimed: Claim) -> None:
    """Remove a claim that holds no take any more, and its scratch."""
    shutil.rmtree(root.scratch / claimed.job, ignore_errors=True)
    shutil.rmtree(claimed.folder, ignore_errors=True)


def scratch_of(root: Root, claimed: Claim) -> Path:
    """An empty folder for the work on one take."""
    folder = root.scratch / claimed.job
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    return folder


def recover(root: Root) -> list[Claim]:
    """Bring what an earlier service left into order; the claims that still need work.

    Publishing and quarantining that had begun are brought to their end; scratch of nobody goes.
    """
    waiting = []
    for claimed in claims(root):
        if claimed.publish is not None:
            _roll_forward(root, claimed)
        if claimed.quarantine is not None:
            _finish_quarantine(root, claimed)
        if claimed.take.exists():
            waiting.append(claimed)
        else:
            _forget(root, claimed)
    known = {claimed.job for claimed in waiting}
    for folder in (*root.scratch.glob("*"), *root.claims.glob("*")):
        if folder.name not in known and not (folder / "take").exists():
            shutil.rmtree(folder, ignore_errors=True)
    return waiting


# --- names -----------------------------------------------------------------------------------


def names(path: str) -> Iterator[str]:
    """*path*, then with ``~2``, ``~3``, … before its suffix."""
    pure = PurePosixPath(path)
    yield path
    number = 2
    while True:
        yield str(pure.with_name(f"{pure.stem}~{number}{pure.suffix}"))
        number += 1


def free_stem(root: Root, path: str) -> str:
    """The stem for the outputs of the take at *path* that neither a file nor a claim has."""
    promised = {(c.title, c.stem) for c in claims(root)}
    title = str(PurePosixPath(path).parent).removeprefix(".")
    for candidate in names(path):
        stem = PurePosixPath(candidate).stem
        if (title, stem) not in promised and not any(p.exists() for p in _targets(root, candidate)):
            return stem
    raise AssertionError("unreachable")


def _targets(root: Root, path: str) -> tuple[Path, ...]:
    """Where the outputs and the original of a take at *path* go."""
    pure = PurePosixPath(path)
    outputs = (
        root.outbox / pure.with_name(pure.stem + s) for s in (".wav", ".mp3", RECEIPT_SUFFIX)
    )
    return (*outputs, root.originals / pure)


# --- publish ---------------------------------------------------------------------------------


def publish(root: Root, claimed: Claim, wav: Path, mp3: Path, receipt: Receipt) -> str:
    """Place the finished files, the take and, last, the receipt; the stem they got.

    *wav* and *mp3* lie in the claim's scratch. Steps 4 to 8 above.
    """
    scratch = root.scratch / claimed.job
    while True:
        stem = claimed.stem
        receipt.outputs.wav.file, receipt.outputs.mp3.file = f"{stem}.wav", f"{stem}.mp3"
        note = scratch / "receipt.json"
        write_durably(note, receipt.to_json())
        files = ((wav, ".wav"), (mp3, ".mp3"), (note, RECEIPT_SUFFIX))
        claimed.publish = {
            "files": [
                [p.name, str(PurePosixPath(claimed.title) / (stem + s)), hash_of(p)]
                for p, s in files
            ],
            "original": str(
                PurePosixPath(claimed.title) / (stem + PurePosixPath(claimed.name).suffix)
            ),
            "sha256": receipt.take.sha256,
        }
        claimed.save()
        if _roll_forward(root, claimed):
            return stem
        claimed.publish = None
        claimed.stem = free_stem(root, str(PurePosixPath(claimed.title) / claimed.name))
        claimed.save()


def _roll_forward(root: Root, claimed: Claim) -> bool:
    """Bring a publishing to its end; False, with nothing of it left, when it cannot be."""
    plan = claimed.publish or {}
    scratch = root.scratch / claimed.job
    original = root.originals / plan["original"]
    placed: list[Path] = []
    *sound, receipt = plan["files"]
    try:
        for name, path, sha256 in sound:
            _place(scratch / name, root.outbox / path, sha256)
            placed.append(root.outbox / path)
        _place(claimed.take, original, plan["sha256"])
        _place(scratch / receipt[0], root.outbox / receipt[1], receipt[2])
    except (FileExistsError, FileNotFoundError) as e:
        # A name was taken meanwhile, or scratch is gone. What stands already may stay when the
        # work is only done again; under another name it would be nobody's.
        if not claimed.take.exists() and _holds(original, plan["sha256"]):
            move_new(original, claimed.take)
        for path in placed if isinstance(e, FileExistsError) else ():
            path.unlink()
        claimed.publish = None
        claimed.save()
        return False
    _forget(root, claimed)
    return True


def _place(source: Path, target: Path, sha256: str) -> None:
    """Move *source* to *target* unless the same bytes already stand there."""
    if _holds(target, sha256):
        source.unlink(missing_ok=True)
        return
    if not source.exists():
        raise FileNotFoundError(errno.ENOENT, "lost before it was placed", str(source))
    move_new(source, target)


def _holds(path: Path, sha256: str) -> bool:
    return path.is_file() and hash_of(path) == sha256


def already_finished(root: Root, claimed: Claim, sha256: str, profile_sha256: str) -> str | None:
    """The stem under which the same bytes were finished with the same settings, if they were."""
    for path in names(claimed.path):
        pure = PurePosixPath(path)
        receipt = root.outbox / pure.with_name(pure.stem + RECEIPT_SUFFIX)
        if not receipt.is_file():
            return None
        if _same_work(root, receipt, root.originals / pure, sha256, profile_sha256):
            return pure.stem
    return None


def _same_work(root: Root, receipt: Path, original: Path, sha256: str, profile_sha256: str) -> bool:
    try:
        known = json.loads(receipt.read_text("utf-8"))
        outputs = [known["outputs"][kind] for kind in ("wav", "mp3")]
        asked = (known["take"]["sha256"], known["profile"]["sha256"])
        return (
            asked == (sha256, profile_sha256)
            and _holds(original, sha256)
            and all(_holds(receipt.with_name(o["file"]), o["sha256"]) for o in outputs)
        )
    except (ValueError, KeyError, TypeError):
        return False


def drop_duplicate(root: Root, claimed: Claim) -> None:
    """Remove a take whose bytes stand in originals beside their finished files."""
    claimed.take.unlink()
    _forget(root, claimed)


# --- quarantine ------------------------------------------------------------------------------


def quarantine(root: Root, claimed: Claim, reason: Reason) -> str:
    """Place the reason, then the take; the path below quarantine they got."""
    for path in names(claimed.path):
        target = root.quarantine / path
        if not target.exists() and not _reason_of(target).exists():
            break
    claimed.quarantine = {"path": path, "reason": reason.to_json()}
    claimed.save()
    _finish_quarantine(root, claimed)
    return path


def _finish_quarantine(root: Root, claimed: Claim) -> None:
    plan = claimed.quarantine or {}
    target = root.quarantine / plan["path"]
    target.parent.mkdir(parents=True, exist_ok=True)
    if claimed.take.exists():
        write_durably(_reason_of(target), plan["reason"])
        move_new(claimed.take, target)
    _forget(root, claimed)


def _reason_of(take: Path) -> Path:
    return take.with_name(take.name + REASON_SUFFIX)


def quarantined(root: Root) -> list[tuple[str, dict[str, Any]]]:
    """Path below quarantine and reason of every quarantined take, by path."""
    found = []
    for reason in sorted(root.quarantine.rglob("*" + REASON_SUFFIX)):
        take = reason.with_name(reason.name.removesuffix(REASON_SUFFIX))
        if take.exists():
            with contextlib.suppress(OSError, ValueError):
                known = json.loads(reason.read_text("utf-8"))
                found.append((take.relative_to(root.quarantine).as_posix(), known))
    return found


def requeue(root: Root, path: str) -> str:
    """Put a quarantined take back into the inbox; its place there.

    Raises ``FileNotFoundError`` when there is no such take in quarantine.
    """
    take = root.quarantine / path
    inside = take.resolve().is_relative_to(root.quarantine.resolve())
    if not inside or not take.is_file():
        raise FileNotFoundError(errno.ENOENT, "not in quarantine", path)
    for place in names(path):
        try:
            move_new(take, root.inbox / place)
            break
        except FileExistsError:
            continue
    _reason_of(take).unlink(missing_ok=True)
    return place

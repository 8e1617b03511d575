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
import hashlib
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
    try:
        descriptor = os.open(path, os.O_RDONLY)
    except PermissionError:
        return  # a take that may not be read: nothing in it was written by us
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
        # Named after its source: when this is broken off, doing it again leaves nothing behind.
        token = hashlib.sha256(os.fsencode(source)).hexdigest()[:16]
        fresh = target.with_name(f".{token}.part")
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


def move_to_free(source: Path, folder: Path, path: str) -> str:
    """Move *source* to *path* below *folder*, or to the next name that is free; the path it got."""
    for candidate in names(path):
        target = folder / candidate
        try:
            move_new(source, target)
        except FileExistsError:
            if not _same(source, target):
                continue
            source.unlink()  # the same bytes: a move that was broken off before its last step
        return candidate
    raise AssertionError("unreachable")


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
            found.append(_read_claim(folder))
    return found


def _read_claim(folder: Path) -> Claim:
    return Claim(folder, **json.loads((folder / "claim.json").read_text("utf-8")))


def refresh(claimed: Claim) -> None:
    """Take in what a worker wrote into the claim meanwhile: what it planned holds."""
    vars(claimed).update(vars(_read_claim(claimed.folder)))


def claim(root: Root, path: str) -> Claim | None:
    """Take *path* out of the inbox; None when it is no longer there."""
    job = f"{time.time_ns():x}-{secrets.token_hex(3)}"
    claimed = Claim(root.claims / job, path, free_stem(root, path))
    try:
        claimed.folder.mkdir(parents=True)
        claimed.save()
        os.rename(root.inbox / path, claimed.take)
    except OSError as e:
        # A share may rename and report an error all the same: what is there counts.
        if not claimed.take.exists():
            _forget(root, claimed)
            if isinstance(e, FileNotFoundError):
                return None
            raise
    sync(claimed.folder)
    sync((root.inbox / path).parent)
    return claimed


def begin(claimed: Claim) -> None:
    """Count an attempt, on disk, before the work."""
    refresh(claimed)
    claimed.attempts += 1
    claimed.save()


def give_back_attempt(claimed: Claim) -> None:
    """The work failed through no fault of the take."""
    refresh(claimed)
    claimed.attempts = max(claimed.attempts - 1, 0)
    claimed.save()


def unclaim(root: Root, claimed: Claim) -> None:
    """Put the take back into the inbox, under its own name or the next free one."""
    move_to_free(claimed.take, root.inbox, claimed.path)
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
        if resume(root, claimed):
            continue
        if claimed.take.exists():
            waiting.append(claimed)
        else:
            _forget(root, claimed)
    known = {claimed.job for claimed in waiting}
    for folder in (*root.scratch.glob("*"), *root.claims.glob("*")):
        if folder.name not in known and not (folder / "take").exists():
            shutil.rmtree(folder, ignore_errors=True)
    return waiting


def resume(root: Root, claimed: Claim) -> bool:
    """Bring a publishing or quarantining that had begun to its end; False when none had, or when
    the work has to be done again."""
    if claimed.publish is not None and _roll_forward(root, claimed):
        return True
    if claimed.quarantine is None:
        return False
    _finish_quarantine(root, claimed)
    return True


# --- names -----------------------------------------------------------------------------------

#: So many bytes of a name leave room for ~2 and for the suffixes of receipts and reasons in 255.
_MOST_NAME_BYTES, _MOST_SUFFIX_BYTES = 230, 30


def fitting(path: str) -> str:
    """*path*, its name cut between two letters where it has no room for what is added to it."""
    pure = PurePosixPath(path)
    if len(os.fsencode(pure.name)) <= _MOST_NAME_BYTES:
        return path
    suffix = _cut(pure.suffix, _MOST_SUFFIX_BYTES)
    return str(
        pure.with_name(_cut(pure.stem, _MOST_NAME_BYTES - len(os.fsencode(suffix))) + suffix)
    )


def _cut(text: str, most_bytes: int) -> str:
    while len(os.fsencode(text)) > most_bytes:
        text = text[:-1]
    return text


def names(path: str) -> Iterator[str]:
    """*path*, then with ``~2``, ``~3``, … before its suffix."""
    yield path
    pure = PurePosixPath(fitting(path))
    number = 2
    while True:
        yield str(pure.with_name(f"{pure.stem}~{number}{pure.suffix}"))
        number += 1


def free_stem(root: Root, path: str) -> str:
    """The stem for the outputs of the take at *path* that neither a file nor a claim has."""
    promised = {(c.title, c.stem) for c in claims(root)}
    title = str(PurePosixPath(path).parent).removeprefix(".")
    for candidate in names(fitting(path)):
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
                PurePosixPath(claimed.title) / (stem + PurePosixPath(fitting(claimed.name)).suffix)
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
    placed: list[tuple[Path, Path]] = []
    *sound, receipt = plan["files"]
    try:
        for name, path, sha256 in sound:
            _place(scratch / name, root.outbox / path, sha256)
            placed.append((root.outbox / path, scratch / name))
        _place(claimed.take, original, plan["sha256"])
        _place(scratch / receipt[0], root.outbox / receipt[1], receipt[2])
    except (FileExistsError, FileNotFoundError) as e:
        # A name was taken meanwhile, or scratch is gone. What stands already may stay when the
        # work is only done again; under another name it would be nobody's.
        if not claimed.take.exists() and _holds(original, plan["sha256"]):
            move_new(original, claimed.take)
        for path, before in placed if isinstance(e, FileExistsError) else ():
            move_new(path, before)
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


def _same(a: Path, b: Path) -> bool:
    return a.stat().st_size == b.stat().st_size and hash_of(a) == hash_of(b)


def already_finished(root: Root, claimed: Claim, asked: dict[str, Any]) -> str | None:
    """The stem under which the same bytes were finished with the same settings, if they were.

    *asked* is what `asked_of` tells of a receipt.
    """
    for path in names(fitting(claimed.path)):
        pure = PurePosixPath(path)
        receipt = root.outbox / pure.with_name(pure.stem + RECEIPT_SUFFIX)
        if not receipt.is_file():
            return None
        if _same_work(receipt, root.originals / pure, asked):
            return pure.stem
    return None


def asked_of(receipt: dict[str, Any]) -> dict[str, Any]:
    """What decides the bytes of a take's finished files."""
    mp3 = receipt["outputs"]["mp3"]
    return {
        "take": receipt["take"]["sha256"],
        "profile": receipt["profile"]["sha256"],
        "tags": mp3["tags"],
        "cover": mp3["cover_sha256"],
    }


def _same_work(receipt: Path, original: Path, asked: dict[str, Any]) -> bool:
    try:
        known = json.loads(receipt.read_text("utf-8"))
        outputs = [known["outputs"][kind] for kind in ("wav", "mp3")]
        return (
            asked_of(known) == asked
            and _holds(original, asked["take"])
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
    claimed.quarantine = {"path": fitting(claimed.path), "reason": reason.to_json()}
    claimed.save()
    return _finish_quarantine(root, claimed)


def _finish_quarantine(root: Root, claimed: Claim) -> str:
    plan = claimed.quarantine or {}
    note, text = claimed.folder / "reason.json", plan["reason"]
    sha256 = hashlib.sha256(text.encode()).hexdigest()
    for path in names(plan["path"]) if claimed.take.exists() else ():
        target = root.quarantine / path
        plan["path"] = path
        if target.exists():
            if not _holds(_reason_of(target), sha256) or not _same(claimed.take, target):
                continue
            claimed.take.unlink()  # the move was broken off before its last step
            break
        try:
            write_durably(note, text)
            _place(note, _reason_of(target), sha256)
            move_new(claimed.take, target)
            break
        except FileExistsError:
            continue  # another take's reason, or another take that came just now
    _forget(root, claimed)
    return str(plan["path"])


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
    place = move_to_free(take, root.inbox, path)
    _reason_of(take).unlink(missing_ok=True)
    return place

"""A take's life, from the inbox to its end: the only code that claims, publishes and quarantines.

It may be killed after any instruction, and any system call in it may fail.

What is relied on
-----------------
* A rename inside one drive happens as a whole or not at all, though the answer may be wrong.
* What was synced, file and then folder, is there after a power cut; what was not may be anything.
* Nobody but fairtake writes below ``.fairtake``. Everywhere else anybody may, at any time.
* The same take with the same settings gives the same files, so work may always be done again.

The steps
---------
====  =====================================  ===================================================
step  what is done                           a kill before it leaves, and the next start does
====  =====================================  ===================================================
1     *claim*: a folder ``claims/JOB`` with  the take in the inbox, nothing of ours; it is
      ``claim.json`` is made                 claimed as any other
2     the take is renamed to                 an empty claim; it is removed. Afterwards: a claim
      ``claims/JOB/take``                    with its take; it is worked on

      On another drive, mounted in the inbox, instead:
2a    it is copied under a name of ours,     a part in a claim without a take; both are removed,
      synced, read back                      the take is in the inbox
2b    ``copied.json``: size, time and hash   as 2a
      of what was copied
2c    the copy becomes ``take``; synced      both. What is as noted goes from the inbox, by 2d
                                             to 2f; what was changed stays, as another take
2d    the inbox's gets a name of ours,       it under that name; where its bytes are those noted,
      ``.fairtake-JOB.taken``                it is removed, else it gets its own name again
2e    it is removed; synced                  a note too many
2f    ``copied.json`` is removed             a claim with its take, as after 2
3     *begin*: ``attempt-N`` is made before  a claim with one attempt less; it is worked on. A
      the work                               take that kills its worker is known by its count
4     the work, in ``scratch/JOB`` alone     half-made files; they are removed, the work is
      (by another machine: in a folder of    done again
      the attempt, ``scratch/JOB/TOKEN``)
5     *publish*: WAV, MP3 and receipt are    finished files nobody promised; they are removed,
      synced, closed and read back           the work is done again
6     ``publish.json``: each file, its       as 5. From here on a start goes on, for each step
      hash, its place                        below is known by its hash to be done or not
7     WAV and MP3 are placed                 some of the files in place, without a receipt
8     the take goes to originals, a file of  sound in place, the take still claimed
      another account by a copy of ours
9     the receipt is placed: it is done      all but the receipt
10    scratch and claim are removed          a claim without a take and all of its files in
                                             place; only 10 is left to do
====  =====================================  ===================================================

To *place* a file is to rename it to a name that is free and to sync the folder; on another drive,
to copy it under a name of ours, sync, close, read back, and then rename.

*quarantine* goes the same way with two files: ``quarantine.json``, then the reason, then the take.
*unclaim* renames the take to ``returning``, so that nobody works on it any more, moves it back
under its own name, then removes the claim; a start goes on with that. *requeue* moves it from
quarantine to the inbox, then removes the reason.

A folder below one of ours is never entered through a link: on the way in, a take behind one is not
there; on the way out, the folder gets the next free name. Between looking and moving anybody may swap
it for a link; so what is moved goes into, or out of, the folder that was opened.

When a step fails
-----------------
The error goes up and everything stays as it is: the claim says how far it got, and going on from
there is what a start does, too. A file that could not be synced is made again (step 5), for what
the system dropped is not told twice. When a promised name was taken by somebody else meanwhile,
what was placed is taken back and promised anew. A take is never deleted, unless the same bytes
stand in originals beside their finished files, or, for one that was copied, in its claim.

A ledger may be kept of all this; no step waits for it or looks into it.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import secrets
import shutil
import stat
import time
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path, PurePosixPath

from fairtake.below import all_below
from fairtake.folders.claim_folder import Claim, claims, forget, strangers
from fairtake.folders.copied import Held, claim_by_copy, let_go, put_back
from fairtake.folders.drives import Drives
from fairtake.folders.durable import (
    PART_PREFIX,
    PART_SUFFIX,
    copy_new,
    has_room,
    holds,
    make_below,
    move_new,
    move_or_is_there,
    move_to_free,
    read_back,
    remove_quietly,
    remove_take,
    rename,
    same,
    standing,
    sync,
    way_in,
    way_to,
    write_durably,
)
from fairtake.folders.names import (
    candidates,
    folder_of,
    free_folder,
    key,
    keys_in,
    portable,
)
from fairtake.folders.places import Root
from fairtake.receipt import OUTPUT_SUFFIXES, REASON_SUFFIX, RECEIPT_SUFFIX, Reason, Receipt

# --- steps 1 to 4 ------------------------------------------------------------------------------


def claim(
    root: Root,
    path: str,
    held: Held = lambda path: False,
) -> Claim | None:
    """Take *path* out of the inbox; None when it is no longer there.

    For a take on a drive mounted in the inbox, which has to be copied, *held* tells whether somebody
    has a file open for writing.
    """
    # One without room is never worked on; but it has to be claimed to get to where that is said.
    place = free_place(root, path if has_place(root, path) else PurePosixPath(path).name)
    claimed = Claim(root.claims / _new_job(), path, place)
    os.mkdir(claimed.folder)
    try:
        claimed.save()
        with way_to(root.inbox, path) as (name, folder):
            if not _take_out(root, claimed, name, folder, held):
                forget(claimed)
                return None
    except OSError as e:
        forget(claimed)
        if isinstance(e, NotADirectoryError) or e.errno == errno.ELOOP:
            return None  # a folder on the way became a link, and a link is passed over
        if isinstance(e, FileNotFoundError) and standing(root.inbox / path) is None:
            return None
        raise
    return claimed


def can_claim(root: Root) -> bool:
    """Whether a claim can be made, whatever take it be of: tried with one of no take."""
    job = _new_job()
    try:
        claimed = Claim(root.claims / job, job, free_place(root, job))
        os.mkdir(claimed.folder)
    except OSError:
        return False
    try:
        claimed.save()
    except OSError:
        return False
    finally:
        with contextlib.suppress(OSError):
            forget(claimed)
    return True


def _new_job() -> str:
    return f"{time.time_ns():x}-{secrets.token_hex(3)}"


def _take_out(
    root: Root,
    claimed: Claim,
    name: Path,
    folder: int | None,
    held: Held,
) -> bool:
    """Step 2; False when there is nothing to claim."""
    try:
        rename(name, claimed.take, folder=folder)
    except OSError as e:
        if e.errno != errno.EXDEV:
            raise
        if stat.S_ISDIR(os.lstat(name, dir_fd=folder).st_mode):
            said = "A mix can only be claimed on the inbox's own drive: put it there"
            raise OSError(errno.EXDEV, said, claimed.path) from None
        return claim_by_copy(root, claimed, name, folder, held)
    # It is claimed now, and nobody else knows. After a power cut an unsynced rename has happened or
    # not, and either is in order: no reason to let go of the take.
    with contextlib.suppress(OSError):
        sync(claimed.folder)
        sync(root.claims)
        sync((root.inbox / claimed.path).parent)
    return True


def begin(claimed: Claim) -> None:
    """Count an attempt, on disk, before the work."""
    before = claimed.attempts
    try:
        claimed.count(before + 1)
    except OSError:
        with contextlib.suppress(OSError):
            claimed.count(before)
        raise


def give_back_attempt(claimed: Claim) -> None:
    """The work failed through no fault of the take.

    Where the disk does not take that, *claimed* knows it all the same, and `begin` writes it.
    """
    claimed.attempts = max(claimed.attempts - 1, 0)
    claimed.count(claimed.attempts)


def scratch_of(root: Root, claimed: Claim) -> Path:
    """An empty folder for the work on one take."""
    folder = root.scratch / claimed.job
    if folder.exists():
        shutil.rmtree(folder)
    return make_below(root.scratch, claimed.job)


def scratch_apart(root: Root, claimed: Claim) -> Path:
    """An empty folder for one attempt alone, beside those of others.

    For work that cannot be ended for certain, as on another machine: whoever was at it before may
    still be writing, and never gets into the files of who is at it now.
    """
    shutil.rmtree(root.scratch / claimed.job, ignore_errors=True)
    return make_below(root.scratch, f"{claimed.job}/{secrets.token_hex(8)}")


def drop_scratch(scratch: Path) -> None:
    """Remove the scratch of an attempt that is given up, and its mark.

    Its going tells whoever still works there to end. What is left is removed with the claim.
    """
    shutil.rmtree(scratch, ignore_errors=True)
    remove_quietly(mark_of(scratch))


def mark_of(scratch: Path) -> Path:
    """The file that says that an attempt was begun. Beside its scratch, out of reach of the work."""
    return scratch.with_name(scratch.name + ".begun")


def mark_begun(scratch: Path) -> bool:
    """Make that mark; False when it stands, so that nobody begins an attempt twice.

    Raises ``FileNotFoundError`` where the scratch is not there: not seen from here, or given up.
    """
    os.stat(scratch)
    try:
        os.close(os.open(mark_of(scratch), os.O_CREAT | os.O_EXCL | os.O_WRONLY))
    except FileExistsError:
        return False
    return True


def unclaim(root: Root, claimed: Claim) -> str:
    """Put the take back into the inbox, under its own name or the next free one; its place there.

    Once that has begun, nobody works on it any more: where it fails, doing it again goes on.
    """
    if standing(claimed.returning) is None:
        rename(claimed.take, claimed.returning)
        sync(claimed.folder)
    place = move_to_free(claimed.returning, root.inbox, claimed.path)
    end(root, claimed)
    return place


def end(root: Root, claimed: Claim) -> None:
    """Step 10. What cannot be removed now is swept by the next start."""
    shutil.rmtree(root.scratch / claimed.job, ignore_errors=True)
    with contextlib.suppress(OSError):
        forget(claimed)


# --- names ------------------------------------------------------------------------------------


def free_place(root: Root, path: str) -> str:
    """Where the files of the take at *path* can go: neither a file nor a claim has the name."""
    path = portable(path)
    folder = free_folder(folder_of(path), root.outbox, root.originals)
    promised = {key(c.place) for c in claims(root)}
    made, kept = (keys_in(home / folder) for home in (root.outbox, root.originals))
    for candidate in candidates(PurePosixPath(path).name):
        stem = PurePosixPath(candidate).stem
        place = str(PurePosixPath(folder) / stem)
        files = {key(stem + suffix) for suffix in OUTPUT_SUFFIXES}
        if key(place) not in promised and key(candidate) not in kept and not files & made:
            return place
    raise AssertionError("unreachable")


def has_place(root: Root, path: str) -> bool:
    """Whether the files of the take at *path* have names that are not too long for their drives."""
    path = portable(path)
    longest = str(PurePosixPath(path).with_suffix("")) + RECEIPT_SUFFIX
    return has_room(root.outbox, longest) and has_room(root.originals, path)


# --- steps 5 to 10: publish -----------------------------------------------------------------------


class _Lost(Exception):
    """A file is neither in scratch nor in its place."""


class TakeChanged(Exception):
    """The take is not any more what its files were made of."""


def publish(root: Root, claimed: Claim, made: Mapping[str, Path], receipt: Receipt) -> str:
    """Place the finished files, the take and, last, the receipt; the stem they got.

    *made* lie in the claim's scratch, under the keys of `Receipt.files`, and hold what *receipt* says
    of them. Raises `TakeChanged`, with nothing of them placed.
    """
    sound = [(made[suffix], suffix, output) for suffix, output in receipt.files.items()]
    scratch = root.scratch / claimed.job
    while True:
        for _, suffix, output in sound:
            output.file = claimed.stem + suffix
        files = [
            _ready(scratch, path, claimed.place + suffix, output.sha256)
            for path, suffix, output in sound
        ]
        text = receipt.to_json()
        note = made[".wav"].with_name("receipt.json")
        write_durably(note, text)
        read_back(note, _hash_of_text(text))
        name = note.relative_to(scratch).as_posix()
        files.append([name, claimed.place + RECEIPT_SUFFIX, _hash_of_text(text)])
        original = claimed.place + PurePosixPath(portable(claimed.path)).suffix
        claimed.decide(
            "publish", {"files": files, "original": original, "sha256": receipt.take.sha256}
        )
        if _go_on_publishing(root, claimed):
            return claimed.stem
        claimed.place = free_place(root, claimed.path)
        claimed.save()


def _ready(scratch: Path, file: Path, place: str, sha256: str) -> list[str]:
    """Step 5 for one file."""
    sync(file)
    read_back(file, sha256)
    return [file.relative_to(scratch).as_posix(), place, sha256]


def _go_on_publishing(root: Root, claimed: Claim) -> bool:
    """Steps 7 to 10; False, with nothing of them left, when they cannot be done."""
    plan = claimed.publish or {}
    *sound, receipt = _promised(root, claimed)
    try:
        for source, place, sha256 in sound:
            _place(root, source, root.outbox, place, sha256, is_synced=True)
        _place(
            root, claimed.take, root.originals, plan["original"], plan["sha256"],
            by_copy=standing(claimed.take) is not None and claimed.is_another_s,
        )  # fmt: skip
        _place(root, receipt[0], root.outbox, receipt[1], receipt[2], is_synced=True)
    except _Lost:
        _take_back(root, claimed)  # what stands may stay: the work gives it again
        return False
    except FileExistsError:
        _take_back(root, claimed, sound)
        return False
    except TakeChanged:
        _take_back(root, claimed, sound)
        raise
    end(root, claimed)
    return True


def _promised(root: Root, claimed: Claim) -> list[tuple[Path, str, str]]:
    """Of each file that is to be published where it lies, its place and its hash; the receipt last."""
    files, scratch = (claimed.publish or {})["files"], root.scratch / claimed.job
    return [(scratch / name, place, sha256) for name, place, sha256 in files]


def _place(
    root: Root, source: Path, home: Path, place: str, sha256: str, is_synced: bool = False,
    by_copy: bool = False,
) -> None:  # fmt: skip
    """Move *source* to its place, or *by_copy*, unless the same bytes already stand there.

    Raises `_Lost`, `TakeChanged` by copy, and `FolderGone` where a drive is not there: its empty folder is no place.

    What lies in scratch *is_synced* before it is decided that it is to be published.
    """
    Drives(root).require()
    make_below(home, folder_of(place))
    with way_in(home, place) as target:
        if holds(target, sha256):
            remove_take(source)
            return
        if standing(source) is None:
            raise _Lost(str(source))
        if by_copy:
            _copy_in(source, target, sha256)
        else:
            move_new(source, target, sha256, is_synced)


def _copy_in(source: Path, target: Path, sha256: str) -> None:
    try:
        copy_new(source, target, sha256)
    except OSError:
        if standing(source) is None or holds(source, sha256):
            raise
        raise TakeChanged from None


def _take_back(root: Root, claimed: Claim, sound: Collection[tuple[Path, str, str]] = ()) -> None:
    """Undo what was done of steps 6 to 8, in an order in which it may be broken off."""
    plan = claimed.publish or {}
    _take_from(root.originals, plan["original"], plan["sha256"], claimed.take)
    for source, place, sha256 in sound:
        _take_from(root.outbox, place, sha256, source)
    claimed.undecide()


def _take_from(home: Path, place: str, sha256: str, source: Path) -> None:
    """Undo `_place`, where it was done and what was placed still stands there."""
    if standing(source) is not None:
        return
    with contextlib.suppress(FileNotFoundError, FileExistsError), way_in(home, place) as target:
        if holds(target, sha256):
            move_new(target, source)


# --- quarantine -----------------------------------------------------------------------------------


def quarantine(root: Root, claimed: Claim, reason: Reason) -> str:
    """Place the reason, then the take; the path below quarantine they got.

    Where its folders leave no room for that, it lies in quarantine itself.

    Once it is decided it stays so: when quarantine itself cannot be written, the take waits in its
    claim, and is not worked on again.
    """
    path = portable(claimed.path)
    if not has_room(root.quarantine, path + REASON_SUFFIX):
        path = PurePosixPath(path).name
    claimed.decide("quarantine", {"path": path, "reason": reason.to_json()})
    return _go_on_quarantining(root, claimed)


def _go_on_quarantining(root: Root, claimed: Claim) -> str:
    plan = claimed.quarantine or {}
    Drives(root).require()
    folder = free_folder(folder_of(plan["path"]), root.quarantine)
    make_below(root.quarantine, folder)
    wanted, text = PurePosixPath(plan["path"]).name, str(plan["reason"])
    with way_in(root.quarantine, str(PurePosixPath(folder) / wanted)) as target:
        home = target.parent
        if standing(claimed.take) is None:  # it is there already
            name = _name_it_has(home, wanted, text)
        else:
            taken = keys_in(home)
            names = candidates(wanted)
            name = next(n for n in names if _quarantine_as(claimed, home / n, text, taken))
    plan["path"] = str(PurePosixPath(folder) / name)
    end(root, claimed)
    return str(plan["path"])


def _name_it_has(home: Path, wanted: str, text: str) -> str:
    """The name of a take that was placed before, by its reason; *wanted* where it is gone since."""
    for name in candidates(wanted):
        take = home / name
        if holds(_reason_of(take), _hash_of_text(text)):
            return name
        if standing(take) is None and standing(_reason_of(take)) is None:
            break
    return wanted


def _reason_of(take: Path) -> Path:
    """Where the reason of a quarantined take stands."""
    return take.with_name(take.name + REASON_SUFFIX)


def _quarantine_as(claimed: Claim, target: Path, text: str, taken: set[str]) -> bool:
    """Place reason and take at *target*; False, with nothing of them there, where it is taken."""
    reason = _reason_of(target)
    if not holds(reason, _hash_of_text(text)):
        if {key(target.name), key(reason.name)} & taken:
            return False
        note = claimed.folder / "reason.json"
        write_durably(note, text)
        try:
            move_new(note, reason)
        except FileExistsError:
            return False
    elif standing(target) is not None and not same(claimed.take, target):
        return False  # another take's, of which as little is known
    if move_or_is_there(claimed.take, target):
        return True
    os.unlink(reason)
    return False


# --- after a crash or a fault -----------------------------------------------------------------------


def resume(root: Root, claimed: Claim) -> bool:
    """Go on with what was decided; False when nothing was, or when the work has to be done again.

    That is so, too, where the take is not any more what its files were made of.
    """
    if claimed.publish is not None:
        if standing(claimed.take) is None or holds(claimed.take, claimed.publish["sha256"]):
            with contextlib.suppress(TakeChanged):
                if _go_on_publishing(root, claimed):
                    return True
        else:
            _take_back(root, claimed, _promised(root, claimed)[:-1])
    if claimed.quarantine is None:
        return False
    _go_on_quarantining(root, claimed)
    return True


def recover(root: Root, in_work: Collection[str] = ()) -> list[Claim]:
    """The claims that have to be gone on with; scratch and claims of nobody are removed.

    *in_work* are the jobs that somebody works on at this moment.
    """
    waiting = []
    for claimed in claims(root):
        if claimed.job in in_work:
            continue
        _mend(root, claimed)
        if claimed.is_decided or standing(claimed.take) is not None:
            waiting.append(claimed)
        else:
            end(root, claimed)
    known, others = {claimed.job for claimed in waiting} | set(in_work), strangers(root)
    for folder in (*_inside(root.scratch), *_inside(root.claims)):
        if folder.parent == root.claims and folder.is_file() and not folder.is_symlink():
            move_to_free(folder, root.inbox, folder.name)  # somebody's: a claim is a folder
        elif folder in others:
            with contextlib.suppress(OSError):
                os.rmdir(folder)
        elif folder.name not in known and not any(
            standing(folder / name) for name in ("take", "returning", "copied.json")
        ):
            shutil.rmtree(folder, ignore_errors=True)
    return waiting


def _mend(root: Root, claimed: Claim) -> None:
    """Let a take that was on its way between two drives stand in one place."""
    with contextlib.suppress(OSError):
        if standing(claimed.returning) is not None:
            unclaim(root, claimed)
    if standing(claimed.returning) is not None:  # its drive is not to be written: it is worked on
        rename(claimed.returning, claimed.take)
    if claimed.copied is None:
        return
    with contextlib.suppress(OSError):
        if claimed.is_decided or standing(claimed.take) is not None:
            let_go(root, claimed)
        else:
            put_back(root, claimed)  # no copy is here: nothing may be removed there
        claimed.forget_copy()


def sweep(root: Root) -> None:
    """Remove what copies and notes that were broken off left between the files that are whole."""
    for home in (root.outbox, root.originals, root.quarantine, root.inbox):
        for part in all_below(home, PART_PREFIX, PART_SUFFIX):
            place = part.relative_to(home).as_posix()
            with contextlib.suppress(OSError), way_in(home, place) as there:
                remove_quietly(there)
    parts = f"{PART_PREFIX}*{PART_SUFFIX}"
    for part in (*root.state.glob(parts), *root.claims.parent.glob(parts)):
        remove_quietly(part)


def _inside(folder: Path) -> Iterator[Path]:
    yield from (folder / name for name in sorted(os.listdir(folder)))


def _hash_of_text(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()

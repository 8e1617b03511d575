"""Delete raw takes and finished files that were kept long enough. Off unless the settings give days.

When something may go, the receipt's own time does not tell alone: see `ages`.

What may go is told by the receipt alone: the two files it names, and the take whose bytes it names.
Nothing of a take goes before its receipt was *verified*, which is to say that both finished files
stood there with the very bytes the receipt promises; and each file is held against its hash once
more before it goes. Finished files that somebody took away or changed leave their original in
place for ever. The receipt itself stays: it is the proof, and small.

Where finished files go before their original, that they were verified is written down first, in
``verified.jsonl`` of the state folder. Without that note the original stays: a lost note costs
space, never a take.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from fairtake.below import all_below
from fairtake.folders.ages import DAY_S, Ages, Now
from fairtake.folders.ages import now as now_by_system
from fairtake.folders.durable import (
    PART_PREFIX,
    PART_SUFFIX,
    holds,
    remove_take,
    standing,
    sync,
    way_in,
)
from fairtake.folders.names import portable
from fairtake.folders.places import Root
from fairtake.plain_file import read_object
from fairtake.receipt import RECEIPT_SUFFIX, Receipt


@dataclass(frozen=True)
class Deleted:
    """A file that went, and the receipt that was its warrant; both below their folders."""

    what: str
    path: str
    receipt: str


@dataclass(frozen=True)
class Skipped:
    """A receipt below the outbox of whose files something stays, and why: the system refused one."""

    receipt: str
    why: str


def is_on(root: Root) -> bool:
    """Whether anything is ever deleted."""
    return bool(root.settings.keep_originals_days or root.settings.keep_finished_days)


def clear_out(root: Root, now: Callable[[], Now] = now_by_system) -> Iterator[Deleted | Skipped]:
    """Delete what was kept long enough, file by file, and say so after each.

    Long enough has to be true by the receipt's own time and by what the service counted itself.

    What may not be read or removed holds up no other take. Any other ``OSError`` ends it: that may be
    the drive, and each further file would be waited for.
    """
    if not is_on(root):
        return
    clock, noted, ages = _earlier_clock(root), _remembered(root), Ages(root.state / "ages.json")
    found = {receipt: standing(receipt) for receipt in all_below(root.outbox, ends=RECEIPT_SUFFIX)}
    there = {receipt: status for receipt, status in sorted(found.items()) if status is not None}
    ages.looked(now(), {str(receipt): status for receipt, status in there.items()})
    for receipt, status in there.items():
        age_days = min((clock - status.st_mtime) / DAY_S, ages.days(str(receipt)))
        try:
            yield from _clear(root, receipt, age_days, noted)
        except (PermissionError, FileExistsError) as e:  # the latter: its folder is a link
            yield Skipped(receipt.relative_to(root.outbox).as_posix(), str(e))


def _clear(root: Root, receipt: Path, age_days: float, noted: set[str]) -> Iterator[Deleted]:
    settings = root.settings
    due_originals = 0 < settings.keep_originals_days <= age_days
    due_finished = 0 < settings.keep_finished_days <= age_days
    known = _read(receipt) if due_originals or due_finished else None
    if known is None:
        return
    outputs = {receipt.with_name(output.file): output.sha256 for output in known.files.values()}
    original = {_original(root, receipt, known): str(known.take.sha256)}
    finished_left = _left(outputs) if due_finished else {}
    original_left = _left(original) if due_originals else {}
    if not (finished_left or original_left) or not _verified(root, receipt, outputs, noted):
        return
    if finished_left:
        _remember(root, receipt, noted)
    yield from _delete(root.outbox, "finished", finished_left, root, receipt)
    yield from _delete(root.originals, "original", original_left, root, receipt)


def _delete(
    home: Path, what: str, files: dict[Path, str], root: Root, receipt: Path
) -> Iterator[Deleted]:
    for path, sha256 in files.items():
        place = path.relative_to(home).as_posix()
        with way_in(home, place) as there:
            if not holds(there, sha256):
                continue
            remove_take(there)
            sync(there.parent)
        yield Deleted(what, place, receipt.relative_to(root.outbox).as_posix())


def _read(receipt: Path) -> Receipt | None:
    """The receipt, None when it is not one of ours or names anything but its own files."""
    try:
        known = Receipt.model_validate(read_object(receipt))
    except ValueError:
        return None
    stem = receipt.name.removesuffix(RECEIPT_SUFFIX)
    ours = all(output.file == stem + suffix for suffix, output in known.files.items())
    return known if ours else None


def _original(root: Root, receipt: Path, known: Receipt) -> Path:
    """Where publishing put the take: under its files' name, with its own suffix."""
    suffix = PurePosixPath(portable(known.take.name)).suffix
    stem = receipt.name.removesuffix(RECEIPT_SUFFIX)
    return root.originals / receipt.relative_to(root.outbox).with_name(stem + suffix)


def _left(files: dict[Path, str]) -> dict[Path, str]:
    return {path: sha256 for path, sha256 in files.items() if standing(path) is not None}


# --- what was verified ---------------------------------------------------------------------------


def _verified(root: Root, receipt: Path, outputs: dict[Path, str], noted: set[str]) -> bool:
    whole = all(holds(path, sha256) for path, sha256 in outputs.items())
    return whole or _line(root, receipt) in noted


def _remember(root: Root, receipt: Path, noted: set[str]) -> None:
    line = _line(root, receipt)
    if line in noted:
        return
    with open(_notes(root), "a", encoding="utf-8") as file:
        file.write(f"\n{line}\n")  # a line that was broken off before stays by itself
        file.flush()
        os.fsync(file.fileno())
    sync(_notes(root).parent)
    noted.add(line)


def _remembered(root: Root) -> set[str]:
    try:
        return set(_notes(root).read_text("utf-8", errors="replace").splitlines())
    except FileNotFoundError:
        return set()


def _line(root: Root, receipt: Path) -> str:
    known = {
        "receipt": receipt.relative_to(root.outbox).as_posix(),
        "sha256": hashlib.sha256(receipt.read_bytes()).hexdigest(),
    }
    return json.dumps(known)


def _notes(root: Root) -> Path:
    return root.state / "verified.jsonl"


def _earlier_clock(root: Root) -> float:
    """Now, by our clock or by that of the outbox's drive, whichever is behind the other."""
    probe = root.outbox / f"{PART_PREFIX}{secrets.token_hex(8)}{PART_SUFFIX}"
    os.close(os.open(probe, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    try:
        return min(time.time(), probe.stat().st_mtime)
    finally:
        probe.unlink(missing_ok=True)

"""What stands in the folders, as rows of the ledger: what the ledger is made from, and held against."""

from __future__ import annotations

import contextlib
import errno
import time
from collections.abc import Collection, Iterator
from pathlib import Path, PurePosixPath
from typing import Any

from fairtake.below import all_below
from fairtake.folders import Root, claims
from fairtake.plain_file import read_object
from fairtake.receipt import REASON_SUFFIX, RECEIPT_SUFFIX
from fairtake.serving.ledger import Entry
from fairtake.serving.scan import is_companion, scan


def standing(root: Root, known_places: Collection[str] = ()) -> Iterator[Entry]:
    """Every take the folders show, but the finished ones at *known_places*.

    The folders are read in the order in which takes go through them, so that one that moves
    meanwhile is met twice rather than never. Raises ``OSError`` when a folder is not there, for
    then what it does not show says nothing.
    """
    for folder in root.folders:
        if not folder.is_dir():
            raise FileNotFoundError(errno.ENOENT, "the folder is not there", str(folder))
    yield from _waiting(root)
    yield from _claimed(root)
    yield from _quarantined(root)
    yield from _published(root, known_places)


def stands_in_quarantine(root: Root, place: str) -> bool:
    """Whether a take is still in quarantine."""
    return (root.quarantine / place).exists()


def receipts(root: Root) -> Iterator[Path]:
    """The receipt of every finished take."""
    return all_below(root.outbox, ends=RECEIPT_SUFFIX)


def place_of(root: Root, receipt: Path) -> str:
    """A finished take's place: below outbox, without suffix."""
    return receipt.relative_to(root.outbox).as_posix().removesuffix(RECEIPT_SUFFIX)


def read_json(path: Path) -> dict[str, Any]:
    """The object *path* holds; an empty one where it cannot be told."""
    with contextlib.suppress(OSError):
        return read_object(path)
    return {}


def _waiting(root: Root) -> Iterator[Entry]:
    now = time.time()  # a copy may bring a time of its own along
    for path in scan(root.inbox):
        if not is_companion(path):
            yield Entry(path, "pending", now)


def _claimed(root: Root) -> Iterator[Entry]:
    for claimed in claims(root):
        if claimed.take.exists():
            yield Entry(
                claimed.path, "pending", claimed.claimed_at, job=claimed.job,
                attempts=claimed.attempts,
            )  # fmt: skip


def _quarantined(root: Root) -> Iterator[Entry]:
    for reason in all_below(root.quarantine, ends=REASON_SUFFIX):
        take = reason.with_name(reason.name.removesuffix(REASON_SUFFIX))
        known = read_json(reason)
        found = _take(known)
        if found and take.exists():
            path, sha256 = found
            place = take.relative_to(root.quarantine).as_posix()
            yield Entry(
                path, "quarantined", reason.stat().st_mtime, sha256, place=place,
                attempts=_number(known.get("attempts")), code=_word(known.get("code")),
            )  # fmt: skip


def _published(root: Root, known_places: Collection[str]) -> Iterator[Entry]:
    for receipt in receipts(root):
        place = place_of(root, receipt)
        found = None if place in known_places else _take(read_json(receipt))
        if found:
            path, sha256 = found
            yield Entry(path, "published", receipt.stat().st_mtime, sha256, place=place)


def _take(document: dict[str, Any]) -> tuple[str, str] | None:
    """Path and hash of the take a receipt or reason speaks of."""
    take = document.get("take")
    if not isinstance(take, dict) or not isinstance(take.get("name"), str):
        return None
    path = PurePosixPath(str(take.get("title") or "")) / take["name"]
    return str(path), _word(take.get("sha256"))


# What anybody may have written is kept as far as the ledger's table can hold it.


def _word(value: Any) -> str:
    return value if isinstance(value, str) and value.isascii() else ""


def _number(value: Any) -> int:
    return value if isinstance(value, int) and 0 <= value < 2**31 else 0

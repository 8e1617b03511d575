"""What lies in quarantine, and the way back from there."""

from __future__ import annotations

import contextlib
import errno
from pathlib import Path, PurePosixPath
from typing import Any

from fairtake.below import all_below
from fairtake.folders.durable import move_to_free, way_in
from fairtake.folders.names import portable, stays_below, without_number
from fairtake.folders.places import Root
from fairtake.mix_folder import is_mix
from fairtake.plain_file import read_object
from fairtake.receipt import REASON_SUFFIX

#: What is said of a take whose reason was spoilt or may not be read.
_UNTOLD = {
    "code": "unknown",
    "message": "Its reason cannot be read.",
    "advice": "Put it back with `fairtake requeue`: it is looked at again, and a new one is written.",
}


def quarantined(root: Root) -> list[tuple[str, dict[str, Any]]]:
    """Path below quarantine and reason of every quarantined take, by path."""
    found = []
    for reason in sorted(all_below(root.quarantine, ends=REASON_SUFFIX)):
        take = reason.with_name(reason.name.removesuffix(REASON_SUFFIX))
        if take.exists():
            found.append((take.relative_to(root.quarantine).as_posix(), _read(reason) or _UNTOLD))
    return found


def requeue(root: Root, path: str) -> str:
    """Put a quarantined take back into the inbox, under its own name; its place there.

    Raises ``FileNotFoundError`` when there is no such take in quarantine.
    """
    take = root.quarantine / path
    inside = take.resolve().is_relative_to(root.quarantine.resolve())
    if not inside or not (take.is_file() or (take.is_dir() and is_mix(take.name))):
        raise FileNotFoundError(errno.ENOENT, "not in quarantine", path)
    with way_in(root.quarantine, path) as take:
        reason = take.with_name(take.name + REASON_SUFFIX)
        place = move_to_free(take, root.inbox, _own_path(path, _read(reason)))
        reason.unlink(missing_ok=True)
    return place


def _own_path(path: str, reason: dict[str, Any]) -> str:
    """Where the take lay in the inbox. Anybody may have written the reason: its word is taken only
    for a name that becomes *path* in quarantine."""
    take = reason.get("take")
    with contextlib.suppress(TypeError, ValueError):
        said = PurePosixPath(take["title"] or "", take["name"]) if take else PurePosixPath()
        if stays_below(str(said)) and portable(str(said)) in (path, without_number(path)):
            return str(said)
    return path


def _read(reason: Path) -> dict[str, Any]:
    with contextlib.suppress(OSError):
        return read_object(reason)
    return {}

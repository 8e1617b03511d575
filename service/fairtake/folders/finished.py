"""Whether a take was finished before: the same bytes with the same settings are finished once."""

from __future__ import annotations

import os
import re
from pathlib import Path, PurePosixPath
from typing import Any

from fairtake.folders.claim_folder import Claim
from fairtake.folders.durable import holds, remove_take
from fairtake.folders.life import end
from fairtake.folders.names import folder_of, free_folder, key, portable
from fairtake.folders.places import Root
from fairtake.plain_file import read_object
from fairtake.receipt import RECEIPT_SUFFIX


def asked_of(receipt: dict[str, Any]) -> dict[str, Any]:
    """What decides the bytes of a take's finished files."""
    mp3 = receipt["outputs"]["mp3"]
    return {
        "take": receipt["take"]["sha256"],
        "profile": receipt["profile"]["sha256"],
        "tags": mp3["tags"],
        "cover": mp3["cover_sha256"],
    }


def already_finished(root: Root, claimed: Claim, asked: dict[str, Any]) -> str | None:
    """The stem under which the same bytes were finished with the same settings, if they were.

    *asked* is what `asked_of` tells of a receipt. Only takes of the same name are looked at, their
    files and the original whole and in place.
    """
    path = PurePosixPath(portable(claimed.path))
    folder = root.outbox / free_folder(folder_of(str(path)), root.outbox, root.originals)
    for stem in _stems_of_name(folder, path.stem):
        original = root.originals / folder.relative_to(root.outbox) / (stem + path.suffix)
        if _same_work(folder / (stem + RECEIPT_SUFFIX), original, asked):
            # Looked at last: reading all the others took time, in which somebody may have written.
            return stem if holds(claimed.take, asked["take"]) else None
    return None


def _stems_of_name(folder: Path, name: str) -> list[str]:
    """The stems in *folder* of finished takes that were called *name*: they may have got a ``~2``."""
    wanted, found = key(name), []
    try:
        files = os.listdir(folder)
    except (FileNotFoundError, NotADirectoryError):
        return []
    for file in files:  # there may be thousands
        stem = file.removesuffix(RECEIPT_SUFFIX)
        if stem == file or not key(stem).startswith(wanted):
            continue
        if wanted in (key(stem), key(re.sub(r"~\d+$", "", stem))):
            found.append(stem)
    return sorted(found)


def drop_duplicate(root: Root, claimed: Claim) -> None:
    """Remove a take whose bytes stand in originals beside their finished files."""
    remove_take(claimed.take)
    end(root, claimed)


def _same_work(receipt: Path, original: Path, asked: dict[str, Any]) -> bool:
    try:
        known = read_object(receipt)
        if asked_of(known) != asked:
            return False
        stems = (known.get("mix") or {}).get("stems", {})
        outputs = [*(known["outputs"][kind] for kind in ("wav", "mp3")), *stems.values()]
        files = {output["file"]: output["sha256"] for output in outputs}
    except (KeyError, TypeError, AttributeError):
        return False  # no receipt of ours
    inside = all(PurePosixPath(name).name == name for name in files)
    return (
        inside
        and holds(original, asked["take"])
        and all(holds(receipt.with_name(name), sha256) for name, sha256 in files.items())
    )

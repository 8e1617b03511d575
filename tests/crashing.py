"""A take's ways through the folders, for children that die at a given step of them.

A step is whatever touches the disk: opening, renaming, linking, removing, making a folder,
syncing. Python announces most of them to audit hooks; the two it does not announce are wrapped.
"""

from __future__ import annotations

import hashlib
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from fairtake import folders
from fairtake.folders import Claim, Root, begin, claim, open_root, publish, quarantine, scratch_of
from fairtake.receipt import Reason, Receipt, TakeFacts

NAME = "Tide/one.wav"
TAKE = b"the take's own bytes"
FOREIGN = b"somebody else's"
STEPS = ("open", "os.rename", "os.link", "os.remove", "os.rmdir", "os.mkdir")
DIED = 77


def walk_and_die(way: str, path: Path, model: str, step: int, links_only: bool) -> None:
    """Go *way* in the ROOT at *path* and die before the *step*-th step."""
    root = open_root(path)
    if links_only:
        folders._renameat2 = lambda: None
    die_at(step)
    WAYS[way](root, model)


def recover_and_die(path: Path, step: int) -> None:
    """Recover the ROOT at *path* and die before the *step*-th step."""
    root = open_root(path)
    die_at(step)
    folders.recover(root)


def die_at(step: int) -> None:
    left = step

    def count(event: str, _: Any = None) -> None:
        nonlocal left
        left -= event in STEPS
        if left == 0:
            os._exit(DIED)

    def counted(real: Callable[..., Any]) -> Callable[..., Any]:
        return lambda *arguments: (count("open"), real(*arguments))[1]

    rename = folders._renameat2()
    if rename is not None:
        folders._renameat2 = lambda: counted(rename)
    os.fsync = counted(os.fsync)
    sys.addaudithook(count)


# --- the ways ---------------------------------------------------------------------------------


def finish(root: Root, model: str) -> None:
    claimed = claim(root, NAME)
    if claimed is not None:
        finish_claimed(root, claimed, model)


def finish_taken(root: Root, model: str) -> None:
    """As `finish`, and meanwhile somebody puts a file where the MP3 was to go."""
    claimed = claim(root, NAME)
    if claimed is not None:
        taken = root.outbox / claimed.title / f"{claimed.stem}.mp3"
        taken.parent.mkdir(parents=True, exist_ok=True)
        taken.write_bytes(FOREIGN)
        finish_claimed(root, claimed, model)


def finish_claimed(root: Root, claimed: Claim, model: str) -> None:
    begin(claimed)
    scratch = scratch_of(root, claimed)
    wav, mp3 = scratch / "finished.wav", scratch / "finished.mp3"
    wav.write_bytes(b"wav of " + TAKE)
    mp3.write_bytes(b"mp3 of " + TAKE)
    publish(root, claimed, wav, mp3, receipt(model, claimed.attempts))


def fail(root: Root, model: str) -> None:
    claimed = claim(root, NAME)
    if claimed is not None:
        begin(claimed)
        quarantine(root, claimed, reason(claimed.name))


def put_back(root: Root, model: str) -> None:
    claimed = claim(root, NAME)
    if claimed is not None:
        folders.unclaim(root, claimed)


def requeue(root: Root, model: str) -> None:
    folders.requeue(root, NAME)


WAYS = {
    "finish": finish,
    "finish_taken": finish_taken,
    "fail": fail,
    "put_back": put_back,
    "requeue": requeue,
}


# --- what is written --------------------------------------------------------------------------


def receipt(model: str, attempt: int) -> Receipt:
    """The receipt *model*, made to speak of `TAKE`. No two attempts take equally long."""
    made = Receipt.model_validate_json(model)
    made.take.sha256 = sha256(TAKE)
    made.outputs.wav.sha256 = sha256(b"wav of " + TAKE)
    made.outputs.mp3.sha256 = sha256(b"mp3 of " + TAKE)
    made.took_s.listen = float(attempt)
    return made


def reason(name: str) -> Reason:
    return Reason(
        take=TakeFacts(name=name), code="silent", message="Silent.", advice="Speak.", made_by={}
    )


def sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()

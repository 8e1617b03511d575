"""A take's ways through the folders, for deaths and faults at a given step of them.

A step is whatever touches the disk: opening, looking, renaming, linking, removing, making a folder,
syncing. Python announces most of them to audit hooks; those it does not announce are wrapped.
"""

from __future__ import annotations

import ctypes
import errno
import hashlib
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from fairtake import folders
from fairtake.folders import (
    Claim,
    Root,
    begin,
    claim,
    durable,
    give_back_attempt,
    publish,
    quarantine,
    scratch_of,
)
from fairtake.receipt import Reason, Receipt, TakeFacts

NAME = "Tide/one.wav"
TAKE = b"the take's own bytes"
FOREIGN = b"somebody else's"
DIED = 77
ANNOUNCED = (
    "open", "os.rename", "os.link", "os.remove", "os.rmdir", "os.mkdir", "os.listdir", "os.scandir",
)  # fmt: skip
#: What is not announced, and what is wrapped where a call is to happen and fail all the same.
WRAPPED = ("fsync", "lstat")
HAPPENING = ("rename", "replace", "link", "unlink", "mkdir", "rmdir", "fsync")


class Steps:
    """Counts steps and hurts one of them. Only one may be in use in a process, for it never ends."""

    def __init__(self, links_only: bool = False) -> None:
        self.left = 0
        self._act: Callable[[], None] = lambda: None
        self._happening = self._always = False
        renameat2 = durable._renameat2()
        durable._renameat2 = lambda: None if links_only else self._renameat2(renameat2)
        for name in WRAPPED:
            self._wrap(name, announced=False)
        for name in HAPPENING:
            self._wrap(name, announced=True)
        sys.addaudithook(lambda event, _: self._count() if event in ANNOUNCED else None)

    @contextmanager
    def hurting(
        self, step: int, act: Callable[[], None], happening: bool = False, always: bool = False
    ) -> Iterator[None]:
        """Call *act* before the *step*-th step, or, when *happening*, after it has happened.

        With *always*, before or after every later one, too.
        """
        self._act, self._happening, self._always, self.left = act, happening, always, step
        try:
            yield
        finally:
            self._act = lambda: None
            self._happening = self._always = False

    def _count(self, happened: bool = False) -> None:
        if happened != self._happening:
            return
        self.left -= 1
        if self.left == 0 or (self.left < 0 and self._always):
            self._act()

    def _wrap(self, name: str, announced: bool) -> None:
        real = getattr(os, name)

        def wrapped(*arguments: Any, **named: Any) -> Any:
            if not announced:
                self._count()
            made = real(*arguments, **named)
            if announced:
                self._count(happened=True)
            return made

        setattr(os, name, wrapped)

    def _renameat2(self, real: Callable[..., int]) -> Callable[..., int]:
        def called(*arguments: Any) -> int:
            try:
                self._count()
                made = real(*arguments)
                if made == 0:
                    self._count(happened=True)
            except OSError as e:
                ctypes.set_errno(e.errno or errno.EIO)
                return -1
            return made

        return called


def die() -> None:
    os._exit(DIED)


def fail(number: int) -> Callable[[], None]:
    def failing() -> None:
        raise OSError(number, os.strerror(number))

    return failing


# --- the ways ---------------------------------------------------------------------------------


def finish(root: Root, model: str) -> None:
    claimed = claim(root, NAME)
    if claimed is not None:
        finish_claimed(root, claimed, model)


def finish_taken(root: Root, model: str) -> None:
    """As `finish`, and meanwhile somebody puts a file where the MP3 was to go."""
    claimed = claim(root, NAME)
    if claimed is not None:
        taken = root.outbox / f"{claimed.place}.mp3"
        if not taken.exists():
            taken.parent.mkdir(parents=True, exist_ok=True)
            taken.write_bytes(FOREIGN)
        finish_claimed(root, claimed, model)


def finish_claimed(root: Root, claimed: Claim, model: str) -> None:
    """As the service does it: a fault of the surroundings gives the attempt back."""
    begin(claimed)
    try:
        scratch = scratch_of(root, claimed)
        wav, mp3 = scratch / "finished.wav", scratch / "finished.mp3"
        wav.write_bytes(b"wav of " + TAKE)
        mp3.write_bytes(b"mp3 of " + TAKE)
        publish(root, claimed, {".wav": wav, ".mp3": mp3}, receipt(model, claimed.attempts))
    except OSError:
        give_back_attempt(claimed)
        raise


def fail_at_work(root: Root, model: str) -> None:
    claimed = claim(root, NAME)
    if claimed is not None:
        begin(claimed)
        try:
            quarantine(root, claimed, reason(claimed.name))
        except OSError:
            give_back_attempt(claimed)
            raise


def put_back(root: Root, model: str) -> None:
    claimed = claim(root, NAME)
    if claimed is not None:
        folders.unclaim(root, claimed)


def requeue(root: Root, model: str) -> None:
    folders.requeue(root, NAME)


WAYS = {
    "finish": finish,
    "finish_taken": finish_taken,
    "fail": fail_at_work,
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


def reason(name: str, title: str = "") -> Reason:
    return Reason(
        take=TakeFacts(name=name, title=title),
        code="silent", message="Silent.", advice="Speak.", made_by={},
    )  # fmt: skip


def sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()

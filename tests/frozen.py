"""A drive that can be frozen: an empty folder, served by this process over Linux' FUSE.

Frozen, it answers nothing, as a file server does that has lost its network: whoever asks hangs. Needs
root and ``/dev/fuse``. The layout of the messages is that of ``linux/fuse.h``.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import stat
import struct
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

_HEAD = struct.Struct("<IIQQIIII")
_LOOKUP, _FORGET, _GETATTR, _STATFS, _RELEASEDIR = 1, 2, 3, 17, 29
_INIT, _OPENDIR, _READDIR, _INTERRUPT, _BATCH_FORGET = 26, 27, 28, 36, 42
_DETACH = 2
#: Longer than any test: whoever asks from this very process is let go in the end.
MOST_S = 150.0
_libc = ctypes.CDLL(None, use_errno=True)


class Frozen:
    """An empty drive mounted at *point*; `freeze` and `thaw` it."""

    def __init__(self, point: Path) -> None:
        self._answering = threading.Event()
        self._answering.set()
        self._device = os.open("/dev/fuse", os.O_RDWR | os.O_CLOEXEC)
        options = f"fd={self._device},rootmode=40000,user_id=0,group_id=0,allow_other"
        if _libc.mount(b"frozen", os.fsencode(point), b"fuse", 0, options.encode()):
            code = ctypes.get_errno()
            os.close(self._device)
            raise OSError(code, os.strerror(code), str(point))
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def freeze(self) -> None:
        self._answering.clear()

    def thaw(self) -> None:
        self._answering.set()

    def _serve(self) -> None:
        with contextlib.suppress(OSError):  # the end of the mount
            while True:
                message = os.read(self._device, 1 << 20)
                _, code, unique, _, *_ = _HEAD.unpack_from(message)
                if code in (_FORGET, _BATCH_FORGET, _INTERRUPT):
                    continue
                if code != _INIT:
                    self._answering.wait(MOST_S)
                error, said = _answer(code, message[_HEAD.size :])
                os.write(self._device, struct.pack("<IiQ", 16 + len(said), -error, unique) + said)


def _answer(code: int, question: bytes) -> tuple[int, bytes]:
    if code == _INIT:
        _, minor = struct.unpack_from("<II", question)
        said = struct.pack("<IIIIHHIIHHI", 7, min(minor, 31), 0, 0, 12, 9, 4096, 1, 0, 0, 0)
        return 0, said.ljust(64, b"\0")
    if code == _GETATTR:
        mode = stat.S_IFDIR | 0o755
        attributes = struct.pack(
            "<QQQQQQIIIIIIIIII", 1, 0, 0, 0, 0, 0, 0, 0, 0, mode, 2, 0, 0, 0, 4096, 0
        )
        return 0, struct.pack("<QII", 0, 0, 0) + attributes
    if code == _OPENDIR:
        return 0, struct.pack("<QII", 1, 0, 0)
    if code == _STATFS:
        return 0, bytes(80)
    if code in (_READDIR, _RELEASEDIR):
        return 0, b""
    return (errno.ENOENT if code == _LOOKUP else errno.ENOSYS), b""


@contextlib.contextmanager
def frozen_drive(point: Path) -> Iterator[Frozen]:
    """A drive at *point*, taken away at the end. Skips the test where it cannot be."""
    try:
        drive = Frozen(point)
    except OSError as e:
        pytest.skip(f"no drive of our own can be mounted here: {e.strerror}")
    try:
        yield drive
    finally:
        drive.thaw()
        _libc.umount2(os.fsencode(point), _DETACH)

"""Run as a program: does bad things, each in a confined process, and prints what came of them as JSON.

``python misdeeds.py FOLDER DEED...`` finds in FOLDER a take, a neighbour and an empty scratch.
"""

from __future__ import annotations

import ctypes
import json
import os
import signal
import socket
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from fairtake import pulse
from fairtake.files.encoder import BoundPopen, encoder
from fairtake.serving.confined import Died, Say, confined
from fairtake.serving.sandbox import Rights

MEMORY_BYTES, FILE_BYTES, CPU_S, PROCESSES = 2**28, 2**20, 1, 24
NOBODY = 65534


def rights(folder: Path, name: str) -> Rights:
    programs = (Path(encoder()),) if "encode" in name else ()
    return Rights(
        (folder / "take",), folder / "scratch", programs,
        MEMORY_BYTES, FILE_BYTES, CPU_S, PROCESSES,
    )  # fmt: skip


def connect(folder: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        socket.create_connection(server.getsockname())


def grow(folder: Path) -> None:
    kept = []
    while True:
        kept.append(bytearray(2**24))


def multiply(folder: Path) -> None:
    """A fork bomb, slowed down by nothing but the system."""
    for _ in range(4 * PROCESSES):
        if os.fork() == 0:
            time.sleep(60)


def spin(folder: Path) -> None:
    while True:
        pass


def fill(folder: Path) -> None:
    with open(folder / "scratch/big", "wb") as file:
        while True:
            file.write(bytes(2**16))
            file.flush()


def descriptors() -> list[int]:
    """Those that came along."""
    found = []
    for number in range(256):
        try:
            os.fstat(number)
            found.append(number)
        except OSError:
            continue
    return found


def talk_nonsense(folder: Path) -> None:
    os.write(descriptors()[-1], b"\0\0\0\x04nope")
    time.sleep(60)


def encode(folder: Path) -> None:
    """Start the encoder on something long, say so, and wait."""
    command = [encoder(), "-v", "error", "-re", "-f", "lavfi", "-i", "anullsrc", "-f", "null", "-"]
    running = BoundPopen(command)
    (folder / "scratch/pid").write_text(f"{os.getpid()} {running.pid}")
    running.wait()


def encode_silently(folder: Path) -> None:
    """Encode for two seconds, and wait for it."""
    pulse.EVERY_S = 0.05
    command = [encoder(), "-v", "error", "-re", "-f", "lavfi", "-i", "anullsrc", "-t", "2", "-f", "s16le", str(folder / "scratch/out")]  # fmt: skip
    BoundPopen(command).communicate()


DEEDS: dict[str, Callable[[Path], Any]] = {
    "read its take": lambda folder: (folder / "take").read_text(),
    "write into its scratch": lambda folder: (folder / "scratch/new").write_text("new"),
    "look around": lambda folder: len(descriptors()),
    "encode": encode,
    "encode silently": encode_silently,
    "read a neighbour": lambda folder: (folder / "neighbour").read_text(),
    "read /etc/shadow": lambda folder: Path("/etc/shadow").read_bytes(),
    "read its own process": lambda folder: Path("/proc/self/environ").read_bytes(),
    "change its take": lambda folder: (folder / "take").write_text("other"),
    "write beside its scratch": lambda folder: (folder / "new").write_text("new"),
    "remove a neighbour": lambda folder: (folder / "neighbour").unlink(),
    "link into its scratch": lambda folder: (folder / "scratch/l").symlink_to(folder / "neighbour"),
    "hard link": lambda folder: os.link(folder / "neighbour", folder / "scratch/l"),
    "make a pipe": lambda folder: os.mkfifo(folder / "scratch/fifo"),
    "connect": connect,
    "send a datagram": lambda folder: socket.socket(socket.AF_INET, socket.SOCK_DGRAM),
    "open a local socket": lambda folder: socket.socket(socket.AF_UNIX),
    "leave its group": lambda folder: os.setsid(),
    "move to another group": lambda folder: os.setpgid(0, 0),
    "signal its worker": lambda folder: os.kill(os.getppid(), signal.SIGTERM),
    "start a shell": lambda folder: os.execv("/bin/sh", ["sh", "-c", "true"]),
    "gain rights": lambda folder: ctypes.CDLL(None).prctl(39, 0, 0, 0, 0) == 1 or 1 / 0,
    "grow": grow,
    "multiply": multiply,
    "fill the disk": fill,
    "spin": spin,
    "crash": lambda folder: ctypes.string_at(0),
    "abort": lambda folder: os.abort(),
    "give up": lambda folder: os._exit(3),
    "leave something behind": lambda folder: os.fork() or time.sleep(60),
    "talk nonsense": talk_nonsense,
}


def deed(folder: Path, name: str) -> dict[str, Any]:
    said: list[str] = []

    def work(say: Say) -> dict[str, Any]:
        say("work", 0.5)
        try:
            return {"done": repr(DEEDS[name](folder))}
        except (OSError, MemoryError) as e:
            return {"refused": type(e).__name__}

    try:
        answer = confined(
            work, rights(folder, name), lambda verb, share: said.append(f"{verb} {share}")
        )
        return {**answer, "said": sorted(set(said))} if len(said) > 1 else answer
    except Died as e:
        return {"died": str(e)}


if __name__ == "__main__":
    folder, *names = sys.argv[1:]
    if os.geteuid() == 0 and "multiply" in names:
        os.setgid(NOBODY)  # no limit counts the processes of root
        os.setuid(NOBODY)
    print(json.dumps({name: deed(Path(folder), name) for name in names}))

"""Disks that fill up, by bytes and by inodes, and a file server that freezes.

A full disk is passing: the take is kept, uses no attempt, and all is done once there is room. A
frozen share may hold up what lies on it; the service goes on saying that it lives.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from books import Wrong
from live import live, may_mount, settled, small_disk, until
from scenes import fresh, good, put
from steps import Found

#: Each place with a size its files do not fit in, by bytes and by inodes.
PLACES = {
    "outbox": "size=256k", "originals": "size=16k", "quarantine": "size=64k",
    ".fairtake/scratch": "size=256k",
}  # fmt: skip
FULL = {**PLACES, **{f"{place} by inodes": "nr_inodes=2" for place in PLACES}}
ROOM = "size=64m,nr_inodes=10000"
FROZEN_S = 20.0


def full(folder: Path, name: str) -> Found:
    """Let the disk under one place be full, then make room."""
    books = fresh(folder / "root", retry_s=0.3, most_attempts=2)
    place = books.root / name.removesuffix(" by inodes")
    found = Found(f"{name} full", hit=True)
    with small_disk(place, FULL[name]):
        put(books, "good.wav", good())
        put(books, "bad.wav", os.urandom(300_000), bad=True)
        with live(books.root) as service:
            found.hit = until(lambda: service.log.count("waiting") >= 2, 240)
            found.wrong += books.wrong_now()
            subprocess.run(["mount", "-o", f"remount,{ROOM}", str(place)], check=True)
            until(lambda: not books.wrong_at_the_end(), 240, every_s=0.5)
            found.wrong += service.end()
            found.log = service.log
        found.wrong += settled(books)
    found.checked = books.checked
    return found


def full_disks(folder: Path) -> Iterator[Found]:
    for number, name in enumerate(FULL):
        yield full(folder / f"full {number}", name)


# --- a frozen file server ---------------------------------------------------------------------

SERVERS = ("/usr/lib/openssh/sftp-server", "/usr/lib/ssh/sftp-server", "/usr/libexec/sftp-server")
#: Gives one connection to a file server of its own.
HAND_OVER = (
    "import os, socket, sys\n"
    "s = socket.create_server(('127.0.0.1', 0)); print(s.getsockname()[1], flush=True)\n"
    "c, _ = s.accept(); os.dup2(c.fileno(), 0); os.dup2(c.fileno(), 1)\n"
    "os.execv(sys.argv[1], [sys.argv[1]])\n"
)


def no_share() -> str:
    """Why no share can be made here, '' when one can."""
    if shutil.which("sshfs") is None or not any(map(os.path.exists, SERVERS)):
        return "sshfs and sftp-server are not installed"
    return may_mount() or ("" if os.path.exists("/dev/fuse") else "there is no /dev/fuse")


def frozen(folder: Path, place: str) -> Found:
    """Freeze the server of the share at *place* while a take is in work, then thaw it."""
    found = Found(f"{place} frozen", hit=True)
    books = fresh(folder / "root", retry_s=0.3)
    served, share = folder / "served", books.root / place
    served.mkdir()
    server = subprocess.Popen(
        [sys.executable, "-c", HAND_OVER, next(filter(os.path.exists, SERVERS))],
        stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert server.stdout is not None
    port = server.stdout.readline().strip()
    command = ["sshfs", "-o", f"directport={port}", f"127.0.0.1:{served}", str(share)]
    subprocess.run(command, check=True)
    try:
        with live(books.root) as service:
            until(lambda: "started" in service.log)
            put(books, "a.wav", good(0.9))
            put(books, "b.wav", b"no sound", bad=True)
            until(lambda: any((books.root / ".fairtake/scratch").glob("*")), 120)
            server.send_signal(signal.SIGSTOP)
            time.sleep(FROZEN_S)
            age_s = time.time() - (books.root / ".fairtake/heartbeat.json").stat().st_mtime
            if age_s > 10:
                found.wrong.append(Wrong("unfinished", f"no sign of life for {age_s:.0f} s"))
            server.send_signal(signal.SIGCONT)
            until(lambda: not books.wrong_at_the_end(), 240, every_s=0.5)
            found.wrong += service.end()
            found.log = service.log
        found.wrong += settled(books)
    finally:
        server.send_signal(signal.SIGCONT)
        subprocess.run(["umount", "-l", str(share)], check=False)
        server.kill()
    found.checked = books.checked
    return found


def frozen_shares(folder: Path) -> Iterator[Found]:
    # The inbox shares its drive with the claims, which are renames: `intake.py` freezes the two.
    for number, place in enumerate(("outbox", "originals", "quarantine")):
        yield frozen(folder / f"frozen {number}", place)

"""Power cuts: what is on the disk when everything stops at once.

The ROOT lies on an ext4 in an image file that writes its journal only when it is told to sync. The
service dies at one step, the image is copied as it is, unflushed, and the copy is mounted: it holds
what was synced and nothing else. A service on the copy has to bring it to its end. What is told here
is the truth of this file system and of this kernel; a disk that lies about a sync is not told.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from books import Books
from scenes import SCENES
from steps import Bench, Fault, Found, wrong_with

IMAGE_MB = 24
#: The journal is written this rarely by itself: never, for our purposes.
SCENES_ON_ONE_DISK = [name for name in SCENES if name != "apart"]
OPTIONS = "loop,commit=3000,noatime"


def impossible() -> str:
    """Why no power can be cut here, '' when it can."""
    if os.geteuid() != 0:
        return "only root may mount an image"
    for tool in ("mkfs.ext4", "mount", "umount"):
        if shutil.which(tool, path=f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin") is None:
            return f"{tool} is not installed"
    return "" if Path("/dev/loop-control").exists() else "there are no loop devices"


def cut(bench: Bench, fault: Fault) -> Found:
    """Cut the power before the step *fault* names, and look at what the disk holds."""
    found = Found(str(fault), step=str(fault))
    image, copy = bench.folder / "disk", bench.folder / "copy"
    mounted = bench.folder / "mounted"
    mounted.mkdir(exist_ok=True)
    _make(image)
    books = _on(image, mounted, lambda: _die_there(bench, fault, mounted, found, image, copy))
    _on(copy, mounted, lambda: _live_on(bench, replace(books, root=mounted / "root"), found))
    image.unlink()
    copy.unlink()
    return found


def _die_there(
    bench: Bench, fault: Fault, mounted: Path, found: Found, image: Path, copy: Path
) -> Books:
    books = SCENES[fault.scene](mounted / "root")
    subprocess.run(["sync", "-f", str(mounted)], check=True)  # what people dropped had arrived
    ended = bench.run(books, hurt=fault.hurt, all_at_once=True)
    found.hit = ended.was_hurt
    found.log = ended.log
    found.wrong += wrong_with(ended) if ended.status != -9 else []
    shutil.copyfile(image, copy)
    return books


def _live_on(bench: Bench, books: Books, found: Found) -> Books:
    found.wrong += books.wrong_now()
    ended = bench.run(books)
    found.wrong += wrong_with(ended) + books.wrong_at_the_end()
    found.log += "--- the power is back\n" + ended.log
    found.checked = books.checked
    return books


def _make(image: Path) -> None:
    with open(image, "wb") as file:
        file.truncate(IMAGE_MB * 2**20)
    _run("mkfs.ext4", "-q", "-F", "-E", "lazy_itable_init=0,lazy_journal_init=0", str(image))


def _on(image: Path, mounted: Path, do: Callable[[], Books]) -> Books:
    _run("mount", "-o", OPTIONS, str(image), str(mounted))
    try:
        return do()
    finally:
        _run("umount", "-l", str(mounted))


def _run(*command: str) -> None:
    path = f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin"
    subprocess.run(command, check=True, capture_output=True, env=os.environ | {"PATH": path})

"""The same night with one Dask worker and with two: a scheduler and workers on this machine."""

from __future__ import annotations

import argparse
import importlib.util
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from cost import FAIRTAKE

from roots import BELL, drop, new_root, until
from takes import PROFILE, long_take


def cluster(folder: Path, options: argparse.Namespace) -> list[dict[str, Any]]:
    """Counted from the first take that is finished, so that nothing has to be loaded any more."""
    if importlib.util.find_spec("distributed") is None:
        return [{"skipped": "the extra fairtake[cluster] is not installed"}]
    count, seconds = (8, 30) if options.quick else (24, 60)
    take = long_take(folder / "take.wav", seconds)
    rows: list[dict[str, Any]] = []
    for number in (1, 2):
        with _dask(number, folder / f"dask{number}") as address:
            wall_s = _night(folder / f"root{number}", take, count, number, address)
        times = rows[0]["wall_s"] / wall_s if rows else 1.0
        rows.append({"dask_workers": number, "wall_s": wall_s, "takes_a_minute": 60 * count / wall_s, "times_one": times})  # fmt: skip
    return rows


def _night(place: Path, take: Path, count: int, number: int, address: str) -> float:
    """Wall seconds from the drop of *count* takes to the last receipt; settling is the same for all."""
    root = new_root(place, settle_s=0.5, scan_s=0.5, default_profile=PROFILE)

    def finished() -> int:
        return len(list(root.outbox.rglob("*.receipt.json")))

    service = subprocess.Popen(
        [*FAIRTAKE, "serve", str(place), "--cluster", address], stderr=subprocess.DEVNULL
    )
    try:
        for n in range(number):
            drop(root, f"warm {n}.wav", BELL.read_bytes())
        until(lambda: finished() == number, 300)
        begun = time.perf_counter()
        for n in range(count):
            shutil.copyfile(take, root.inbox / f"{n:04d}.wav")
        until(lambda: finished() == number + count, 3600)
        return time.perf_counter() - begun
    finally:
        service.terminate()
        service.wait(60)


@contextmanager
def _dask(number: int, folder: Path) -> Iterator[str]:
    """A scheduler and *number* workers of one thread each; the scheduler's address."""
    folder.mkdir()
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    scheduler = ["scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard"]
    worker = ["worker", f"tcp://127.0.0.1:{port}", "--nthreads", "1", "--no-nanny", "--no-dashboard", "--local-directory", str(folder)]  # fmt: skip
    processes = [
        subprocess.Popen([sys.executable, "-m", "dask", *words], stderr=subprocess.DEVNULL)
        for words in (scheduler, *[worker] * number)
    ]
    try:
        yield f"127.0.0.1:{port}"
    finally:
        for process in reversed(processes):
            process.terminate()
            process.wait(60)

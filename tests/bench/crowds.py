"""Many takes at a time: what the service itself costs beside the finishing, busy and idle."""

from __future__ import annotations

import argparse
import os
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
from cost import FAIRTAKE, children_of, cost_of, cpu_of, resident_bytes

from roots import new_root
from takes import PROFILE, bare_command, bare_encode, long_take

IDLE_S = 60.0
#: What a short take may cost beside its finishing, on a machine that encodes ten minutes in so long.
BUDGET_OVERHEAD_S, BUDGET_BARE_S = 0.050, 2.4


def crowd(folder: Path, options: argparse.Namespace) -> list[dict[str, Any]]:
    """Takes of 5 s by two workers: what each costs beyond finishing it in a process that is warm.

    Finishing is measured before the night and behind it: the speed of a shared machine drifts. So is a
    bare encode of ten minutes, which tells how quick the machine is: the budget's 50 ms come from one
    that encodes them in 2.4 s, and are 2.1 % of that.
    """
    count = 100 if options.quick else 1000
    take, yardstick = long_take(folder / "take.wav", 5), long_take(folder / "long.wav", 600)

    def beside() -> tuple[float, ...]:
        return *_finishing(take, folder), bare_encode(yardstick, folder / "bare.mp3").cpu_s

    before = beside()
    cpu_s, wall_s = _night(folder / "root", take, count, 2)
    alone_cpu_s, alone_wall_s, bare_s = np.mean([before, beside()], axis=0).tolist()
    over_cpu_s = cpu_s / count - alone_cpu_s
    return [
        {
            "takes": count,
            "workers": 2,
            "cpu_s_a_take": cpu_s / count,
            "finishing_cpu_s": alone_cpu_s,
            "overhead_cpu_ms": 1000 * over_cpu_s,
            "overhead_wall_ms": 1000
            * (wall_s / count - alone_wall_s / min(2, os.cpu_count() or 1)),
            "bare_10_min_s": bare_s,
            "overhead_%_of_it": 100 * over_cpu_s / bare_s,
            "budget_%": 100 * BUDGET_OVERHEAD_S / BUDGET_BARE_S,
        }
    ]


def workers(folder: Path, options: argparse.Namespace) -> list[dict[str, Any]]:
    """Throughput of one worker on one core, of one that has the others for its encoder's threads and
    the service, and of two.

    Told from what a night of many takes costs beyond one of few, so that starting, settling and the
    last take's end are out of it; in turn, the middle of all turns. How much two cores of this machine
    are worth beside one is told by bare encodes in the same turns: cores that share a cache, or a
    host with others, are not worth two.
    """
    few, many, seconds, turns = (2, 8, 30, 1) if options.quick else (4, 24, 60, 3)
    take = long_take(folder / "take.wav", seconds)
    all_cores = sorted(os.sched_getaffinity(0))
    found: dict[tuple[int, int], list[tuple[float, float]]] = {(1, 1): [], (1, len(all_cores)): [], (2, len(all_cores)): []}  # fmt: skip
    worth = []
    for turn in range(turns):
        worth.append(_worth_of_two(take, all_cores))
        for (number, cores), costs in found.items():
            places = [folder / f"root{turn}-{number}-{cores}-{count}" for count in (few, many)]
            os.sched_setaffinity(0, all_cores[:cores])
            short, long = (_night(p, take, n, number) for p, n in zip(places, (few, many), strict=True))  # fmt: skip
            os.sched_setaffinity(0, all_cores)
            for place in places:
                shutil.rmtree(place)
            costs.append(((long[0] - short[0]) / (many - few), (long[1] - short[1]) / (many - few)))
    rows: list[dict[str, Any]] = []
    for (number, cores), costs in found.items():
        cpu_s, wall_s = (median(cost[n] for cost in costs) for n in (0, 1))
        rows.append({"workers": number, "cores": cores, "s_a_take": wall_s, "cores_busy": cpu_s / wall_s})  # fmt: skip
    for row in rows:
        row["times_one_core"] = rows[0]["s_a_take"] / row["s_a_take"]
        row["times_one_worker"] = rows[1]["s_a_take"] / row["s_a_take"]
        row["bare_two_over_one"] = median(worth)
    return rows


def _worth_of_two(take: Path, cores: list[int]) -> float:
    """How many times what one core encodes two cores encode, each with encoders of its own."""
    again = 'for n in 1 2 3 4 5 6 7 8; do "$@"; done'

    def wall_s(*each: int) -> float:
        begun = time.perf_counter()
        running = []
        for core in each:
            os.sched_setaffinity(0, {core})
            out = take.with_name(f"bare-{core}.mp3")
            running.append(subprocess.Popen(["sh", "-c", again, "sh", *bare_command(take, out)]))
        os.sched_setaffinity(0, cores)
        for encoders in running:
            encoders.wait()
        return time.perf_counter() - begun

    return 2 * wall_s(cores[0]) / wall_s(*cores[:2])


def idle(folder: Path, options: argparse.Namespace) -> list[dict[str, Any]]:
    """Nothing dropped, and finished files by the thousand in the outbox."""
    count = 1_000 if options.quick else 10_000
    root = new_root(folder / "root", settle_s=5, scan_s=10)
    shelf = root.outbox / "A Finished Series"
    shelf.mkdir(parents=True)
    for n in range(count):
        (shelf / f"{n:05d}.wav").write_bytes(b"RIFF")
    with _service(folder / "root") as pid:
        time.sleep(15)
        before, begun = _cpu_of_all(pid), time.monotonic()
        time.sleep(10 if options.quick else IDLE_S)
        share = (_cpu_of_all(pid) - before) / (time.monotonic() - begun)
        size = sum(resident_bytes(p) for p in (pid, *children_of(pid)))
    return [{"files": count, "core_%": 100 * share, "resident_MB": size / 1e6}]


def scan(folder: Path, options: argparse.Namespace) -> list[dict[str, Any]]:
    """What one scan of the inbox costs while thousands of files wait in it."""
    from fairtake.serving.scan import scan as scanned

    rows = []
    for count in (1_000,) if options.quick else (1_000, 10_000):
        root = new_root(folder / f"root{count}")
        for n in range(count):
            (root.inbox / f"{n:05d}.wav").write_bytes(b"RIFF")
        begun = time.process_time()
        found = scanned(root.inbox)
        rows.append({"files": count, "scan_cpu_ms": 1000 * (time.process_time() - begun), "found": len(found)})  # fmt: skip
    return rows


def _finishing(take: Path, folder: Path) -> tuple[float, float]:
    """Processor and wall seconds of one take, from the difference of many and few in one process."""
    few, many = 2, 42
    costs = []
    for count in (few, many):
        names = [folder / f"{count}-{n}.wav" for n in range(count)]
        for name in names:
            shutil.copyfile(take, name)
        costs.append(cost_of(*FAIRTAKE, "master", *names, "--profile", PROFILE, "--out", folder / f"o{count}"))  # fmt: skip
    return (costs[1].cpu_s - costs[0].cpu_s) / (many - few), (costs[1].wall_s - costs[0].wall_s) / (many - few)  # fmt: skip


def _night(place: Path, take: Path, count: int, number: int) -> tuple[float, float]:
    """Finish *count* copies with ``serve --once``; processor and wall seconds, from its start to its end."""
    root = new_root(place, workers=number, settle_s=0.5, scan_s=5, default_profile=PROFILE)
    for n in range(count):
        shutil.copyfile(take, root.inbox / f"{n:04d}.wav")
    os.sync()  # they have been there for a while
    cost = cost_of(*FAIRTAKE, "serve", place, "--once")
    made = len(list(root.outbox.rglob("*.receipt.json")))
    if made != count:
        raise RuntimeError(f"{made} of {count} takes were finished")
    return cost.cpu_s, cost.wall_s


@contextmanager
def _service(place: Path) -> Iterator[int]:
    process = subprocess.Popen(
        [*FAIRTAKE, "serve", str(place)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        yield process.pid
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(30)


def _cpu_of_all(pid: int) -> float:
    return sum(cpu_of(p) for p in (pid, *children_of(pid)))

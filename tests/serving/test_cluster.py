"""fairtake.serving.cluster: a real scheduler, real Dask workers on loopback, and real deaths."""

from __future__ import annotations

import contextlib
import errno
import io
import os
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from fairtake.cli import main
from fairtake.folders import Root, claim, claims, mark_begun, scratch_apart
from fairtake.receipt import RECEIPT_SUFFIX
from fairtake.serving.crew import Task
from roots import (
    BELL,
    Served,
    drop,
    files_below,
    is_finished,
    new_root,
    reason_of,
    spoken,
    until,
    without_pages,
)

pytest.importorskip("distributed", reason="the extra fairtake[cluster] is not installed")
pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="Dask workers are told by /proc")


def free_address() -> str:
    """One of this machine at which nobody listens."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return f"127.0.0.1:{free.getsockname()[1]}"


class Cluster:
    """A scheduler and its workers, each a process of its own; all end with the block."""

    def __init__(self, folder: Path) -> None:
        self.address = free_address()
        self._folder = folder
        self.scheduler: subprocess.Popen[bytes] | None = None
        self.workers: list[subprocess.Popen[bytes]] = []

    def start_scheduler(self) -> None:
        host, port = self.address.split(":")
        self.scheduler = self._start("scheduler", "--host", host, "--port", port, "--no-dashboard")

    def end_scheduler(self) -> None:
        assert self.scheduler is not None
        self.scheduler.kill()
        self.scheduler.wait()

    def start_worker(self, *options: str) -> subprocess.Popen[bytes]:
        place = ("--local-directory", str(self._folder), "--host", "127.0.0.1")
        worker = self._start(
            "worker", f"tcp://{self.address}", "--nthreads", "1", "--no-dashboard", *place, *options
        )
        self.workers.append(worker)
        return worker

    def _start(self, *words: str) -> subprocess.Popen[bytes]:
        with open(self._folder / f"{words[0]}.log", "ab") as log:
            return subprocess.Popen([sys.executable, "-m", "dask", *words], stdout=log, stderr=log)

    @property
    def log(self) -> str:
        return "".join(path.read_text() for path in self._folder.glob("*.log"))

    def end(self) -> None:
        for process in filter(None, [*self.workers, self.scheduler]):
            for pid in [process.pid, *below(process.pid)]:
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)
            process.wait()


def children(pid: int) -> list[int]:
    """The processes that *pid* has started."""
    found: list[int] = []
    with contextlib.suppress(OSError):
        for task in Path(f"/proc/{pid}/task").iterdir():
            found += map(int, (task / "children").read_text().split())
    return found


def below(pid: int) -> list[int]:
    """The processes that *pid* and those below it have started."""
    return [p for child in children(pid) for p in (child, *below(child))]


class Night:
    """One service on a cluster of two workers. What is dropped must be finished once, and no more."""

    def __init__(self, root: Root, cluster: Cluster, served: Served) -> None:
        self.root, self.cluster, self.served = root, cluster, served
        self.takes: dict[str, bytes] = {}

    def drop(self, name: str, data: bytes) -> None:
        self.takes[name] = drop(self.root, name, data)

    def is_over(self) -> bool:
        """Whether all takes are finished, and then each once: no second file, no second time."""
        if not all(is_finished(self.root, name, data) for name, data in self.takes.items()):
            return False
        stems = [name.removesuffix(".wav") for name in self.takes]
        made = [path.name for path in without_pages(files_below(self.root.outbox))]
        if any(name.endswith(".part") for name in made):
            return False  # a page is being written; nothing else may be, and it does not stay
        assert sorted(made) == sorted(
            s + e for s in stems for e in (".wav", ".mp3", RECEIPT_SUFFIX)
        )
        assert len(files_below(self.root.originals)) == len(stems)
        return until(lambda: not files_below(self.root.claims, self.root.scratch), 5) is not None

    def said(self, word: str, name: str) -> list[str]:
        """The lines of the log that say *word* of a take."""
        found = [line for line in self.served.log.splitlines() if f'"{name}"' in line]
        return [line for line in found if line.split()[2] == word]

    def at_work(self, name: str) -> int:
        """The Dask worker below which the take *name* is being worked on; 0 while there is none."""
        jobs = [claimed.job for claimed in claims(self.root) if claimed.path == name]
        for process in self.cluster.workers:
            under_nanny = "--no-nanny" not in process.args
            for worker in children(process.pid) if under_nanny else [process.pid]:
                if any(job in path for job in jobs for path in opened(below(worker))):
                    return worker
        return 0


def opened(pids: list[int]) -> list[str]:
    """The files that these processes have open."""
    found = []
    for pid in pids:
        with contextlib.suppress(OSError):
            found += [os.readlink(fd) for fd in Path(f"/proc/{pid}/fd").iterdir()]
    return found


@pytest.fixture(scope="module")
def long_voices() -> list[bytes]:
    """Takes in whose middle there is time to do something, each with bytes of its own."""
    sound, rate = soundfile.read(BELL)
    found = []
    for n in range(4):
        file = io.BytesIO()
        soundfile.write(file, np.tile(sound, 4) * (1 - n / 20), rate, format="WAV")
        found.append(file.getvalue())
    return found


@pytest.fixture(scope="module")
def voices(tmp_path_factory: pytest.TempPathFactory) -> list[bytes]:
    """Short honest takes, each with bytes of its own."""
    place = tmp_path_factory.mktemp("voices") / "a.wav"
    return [spoken(place, gain=1 - n / 20) for n in range(8)]


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Night]:
    """Shared by all tests, since everything in it is slow to start."""
    folder = tmp_path_factory.mktemp("night")
    (folder / "dask").mkdir()
    cluster, root = Cluster(folder / "dask"), new_root(folder / "root", hang_s=10)
    try:
        cluster.start_scheduler()
        cluster.start_worker()
        cluster.start_worker("--no-nanny")
        with Served(root, "--cluster", cluster.address) as served:
            yield Night(root, cluster, served)
    finally:
        cluster.end()


def test_takes_are_finished_by_the_cluster_and_placed_by_the_service(
    night: Night, voices: list[bytes], long_voices: list[bytes]
) -> None:
    """A sound take, a bad one, and one finished before: as by the service alone. Design: commands."""
    night.drop("one.wav", voices[0])
    night.drop("two.wav", long_voices[0])
    until(lambda: night.at_work("two.wav"))
    until(night.is_over)
    drop(night.root, "one.wav", voices[0])
    drop(night.root, "bad.wav", b"no sound")
    reason = until(lambda: reason_of(night.root, "bad.wav"))
    assert (reason.code, reason.attempts) == ("not-audio", 1)
    until(lambda: night.said("duplicate", "one.wav"))
    assert night.is_over()


def test_a_frozen_worker_that_thaws_too_late_changes_nothing(
    night: Night, long_voices: list[bytes]
) -> None:
    """Judged by its silence, its take made elsewhere; what it then says is of no attempt that counts.

    Requirement 17: SIGSTOP the owner past the lease, take over, SIGCONT: one output.
    """
    night.drop("late.wav", long_voices[1])
    frozen = until(lambda: night.at_work("late.wav"))
    os.kill(frozen, signal.SIGSTOP)
    try:
        until(night.is_over)
    finally:
        os.kill(frozen, signal.SIGCONT)
    [crash] = night.said("crashed", "late.wav")
    assert "silent" in crash
    idle = len(below(frozen))
    until(lambda: len(below(frozen)) <= idle)
    assert night.is_over()
    assert len(night.said("published", "late.wav")) == 1


def test_a_worker_killed_in_the_middle_costs_its_take_one_attempt(
    night: Night, voices: list[bytes], long_voices: list[bytes]
) -> None:
    """The take was begun there; it is finished once all the same. Requirements 15 and 17."""
    night.drop("killed.wav", long_voices[2])
    night.drop("beside.wav", voices[4])
    os.kill(until(lambda: night.at_work("killed.wav")), signal.SIGKILL)
    until(night.is_over)
    [crash] = night.said("crashed", "killed.wav")
    assert "gone" in crash and "attempts: 1" in crash
    assert not night.said("crashed", "beside.wav")


def test_a_scheduler_that_is_killed_and_comes_back_loses_nothing(
    night: Night, long_voices: list[bytes]
) -> None:
    """It knows of no take then: all are begun anew, and none is blamed. Requirement 17."""
    night.drop("restart.wav", long_voices[3])
    until(lambda: night.at_work("restart.wav"))
    night.cluster.end_scheduler()
    night.cluster.start_scheduler()
    night.cluster.start_worker("--no-nanny")  # Dask's workers end with their scheduler
    until(lambda: night.said("waiting", "restart.wav"))
    until(night.is_over)
    begun = night.said("began", "restart.wav")
    assert len(begun) > 1 and all("attempts: 1" in line for line in begun)
    assert not night.said("crashed", "restart.wav")


def test_a_worker_that_is_lost_is_held_against_a_take_that_was_begun_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And against none while the share does not tell; that is no end of the service either."""
    from fairtake.serving import cluster

    root = new_root(tmp_path / "root")
    drop(root, "lost.wav", b"no sound")
    claimed = claim(root, "lost.wav")
    assert claimed is not None
    scratch = scratch_apart(root, claimed)
    slot = cluster.Slot(claimed, Task(root.path, claimed.folder, True, scratch))

    def ending() -> str:
        return cluster._outcome_of(slot, cluster.Lost("It is gone.")).ending

    def stale(path: Path) -> None:
        raise OSError(errno.ESTALE, os.strerror(errno.ESTALE), str(path))

    assert ending() == "surroundings"
    assert mark_begun(scratch) and ending() == "crashed"
    monkeypatch.setattr(cluster, "standing", stale)
    assert ending() == "surroundings"


def test_without_a_scheduler_takes_wait_and_no_attempt_is_used(
    tmp_path: Path, voices: list[bytes]
) -> None:
    """It backs off and says why. Requirement 13: what is passing is no take's fault."""
    root = new_root(tmp_path / "root")
    drop(root, "waits.wav", voices[0])
    with Served(root, "--cluster", free_address()) as served:
        until(lambda: served.log.count(" waiting ") > 1)
    waits = [float(w) for w in re.findall(r"retry_in_s: ([0-9.]+)", served.log)]
    assert waits == sorted(waits) and waits[-1] > waits[0]
    assert "The Dask scheduler cannot be reached" in served.log
    assert " began " not in served.log
    assert (root.inbox / "waits.wav").read_bytes() == voices[0]


@pytest.mark.parametrize(
    ("address", "blocked", "named"),
    [("127.0.0.1:1", True, "fairtake[cluster]"), ("nowhere", False, "HOST:PORT")],
)
def test_what_cannot_be_used_is_said_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, address: str, blocked: bool, named: str
) -> None:
    """Without the extra, or with no address, there is nothing to wait for. Design: exit status."""
    root = new_root(tmp_path / "root")
    if blocked:
        monkeypatch.setitem(sys.modules, "distributed", None)
        for name in ("fairtake.serving.cluster", "fairtake.serving.afar"):
            monkeypatch.delitem(sys.modules, name, raising=False)
    ended = CliRunner().invoke(main, ["serve", str(root.path), "--cluster", address])
    assert (ended.exit_code, ended.stdout) == (2, "")
    assert named in ended.stderr and len(ended.stderr.splitlines()) == 1

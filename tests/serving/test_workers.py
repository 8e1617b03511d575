"""fairtake.serving.workers: real worker processes, and real deaths."""

from __future__ import annotations

import contextlib
import os
import signal
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from fairtake.folders import Claim, Root, begin, claim
from fairtake.serving.job import Outcome
from fairtake.serving.workers import Task, Worker, Workers
from roots import BELL, drop, is_finished, new_root, spoken, until

pytestmark = pytest.mark.skipif(os.name != "posix", reason="workers are ended by POSIX signals")


@pytest.fixture
def root(tmp_path: Path) -> Root:
    return new_root(tmp_path / "root")


@pytest.fixture
def workers() -> Iterator[Workers]:
    workers = Workers(2)
    yield workers
    workers.end_all()


@pytest.fixture
def hand(root: Root, workers: Workers) -> Callable[[str, bytes], tuple[Claim, Worker]]:
    """Drops a take, claims it and hands it to a worker."""

    def to_worker(name: str, data: bytes) -> tuple[Claim, Worker]:
        drop(root, name, data)
        claimed = claim(root, name)
        assert claimed is not None
        begin(claimed)
        return claimed, workers.hand(claimed, Task(root.path, claimed.folder, True))

    return to_worker


def in_group(group: int) -> list[int]:
    """The living processes of a process group; what only waits to be waited for is dead."""
    found = []
    for proc in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            state, _, its_group = (proc / "stat").read_text().rsplit(")", 1)[1].split()[:3]
            if int(its_group) == group and state not in "ZX":
                found.append(int(proc.name))
    return found


def outcome(workers: Workers, worker: Worker) -> Outcome:
    """What the worker's work ends with."""
    return until(lambda: list(workers.heard(worker)))[0]


def test_a_killed_worker_is_reported_and_its_neighbour_finishes(
    root: Root, workers: Workers, hand: Callable[[str, bytes], tuple[Claim, Worker]], tmp_path: Path
) -> None:
    """One death spoils one take. Requirement 15: the signal named, neighbours succeed."""
    good = spoken(tmp_path / "good.wav")
    _, doomed = hand("doomed.wav", BELL.read_bytes())
    _, neighbour = hand("good.wav", good)
    until(lambda: list(workers.heard(doomed)) or doomed.verb != "start")
    assert doomed.process.pid is not None
    os.kill(doomed.process.pid, signal.SIGKILL)
    died = outcome(workers, doomed)
    assert (died.ending, died.message) == ("crashed", "The worker was ended by SIGKILL.")
    assert workers.all == [neighbour]
    assert outcome(workers, neighbour).ending == "finished"
    assert is_finished(root, "good.wav", good)


def test_a_worker_stays_warm_and_does_the_next_take(
    root: Root, workers: Workers, hand: Callable[[str, bytes], tuple[Claim, Worker]], tmp_path: Path
) -> None:
    """Work that ends, well or badly, leaves the worker ready. Design: budgets, overhead a take."""
    _, worker = hand("bad.wav", b"no sound")
    ended = outcome(workers, worker)
    assert (ended.ending, ended.code) == ("quarantined", "not-audio")
    pid = worker.process.pid
    _, again = hand("good.wav", spoken(tmp_path / "good.wav"))
    assert again.process.pid == pid and workers.free == 1
    assert outcome(workers, again).ending == "finished"
    assert workers.busy == []


def test_a_worker_ends_with_all_it_started(
    workers: Workers, hand: Callable[[str, bytes], tuple[Claim, Worker]]
) -> None:
    """A worker leads its group, so that its encoder ends with it. Requirement 16: one group a job."""
    _, worker = hand("one.wav", BELL.read_bytes())
    until(lambda: list(workers.heard(worker)) or worker.verb != "start")
    pid = worker.process.pid
    assert pid is not None and os.getpgid(pid) == pid
    workers.drop(worker)
    until(lambda: not in_group(pid), 1)
    assert workers.all == []


def test_a_claim_that_is_gone_is_no_crash(root: Root, workers: Workers) -> None:
    """A take somebody took away meanwhile costs no worker. Requirement 12."""
    gone = Claim(root.claims / "gone", "gone.wav", "gone")
    worker = workers.hand(gone, Task(root.path, gone.folder, True))
    assert outcome(workers, worker).ending == "changed"
    assert worker.process.is_alive()


def test_a_ready_worker_that_dies_without_a_word_costs_an_attempt(
    workers: Workers, hand: Callable[[str, bytes], tuple[Claim, Worker]]
) -> None:
    """It could work, and has a take in hand: the take is counted against. Requirement 15."""
    _, worker = hand("bad.wav", b"no sound")
    assert outcome(workers, worker).ending == "quarantined"
    pid = worker.process.pid
    assert pid is not None
    os.kill(pid, signal.SIGSTOP)
    _, again = hand("poison.wav", b"poison")
    assert again is worker
    os.kill(pid, signal.SIGKILL)
    died = outcome(workers, worker)
    assert (died.ending, died.message) == ("crashed", "The worker was ended by SIGKILL.")


def test_a_worker_that_never_got_ready_blames_no_take(
    workers: Workers, hand: Callable[[str, bytes], tuple[Claim, Worker]]
) -> None:
    """A machine that cannot even start a worker must not send every take into quarantine."""
    _, worker = hand("good.wav", BELL.read_bytes())
    assert worker.process.pid is not None
    os.kill(worker.process.pid, signal.SIGKILL)
    assert outcome(workers, worker).ending == "surroundings"


def test_a_worker_that_died_idle_is_not_handed_a_take(
    workers: Workers, hand: Callable[[str, bytes], tuple[Claim, Worker]]
) -> None:
    """What happened before the take came is not its doing. Requirement 15."""
    _, worker = hand("bad.wav", b"no sound")
    assert outcome(workers, worker).ending == "quarantined"
    assert worker.process.pid is not None
    os.kill(worker.process.pid, signal.SIGKILL)
    worker.process.join()
    _, other = hand("worse.wav", b"nor here")
    assert other is not worker
    assert outcome(workers, other).ending == "quarantined"

"""Workers: processes of their own that do the work on takes, one take at a time each.

A worker leads a process group, so that whatever it started ends with it. It stays warm between
takes. It says what it does through a pipe; silence for too long, or its death, is noticed here.
The takes themselves are opened by processes that the workers confine, see `making.py`.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import time
from collections.abc import Iterator
from dataclasses import dataclass
from multiprocessing.connection import Connection

from fairtake.errors import FairtakeError, SettingsInvalid
from fairtake.folders import Claim, open_root, read_claim
from fairtake.lifeline import run_bound
from fairtake.serving.confined import ended
from fairtake.serving.crew import NEARLY_DONE, Task
from fairtake.serving.job import (
    Ending,
    Outcome,
    Progress,
    fault_of,
    make_apart,
    put_in_place,
    work,
)

#: A worker's first word. One that ends before it never saw a take, so that no take is to blame.
READY = "ready"


@dataclass
class Worker:
    """One process and what it is doing."""

    process: multiprocessing.process.BaseProcess
    pipe: Connection
    claimed: Claim | None = None
    verb: str = ""
    share: float = 0.0
    heard: float = 0.0
    is_ready: bool = False

    @property
    def publishing(self) -> bool:
        return self.claimed is not None and self.verb == "publish"

    def end(self) -> str:
        """End the worker and all it started; how it ended, in words."""
        pid = self.process.pid
        # Before it is waited for: until then a dead worker still lends its group the number.
        if pid is not None and hasattr(os, "killpg"):
            with contextlib.suppress(ProcessLookupError, PermissionError):
                os.killpg(pid, signal.SIGKILL)
        self.process.kill()
        self.process.join()
        self.pipe.close()
        return ended(self.process.exitcode or 0)


class Workers:
    """As many workers as asked for, started when there is work. As `crew.Crew` has it."""

    trouble = ""

    def __init__(self, most: int) -> None:
        self._context = multiprocessing.get_context("spawn")
        self._most = most
        self.all: list[Worker] = []

    @property
    def busy(self) -> list[Worker]:
        return [worker for worker in self.all if worker.claimed is not None]

    @property
    def free(self) -> int:
        return self._most - len(self.busy)

    @property
    def soon_free(self) -> int:
        return sum(worker.verb in NEARLY_DONE for worker in self.busy)

    def hand(self, claimed: Claim, task: Task) -> Worker:
        """Give a claimed take to a free worker."""
        self._bury()
        worker = next((w for w in self.all if w.claimed is None), None) or self._start()
        worker.claimed, worker.verb, worker.share = claimed, "start", 0.0
        worker.heard = time.monotonic()
        try:
            worker.pipe.send(task)
        except OSError:  # its death is noticed as that of any other, and is not the take's doing
            worker.is_ready = False
        return worker

    def heard(self, worker: Worker) -> Iterator[Outcome]:
        """Take in what a worker said; gives the outcome when the work has ended."""
        while worker.claimed is not None and worker.pipe.poll():
            try:
                said = worker.pipe.recv()
            except (EOFError, OSError):
                ending: Ending = "crashed" if worker.is_ready else "surroundings"
                message = self.drop(worker)
                worker.claimed = None
                yield Outcome(ending, message=message)
                return
            worker.heard = time.monotonic()
            if said == READY:
                worker.is_ready = True
            elif isinstance(said, Outcome):
                if said.ending == "crashed":  # whatever is left of its work goes with the worker
                    self.drop(worker)
                worker.claimed = None  # first: whoever hears of it may fail
                yield said
            else:
                worker.verb, worker.share = said

    def drop(self, worker: Worker) -> str:
        """End a worker for good, and say how it ended; another takes its place when there is work."""
        self.all.remove(worker)
        return worker.end()

    def end_idle(self) -> None:
        """End the workers that have nothing to do, to give their memory back."""
        for worker in [w for w in self.all if w.claimed is None]:
            self.drop(worker)

    def end_all(self) -> None:
        for worker in list(self.all):
            self.drop(worker)

    def _bury(self) -> None:
        """Let go of workers that died while they had nothing to do."""
        for worker in [w for w in self.all if w.claimed is None and not w.process.is_alive()]:
            self.drop(worker)

    def _start(self) -> Worker:
        ours, theirs = self._context.Pipe()
        life = f"{__name__}:{serve_pipe.__name__}"
        process = self._context.Process(
            target=run_bound, args=(os.getpid(), life, theirs), daemon=True
        )
        process.start()
        theirs.close()
        worker = Worker(process, ours)
        self.all.append(worker)
        return worker


def serve_pipe(pipe: Connection) -> None:
    """The life of a worker: do one task after another until the pipe closes."""
    _own_group()
    pipe.send(READY)
    while True:
        try:
            task: Task = pipe.recv()
        except (EOFError, OSError):
            return
        pipe.send(_done(task, pipe))


def _done(task: Task, pipe: Connection) -> Outcome:
    """Do what was handed over, unless the surroundings do not let it begin."""
    try:
        root = open_root(task.root)
    except FairtakeError as e:  # the settings were changed for the worse while we serve
        return Outcome("surroundings", code=e.code, message=f"{e.message} {e.advice}")
    except (OSError, RecursionError) as e:
        return _not_begun(e)
    try:
        claimed = read_claim(task.claim_folder)
    except OSError as e:
        return _not_begun(e)
    if claimed is None:
        return Outcome("changed", message="The claim is gone.")
    pipe.send(("start", 0.0))
    progress = _progress_through(pipe)
    if task.made is not None:
        return put_in_place(root, claimed, task.made, progress)
    if task.scratch is not None:
        return make_apart(root, claimed, task.grace_over, task.scratch, progress)
    return work(root, claimed, task.grace_over, progress)


def _not_begun(error: OSError | RecursionError) -> Outcome:
    fault = fault_of(error) if isinstance(error, OSError) else SettingsInvalid(str(error))
    return Outcome("surroundings", code=fault.code, message=fault.message)


def _progress_through(pipe: Connection) -> Progress:
    """Says how far work is, not oftener than anybody can read."""
    last = 0.0

    def progress(verb: str, share: float) -> None:
        nonlocal last
        now = time.monotonic()
        if share in (0.0, 1.0) or now - last > 0.2:
            last = now
            pipe.send((verb, share))

    return progress


def _own_group() -> None:
    """Lead a process group, and leave signals to the service."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if os.name != "posix":
        return
    os.setpgid(0, 0)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)

"""What a Dask worker does for the service: one take's files, made in the scratch of the attempt.

It is done by a process of the Dask worker's own, the same as works for a service on its own machine
(`workers.py`), so that a take breaks that process, and not the Dask worker.
"""

from __future__ import annotations

import multiprocessing
import os
import socket
import threading
import time
from multiprocessing.connection import wait
from pathlib import Path
from typing import Any

from distributed import get_worker

from fairtake.folders import Claim, drop_scratch, mark_begun, mark_of
from fairtake.folders.durable import standing
from fairtake.serving.crew import Task
from fairtake.serving.job import Outcome
from fairtake.serving.workers import Workers
from fairtake.versions import fairtake_version

#: The Dask scheduler passes on under this what is said of the work.
TOPIC = "fairtake"
#: So often is looked whether the service gave the attempt up, and told how far the work is.
EVERY_S = 1.0
#: A process that is being loaded has nothing to say, and is not thought to hang for so long.
LOADING_S = 120.0

#: A Dask worker with several threads has a process for each, which is warm for its next take.
_mine = threading.local()


def make_afar(task: Task, version: str) -> Outcome:
    """Make the files of a take, for a service of that *version*. Begun once only for each attempt.

    Dask does anew what a worker that died had in hand; the service wants to know of it instead.
    """
    host, scratch = socket.gethostname(), task.scratch
    assert scratch is not None
    if version != fairtake_version():
        said = f"The Dask worker on {host} has fairtake {fairtake_version()}, not {version}."
        return Outcome("surroundings", message=said)
    try:
        begun = mark_begun(scratch)
    except OSError as e:
        said = f"The Dask worker on {host} cannot use {scratch} ({e.strerror})."
        return Outcome("surroundings", message=said)
    if not begun:
        return Outcome("crashed", message="The Dask worker that had it is gone.")
    _tell(task, "start", 0.0)
    try:
        return _made(task)
    finally:
        _tell(task, "end", 1.0)  # this Dask worker is free, whatever was thought of it


def _made(task: Task) -> Outcome:
    assert task.scratch is not None
    workers = _workers()
    worker = workers.hand(Claim(task.claim_folder, "", ""), task)
    told, looked = worker.heard, time.monotonic()
    loaded_by = looked + LOADING_S
    try:
        while True:
            wait([worker.pipe], EVERY_S)
            for outcome in workers.heard(worker):
                return outcome
            if time.monotonic() - looked < EVERY_S:
                continue
            looked = time.monotonic()
            # Only when it spoke: else its silence is what there is to hear.
            if worker.heard > told or (not worker.is_ready and looked < loaded_by):
                told = worker.heard
                _tell(task, worker.verb, worker.share)
            if _is_given_up(task.scratch):
                break
    finally:
        if worker.claimed is not None:
            workers.drop(worker)
    drop_scratch(task.scratch)  # it wrote while the service removed
    return Outcome("surroundings", message="The service gave the attempt up.")


def _is_given_up(scratch: Path) -> bool:
    try:
        return standing(mark_of(scratch)) is None
    except OSError:  # the share does not tell now, and is asked again
        return False


def _workers() -> Workers:
    if not hasattr(_mine, "workers"):
        # A Dask worker under a nanny may otherwise start no processes. Ours end with it all the same.
        multiprocessing.current_process().daemon = False
        os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
        _mine.workers = Workers(1)
    workers: Workers = _mine.workers
    return workers


def _tell(task: Task, verb: str, share: float) -> None:
    assert task.scratch is not None
    worker = get_worker()
    said: dict[str, Any] = {"attempt": task.scratch.name, "by": worker.address}
    worker.log_event(TOPIC, {**said, "verb": verb, "share": share})

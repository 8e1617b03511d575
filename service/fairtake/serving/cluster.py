"""Takes handed to the workers of a Dask scheduler, in the same shape as to our own (`crew.py`).

Only the making of a take's files is done there (`afar.py`), each attempt in a scratch of its own.
Claims, attempts and decisions stay with the service, and what was made is put in place by its own
workers: whatever a Dask worker does too late, or twice, is neither asked for nor looked at.

Dask is spoken to on a thread of its own, so that a scheduler that hangs holds up nobody else.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection
from queue import Empty, SimpleQueue
from typing import Any

from distributed import Client, Future, KilledWorker
from distributed.comm.addressing import get_address_host_port, normalize_address

from fairtake.errors import ClusterGone, ClusterUnusable
from fairtake.folders import Claim, Root, drop_scratch, mark_of, scratch_apart
from fairtake.folders.durable import standing
from fairtake.serving.afar import TOPIC, make_afar
from fairtake.serving.crew import NEARLY_DONE, Task
from fairtake.serving.job import Outcome, fault_of
from fairtake.serving.waker import Waker
from fairtake.serving.workers import Worker, Workers
from fairtake.versions import fairtake_version

#: The scheduler is asked so often who works for it.
ASK_EVERY_S = 1.0
#: One that gives no answer for so long is gone.
SILENT_S = 20.0
#: So long may it take to reach it, and so long is waited before that is tried again.
CONNECT_S, AGAIN_S = 5.0, 1.0


@dataclass(frozen=True)
class Lost:
    """The Dask worker that had an attempt is gone, or Dask did not let it run."""

    message: str


@dataclass(frozen=True)
class Said:
    """How far the work is."""

    verb: str
    share: float


class Slot:
    """One attempt at a take: its files are made afar, then put in place here."""

    def __init__(self, claimed: Claim, task: Task) -> None:
        self.claimed: Claim | None = claimed
        self.task = task
        self.local: Worker | None = None
        self.by = ""  # the Dask worker that began it
        self.future: Future | None = None
        self._news: SimpleQueue[Said | Lost | Outcome] = SimpleQueue()
        self._waker = Waker()
        self._said, self._heard = Said("start", 0.0), time.monotonic()

    @property
    def is_away(self) -> bool:
        return self.task.made is None and self.task.scratch is not None

    @property
    def pipe(self) -> Connection[Any, Any]:
        return self.local.pipe if self.local else self._waker.pipe

    @property
    def verb(self) -> str:
        return self.local.verb if self.local else self._said.verb

    @property
    def share(self) -> float:
        return self.local.share if self.local else self._said.share

    @property
    def heard(self) -> float:
        """While it waits its turn, at a Dask worker or here, it owes no word."""
        if self.local:
            return self.local.heard
        return self._heard if self.is_away and self.by else time.monotonic()

    @property
    def publishing(self) -> bool:
        return not self.is_away

    def tell(self, news: Said | Lost | Outcome) -> None:
        """From any thread."""
        self._news.put(news)
        self._waker.wake()

    def news(self) -> Iterator[Lost | Outcome]:
        """How it ended, if it did; how far it is, is noted."""
        self._waker.sleep()
        with contextlib.suppress(Empty):
            while True:
                news = self._news.get_nowait()
                if isinstance(news, Said):
                    self._said, self._heard = news, time.monotonic()
                else:
                    yield news


class Cluster:
    """As many takes at a time as the workers of a Dask scheduler have threads.

    Raises `ClusterUnusable` where *address* is none.
    """

    def __init__(self, root: Root, address: str) -> None:
        try:
            get_address_host_port(normalize_address(address))
        except ValueError as e:
            raise ClusterUnusable(f"'{address}': {e}.") from None
        _hush()
        self.all: list[Slot] = []
        self._root = root
        self._here = Workers(os.cpu_count() or 1)
        self._to_place: list[Slot] = []
        self._session = _Session(address)

    @property
    def trouble(self) -> str:
        return self._session.trouble

    @property
    def busy(self) -> list[Slot]:
        return list(self.all)

    @property
    def free(self) -> int:
        """Fewer while more is made than can be put in place."""
        away = sum(slot.is_away for slot in self.all)
        return max(self._session.threads - away - len(self._to_place), 0)

    @property
    def soon_free(self) -> int:
        """Whoever puts files in place here keeps no Dask worker busy."""
        return sum(slot.is_away and slot.verb in NEARLY_DONE for slot in self.all)

    def hand(self, claimed: Claim, task: Task) -> Slot:
        """Let the files of a take be made; where that is decided already, only put them in place."""
        scratch = None if claimed.is_decided else scratch_apart(self._root, claimed)
        slot = Slot(claimed, replace(task, scratch=scratch))
        self.all.append(slot)
        if scratch is None:
            self._to_place.append(slot)
            self._place()
        else:
            self._session.begin(slot)
        return slot

    def heard(self, slot: Slot) -> Iterator[Outcome]:
        """Take in what was said of an attempt; gives the outcome when the work has ended."""
        if slot.local:
            for outcome in self._here.heard(slot.local):
                self._forget(slot)
                yield outcome
            self._place()
            return
        for news in slot.news():
            outcome = _outcome_of(slot, news)
            if outcome.made is not None:
                slot.task = replace(slot.task, scratch=None, made=outcome.made)
                self._to_place.append(slot)
                self._place()
            else:
                self.drop(slot)
                yield outcome
            return

    def drop(self, slot: Slot) -> str:
        """Give an attempt up. What it still does is not asked for, and its scratch goes."""
        self._forget(slot)
        if slot.local:
            return self._here.drop(slot.local)
        if slot.task.scratch is not None:
            self._session.give_up(slot)
            drop_scratch(slot.task.scratch)
        return "It was given up."

    def end_idle(self) -> None:
        self._here.end_idle()

    def end_all(self) -> None:
        for slot in self.busy:
            self.drop(slot)
        self._session.end()
        self._here.end_all()

    def _place(self) -> None:
        """Let what was made be put in place, as many at a time as there are processors."""
        while self._to_place and self._here.free:
            slot = self._to_place.pop(0)
            assert slot.claimed is not None
            try:
                slot.local = self._here.hand(slot.claimed, slot.task)
            except OSError as e:  # no process could be started
                slot.tell(Outcome("surroundings", message=fault_of(e).message))

    def _forget(self, slot: Slot) -> None:
        self.all.remove(slot)
        slot.claimed = None
        if slot in self._to_place:
            self._to_place.remove(slot)


def _outcome_of(slot: Slot, news: Lost | Outcome) -> Outcome:
    """A worker that went is held against a take only where the take was begun."""
    if isinstance(news, Outcome):
        # The fault may be that machine's, whatever take it gets: nothing is held against this one.
        return replace(news, code="") if news.ending == "surroundings" else news
    assert slot.task.scratch is not None
    try:
        begun = standing(mark_of(slot.task.scratch)) is not None
    except OSError as e:  # the share does not tell: nothing is held against the take
        return Outcome("surroundings", message=f"{news.message} {fault_of(e).message}")
    return Outcome("crashed" if begun else "surroundings", message=news.message)


def _hush() -> None:
    """What is to be said of Dask, the service says in its own log."""
    for name in [*logging.root.manager.loggerDict, "asyncio"]:
        if name.split(".")[0] in ("distributed", "tornado", "asyncio"):
            logging.getLogger(name).setLevel(logging.CRITICAL)


class _Session:
    """The thread that speaks to the scheduler. Whatever the loop calls here returns at once."""

    def __init__(self, address: str) -> None:
        self.trouble, self.threads = "", 0
        self._address = address
        self._loop = asyncio.new_event_loop()
        self._away: dict[str, Slot] = {}
        self._there: dict[str, int] = {}
        self._shunned: set[str] = (
            set()
        )  # an attempt was given up on them, and they are silent since
        self._client: Client | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._thread = threading.Thread(target=self._run, name="cluster", daemon=True)
        self._thread.start()

    # --- asked by the service's loop ---------------------------------------------------------------

    def begin(self, slot: Slot) -> None:
        self._loop.call_soon_threadsafe(self._begin, slot)

    def give_up(self, slot: Slot) -> None:
        self._loop.call_soon_threadsafe(self._give_up, slot)

    def end(self) -> None:
        """End the thread; one that hangs is left to itself."""
        self._loop.call_soon_threadsafe(lambda: self._main.cancel())
        self._thread.join(CONNECT_S)

    # --- on the thread -----------------------------------------------------------------------------

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        self._main = self._loop.create_task(self._live())
        with contextlib.suppress(asyncio.CancelledError):
            self._loop.run_until_complete(self._main)

    async def _live(self) -> None:
        while True:
            try:
                await self._serve()
            except Exception as e:  # whatever it is, the scheduler is not there for us
                detail = " ".join(str(e).split())[:200] or type(e).__name__
                self._out_of_reach(f"{self._address}: {detail}.")
            for slot in list(self._away.values()):
                slot.tell(Outcome("surroundings", code=ClusterGone.code, message=self.trouble))
            self._away.clear()
            await asyncio.sleep(AGAIN_S)

    async def _serve(self) -> None:
        """Be connected until the scheduler is gone, which raises."""
        client = Client(self._address, asynchronous=True, timeout=CONNECT_S, set_as_default=False)
        try:
            await asyncio.wait_for(client, 2 * CONNECT_S)
            client.subscribe_topic(TOPIC, self._said)
            self._client = client
            line = client.scheduler_comm
            while True:
                threads = await asyncio.wait_for(client.scheduler.ncores(), SILENT_S)
                if client.status != "running" or client.scheduler_comm is not line:
                    raise ConnectionError("the connection was lost")  # it knows of no task any more
                self._count(threads)
                for slot in list(self._away.values()):
                    if slot.by and slot.by not in threads:
                        self._forget(slot)
                        slot.tell(Lost(f"The Dask worker {slot.by} is gone."))
                await asyncio.sleep(ASK_EVERY_S)
        finally:
            self._client = None
            for task in self._tasks:
                task.cancel()
            with contextlib.suppress(Exception):
                await asyncio.wait_for(client.close(), CONNECT_S)

    def _count(self, threads: dict[str, int]) -> None:
        self._shunned &= set(threads)
        self._there = {by: n for by, n in threads.items() if by not in self._shunned}
        self.threads = sum(self._there.values())
        none = ClusterGone(f"{self._address} has no workers that answer.").message
        self.trouble = "" if self._there else none

    def _out_of_reach(self, detail: str) -> str:
        self.threads, self.trouble = 0, ClusterGone(detail).message
        return self.trouble

    def _begin(self, slot: Slot) -> None:
        if self._client is None:
            slot.tell(Outcome("surroundings", code=ClusterGone.code, message=self.trouble))
            return
        assert slot.task.scratch is not None
        self._away[slot.task.scratch.name] = slot
        task = self._loop.create_task(self._see_through(self._client, slot))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _see_through(self, client: Client, slot: Slot) -> None:
        assert slot.task.scratch is not None
        attempt = slot.task.scratch.name
        only = list(self._there) if self._shunned else None
        news: Lost | Outcome
        try:
            slot.future = client.submit(
                make_afar, slot.task, fairtake_version(), key=f"fairtake-{attempt}", pure=False,
                retries=0, workers=only, allow_other_workers=only is not None,
            )  # fmt: skip
            news = await slot.future
        except KilledWorker:
            news = Lost("The Dask worker that had it is gone.")
        except Exception as e:  # as where a worker has no fairtake
            said = f"Dask: {type(e).__name__}: {e}"
            if client.status != "running":
                said = self._out_of_reach(f"{self._address}: the connection was lost.")
            news = Outcome("surroundings", message=said)
        if self._away.pop(attempt, None) is slot:
            slot.tell(news)

    def _give_up(self, slot: Slot) -> None:
        if self._forget(slot) and slot.by:
            self._shunned.add(slot.by)
            self._there.pop(slot.by, None)

    def _forget(self, slot: Slot) -> bool:
        """Ask for it no more; whether it was asked for until now."""
        assert slot.task.scratch is not None
        was = self._away.pop(slot.task.scratch.name, None) is not None
        if was and slot.future is not None:
            slot.future.release()
        return was

    def _said(self, event: Any) -> None:
        _, said = event
        self._shunned.discard(said["by"])
        slot = self._away.get(said["attempt"])
        if slot is not None:
            slot.by = said["by"]
            slot.tell(Said(said["verb"], said["share"]))

"""How the service stands, and all who are told of it: manager, heartbeat, pages, notices, figures."""

from __future__ import annotations

import contextlib
import time
from dataclasses import dataclass
from typing import NamedTuple

from fairtake.folders import Root
from fairtake.serving.heartbeat import EVERY_S, beat
from fairtake.serving.job import Outcome
from fairtake.serving.metrics import Metrics
from fairtake.serving.notices import Notices
from fairtake.serving.notify import Manager
from fairtake.serving.pages import Pages


class InWork(NamedTuple):
    """A take that a worker has, what is done to it, and how far that is, 0 to 1."""

    job: str
    take: str
    verb: str
    share: float


@dataclass(frozen=True)
class Standing:
    """How things stand. Counts are since the service began.

    ``waiting`` names the takes nobody works on, and what each waits for; those that are ``claimed``
    are among them. ``ledger`` is what is in the way of the ledger, ``writers`` of seeing who writes a take.
    """

    in_work: list[InWork]
    waiting: dict[str, str]
    claimed: int
    finished: int
    quarantined: int
    trouble: str
    ledger: str = ""
    writers: str = ""


class Listeners:
    """All who are told. What is in the way of one of them is told by the others, and holds up nothing."""

    def __init__(self, root: Root) -> None:
        self._heartbeat, self._since, self._beaten = root.heartbeat, time.time(), -1e9
        self._manager, self._pages = Manager(), Pages(root)
        self._notices, self._metrics = Notices(root), Metrics(root)

    def start(self) -> None:
        """The service begins; its drives may not be there yet, which is waited for, and service too."""
        self._notices.start()
        self._metrics.start()
        self._manager.ready()

    def start_pages(self) -> None:
        """The outbox is there."""
        self._pages.start()

    def ended(self, take: str, outcome: Outcome) -> None:
        """The work on a take came to an end."""
        self._notices.ended(take, outcome)
        self._metrics.ended(outcome)
        if outcome.ending == "finished":
            self._pages.published(outcome.place, outcome.sketch)

    def alive(self) -> None:
        """The loop runs. Often said; the manager hears of it as often as it asks to."""
        self._manager.alive()

    @property
    def due_s(self) -> float:
        """When somebody has to be told something again."""
        return min(EVERY_S, self._manager.due_s())

    @property
    def are_due(self) -> bool:
        """Whether it is time to say how things stand."""
        return time.monotonic() - self._beaten >= EVERY_S

    def told(self, how: Standing, stopped: bool = False) -> None:
        """How things stand; *stopped* makes it the last word."""
        self._beaten = time.monotonic()
        self._pages.told(how.waiting, [doing[1:] for doing in how.in_work], how.trouble)
        self._notices.told(bool(how.in_work or how.claimed), len(how.waiting))
        self._metrics.told(len(how.in_work), how.waiting, bool(how.trouble))
        doing = [{**d._asdict(), "share": round(d.share, 3)} for d in how.in_work]
        with contextlib.suppress(OSError):  # nothing to be done about it here; its age will tell
            beat(
                self._heartbeat, self._since, doing, how.waiting, how.trouble, ledger=how.ledger, writers=how.writers,
                notices=self._notices.trouble, metrics=self._metrics.trouble, stopped=stopped,
            )  # fmt: skip
        counts = f"{len(doing)} in work, {len(how.waiting)} waiting, {how.finished} finished"
        self._manager.status(how.trouble or counts)

    def stopping(self) -> None:
        """The service is about to end."""
        self._manager.stopping()

    def end(self, patiently: bool) -> None:
        """Say what is still to be said, and end."""
        self._pages.end()
        self._metrics.end()
        self._notices.end(patiently)

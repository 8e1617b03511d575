"""What the service's loop asks of those who work on takes, wherever they do."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Protocol, TypeVar

from fairtake.folders import Claim
from fairtake.serving.job import Condemned, Made, Outcome

#: Who is at one of these is nearly done: the next take is claimed, so that no worker waits for that.
NEARLY_DONE = ("encode", "prove", "publish")


@dataclass(frozen=True)
class Task:
    """What a worker is handed. Read anew from disk, so that it sees what is written there.

    With ``scratch`` the files are made there and nothing else is done; with ``made`` what was made
    so is put in place.
    """

    root: Path
    claim_folder: Path
    grace_over: bool
    scratch: Path | None = None
    made: Made | Condemned | None = None


class Hand(Protocol):
    """Who works on one take. Its ``pipe`` can be read when there is something to hear."""

    claimed: Claim | None

    @property
    def pipe(self) -> Connection[Any, Any]: ...
    @property
    def verb(self) -> str: ...
    @property
    def share(self) -> float: ...
    @property
    def heard(self) -> float:
        """When it last said something, on the monotonic clock."""

    @property
    def publishing(self) -> bool: ...


H = TypeVar("H")


class Crew(Protocol[H]):
    """All of them."""

    @property
    def trouble(self) -> str:
        """Why no take can be handed out, through no fault of any take; '' when nothing is."""

    @property
    def busy(self) -> Sequence[H]: ...
    @property
    def free(self) -> int:
        """How many takes more can be handed out now."""

    @property
    def soon_free(self) -> int:
        """How many of the busy ones are nearly done, so that a take may be claimed for them."""

    def hand(self, claimed: Claim, task: Task) -> H:
        """Give a claimed take to one that is free. Raises ``OSError``, and then nothing was begun."""

    def heard(self, worker: H) -> Iterator[Outcome]:
        """Take in what one said; gives the outcome when the work has ended."""

    def drop(self, worker: H) -> str:
        """Give up on one and its work, and say how it ended."""

    def end_idle(self) -> None:
        """Give back what those hold who have nothing to do."""

    def end_all(self) -> None: ...

"""Whose a fault of drive or machine is, one take's or everybody's: told by trying another take.

No number of the system's tells it, for a refusal may be one folder's or the whole drive's. So a take that
met a fault waits by itself, longer each time, and others are tried. Where one of them is finished, the fault
was the first one's alone. Where a second one meets a fault before any is finished, it is everybody's, and all
wait (`pause.py`); after that wait, too, those go first that have not met it.
"""

from __future__ import annotations

from collections import Counter

from fairtake.folders import Claim
from fairtake.serving.log import event
from fairtake.serving.pause import Pause
from fairtake.serving.waits import Waits

#: A take that met a fault so often once more, each time after another was finished, is what is wrong.
TIMES_ALONE = 2
#: So many takes may wait for room, which is known to be their own affair; then it is everybody's.
MOST_WITHOUT_ROOM = 100
#: After a pause, takes that met no fault have so long to be claimed before those that did are tried.
OTHERS_FIRST_S = 1.0


class Trials:
    """The claimed takes that met a fault, by their jobs."""

    def __init__(self, pause: Pause, first_s: float, most_s: float) -> None:
        self._pause, self._waits = pause, Waits(first_s, most_s)
        self._paths: dict[str, str] = {}
        self._suspects: set[str] = set()  # none was finished since they met it
        self._outdone: set[str] = set()  # another was finished since they met it
        self._alone: Counter[str] = Counter()

    def failed(self, claimed: Claim, why: str, too_large: bool = False) -> None:
        """A take met a fault, or found itself *too_large* where a smaller one may fit."""
        job = claimed.job
        if job in self._outdone:
            self._outdone.discard(job)
            self._alone[job] += 1
        seconds = self._waits.begin(job, why)
        self._paths[job] = claimed.path
        known = too_large and len(self._waits.why) <= MOST_WITHOUT_ROOM
        if not self._alone[job] and not known:
            self._suspects.add(job)
        if job in self._suspects and len(self._suspects) > 1:
            self._pause.begin(why, claimed.path)
        else:
            event("waiting", claimed.path, why=why, retry_in_s=round(seconds, 1))

    def finished(self, claimed: Claim) -> None:
        """A take was finished: what keeps the others from it is their own, or over, which they may show now."""
        self.forget(claimed)
        for job in self._suspects:
            self._waits.cut_short(job)
        self._suspects.clear()
        self._outdone.update(self._waits.why)

    def forget(self, claimed: Claim) -> None:
        """A take is done with, or back in the inbox."""
        job = claimed.job
        self._waits.end(job)
        self._paths.pop(job, None)
        self._suspects.discard(job)
        self._outdone.discard(job)
        del self._alone[job]

    # --- asked -------------------------------------------------------------------------------------

    def next(self, pending: list[Claim]) -> list[Claim]:
        """Those of *pending* that may be tried now, in the order in which they should be."""
        fresh = [c for c in pending if c.job not in self._waits]
        again = [c for c in pending if c.job in self._waits and not self._left_s(c)]
        return fresh + again if self._suspects else again + fresh

    def due_s(self, pending: list[Claim]) -> float | None:
        """Seconds until one more of *pending* may be tried."""
        return min((left_s for c in pending if (left_s := self._left_s(c))), default=None)

    def tries(self, claimed: Claim) -> int:
        """How often a take met a fault."""
        return self._waits.tries(claimed.job)

    def why(self, claimed: Claim) -> str:
        """What a take met, '' for nothing."""
        return self._waits.why.get(claimed.job, "")

    @property
    def held_up(self) -> dict[str, str]:
        """What each take met, by its path; also while it is tried once more."""
        return {self._paths[job]: why for job, why in self._waits.why.items()}

    def fails_alone(self, claimed: Claim) -> bool:
        """Whether a take that just met one more fault met enough of them while others were finished."""
        return self._alone[claimed.job] + (claimed.job in self._outdone) >= TIMES_ALONE

    def _left_s(self, claimed: Claim) -> float:
        left_s = self._waits.left_s(claimed.job)
        if claimed.job not in self._suspects:
            return left_s
        return max(left_s, OTHERS_FIRST_S - self._pause.over_s)

"""Waits of single takes: each met a fault, and is tried again by itself after a wait that doubles."""

from __future__ import annotations

import time
from dataclasses import dataclass

#: Doubled so often, any wait is past the longest; without an end the number would grow too large.
_MOST_DOUBLINGS = 30


def wait_s(first_s: float, most_s: float, tries: int) -> float:
    """How long to wait after *tries* tries that failed before this one."""
    return min(first_s * 2.0 ** min(tries, _MOST_DOUBLINGS), most_s)


@dataclass
class _Wait:
    why: str
    tries: int = 0
    until: float = 0.0


class Waits:
    """Who waits, by a word of the caller's for each take: its path, or its job."""

    def __init__(self, first_s: float, most_s: float) -> None:
        self._first_s, self._most_s = first_s, most_s
        self._waits: dict[str, _Wait] = {}

    def __contains__(self, take: str) -> bool:
        return take in self._waits

    @property
    def why(self) -> dict[str, str]:
        """What each of them met."""
        return {take: wait.why for take, wait in self._waits.items()}

    def begin(self, take: str, why: str) -> float:
        """It met a fault, once more perhaps; seconds until it is to be tried again."""
        wait = self._waits.setdefault(take, _Wait(why))
        seconds = wait_s(self._first_s, self._most_s, wait.tries)
        wait.why, wait.tries, wait.until = why, wait.tries + 1, time.monotonic() + seconds
        return seconds

    def left_s(self, take: str) -> float:
        """Seconds until it may be tried; 0 for one that does not wait."""
        wait = self._waits.get(take)
        return max(wait.until - time.monotonic(), 0.0) if wait else 0.0

    def due_s(self) -> float | None:
        """Seconds until the next of them may be tried; None where all may be now."""
        return min((left_s for take in self._waits if (left_s := self.left_s(take))), default=None)

    def tries(self, take: str) -> int:
        """How often it met a fault."""
        return self._waits[take].tries if take in self._waits else 0

    def cut_short(self, take: str) -> None:
        """Let it be tried now; the next wait is as long as it would have been."""
        self._waits[take].until = time.monotonic()

    def end(self, take: str) -> None:
        """It went through, or is nowhere any more."""
        self._waits.pop(take, None)

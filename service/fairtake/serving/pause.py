"""The pause after a fault of the surroundings, in which everything stays where it is.

The wait doubles with each try that meets a fault, up to the longest. It is short again only once a
take went through, or when nothing was in the way for the length of the longest wait: a fault that
comes back at once is no new fault.
"""

from __future__ import annotations

import time

from fairtake.serving.log import event
from fairtake.serving.waits import wait_s

#: Nothing is said to be over before the takes that wait were tried for so long.
QUIET_S = 5.0


class Pause:
    """``trouble`` says what is in the way, '' when nothing is; ``tries`` how often it was met."""

    def __init__(self, first_s: float, most_s: float) -> None:
        self.trouble, self.tries = "", 0
        self._first_s, self._most_s = first_s, most_s
        self._until = float("-inf")
        self._lifts = 0
        self._said: set[tuple[str, str]] = set()

    @property
    def left_s(self) -> float:
        """Seconds until work is tried again, 0 when it may be now."""
        return max(self._until - time.monotonic(), 0.0)

    @property
    def over_s(self) -> float:
        """Seconds since its end; without end where there was none."""
        return time.monotonic() - self._until

    @property
    def lasts(self) -> bool:
        return self.left_s > 0

    def begin(self, trouble: str, path: str = "") -> None:
        """Something was met. What else meets it before the next try does not lengthen the wait."""
        now = time.monotonic()
        if now >= self._until:
            if now > self._until + self._most_s:
                self._forget()
            self._until = now + wait_s(self._first_s, self._most_s, self.tries)
            self.tries += 1
            self._said.clear()
        self.trouble = trouble
        if (trouble, path) not in self._said:  # once a try
            self._said.add((trouble, path))
            event("waiting", path, why=trouble, retry_in_s=round(self.left_s, 1))

    def lift(self) -> None:
        """What was in the way is there again: go on.

        The first time at once; when that proved wrong, after a wait that grows as any other.
        """
        if not self.trouble:
            return
        wait = wait_s(self._first_s, self._most_s, self._lifts - 1) if self._lifts else 0.0
        self._until = min(self._until, time.monotonic() + wait)
        self._lifts += 1
        self.tries = self._lifts  # waits that only asked whether it is there do not count
        if not wait:
            self._resume()

    def settle(self) -> None:
        """No take is left that met the fault: it is over, unless it was met again lately."""
        if time.monotonic() >= self._until + QUIET_S:
            self._resume()

    def went_through(self) -> None:
        """A take was finished: nothing is in the way, and the next fault is a new one."""
        self._resume()
        self._forget()

    def _resume(self) -> None:
        if self.trouble:
            event("resumed")
        self.trouble = ""

    def _forget(self) -> None:
        self.tries = self._lifts = 0

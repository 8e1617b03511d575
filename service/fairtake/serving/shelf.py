"""The shelf: takes that are to go into quarantine while quarantine itself cannot be written.

Nothing is left to be worked on in them. They lie in their claims, tried again now and then, and
hold up no take that has somewhere to go.
"""

from __future__ import annotations

import time

from fairtake.folders import Claim
from fairtake.serving.waits import wait_s


class Shelf:
    """``tries`` counts how often in a row putting something into quarantine failed."""

    def __init__(self, first_s: float, most_s: float) -> None:
        self.claims: list[Claim] = []
        self.trouble, self.tries = "", 0
        self._first_s, self._most_s = first_s, most_s
        self._due = 0.0

    def put(self, claimed: Claim, trouble: str) -> float:
        """Put a take aside because of *trouble*; seconds until it is tried again."""
        now = time.monotonic()
        if now >= self._due:  # others that were tried together with it do not lengthen the wait
            self._due = now + wait_s(self._first_s, self._most_s, self.tries)
            self.tries += 1
        self.claims.append(claimed)
        self.trouble = trouble
        return self._due - now

    def take_down(self) -> list[Claim]:
        """One take to be tried, when it is time; all of them once that went well."""
        if not self.claims or time.monotonic() < self._due:
            return []
        if self.trouble:
            return [self.claims.pop(0)]
        found, self.claims = self.claims, []
        return found

    def quarantined(self) -> None:
        """Something was put into quarantine: the way is free."""
        self.trouble, self.tries, self._due = "", 0, 0.0

"""How far a take is as a whole, and how long it will still take.

Those who work say a verb and how much of it is done. Here the verbs lie behind one another on one way
from 0 to 1, each as long as it usually lasts, so that a bar over the whole moves evenly. Encoding and
planning say nothing while they last: there the bar goes on at the pace so far.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping

Parts = Mapping[str, tuple[float, float]]

#: Where each part of finishing begins and ends, from takes of ten minutes. The WAV is proved before
#: it is encoded, the MP3 after that.
FINISHING: Parts = {
    "start": (0.0, 0.0), "listen": (0.0, 0.12), "plan": (0.12, 0.24), "render": (0.24, 0.38),
    "prove": (0.38, 0.46), "encode": (0.46, 0.86), "prove the MP3": (0.86, 1.0),
    "publish": (1.0, 1.0),
}  # fmt: skip
LISTENING: Parts = {"start": (0.0, 0.0), "listen": (0.0, 1.0)}
#: Nothing is said of the time left before so much of the way has shown the pace.
_TELLING, _TELLING_S = 0.03, 1.0


class Course:
    """One take on its way. ``verb`` is what is done now, in words."""

    def __init__(self, parts: Parts = FINISHING, clock: Callable[[], float] = time.monotonic):
        self.verb = "start"
        self._parts, self._clock = parts, clock
        self._part = "start"
        self._last: tuple[str, float] | None = None
        self._heard: set[str] = set()
        self._before: set[str] = set()  # what was heard before the take went round again
        self._at = self._worked = 0.0
        self._begun = self._said = clock()  # moved to the first word: one may join on the way
        self._turned_at = self._turned_share = 0.0
        self._shown = 0.0

    def tell(self, verb: str, share: float) -> None:
        """*share* of *verb* is done. What was told before is no news: the pace stays as it was."""
        if (verb, share) == self._last:
            return
        self._last = (verb, share)
        part = self._part_of(verb, share)
        if part not in self._parts:
            self.verb = verb
            return
        at = self._place(part, verb, share)
        if self._parts[part] < self._parts[self._part]:
            self._turn(at)
        if self._heard:
            self._worked += max(at - self._at, 0.0)
        else:
            self._begun = self._clock()
        self._at, self._part, self._said = max(at, self._at), part, self._clock()
        self._heard.add(verb)
        self.verb = f"{verb} again" if verb in self._before else verb

    def _part_of(self, verb: str, share: float) -> str:
        if verb == "prove" and (share > 0.5 or self._part in ("encode", "prove the MP3")):
            return "prove the MP3"
        return verb

    def _place(self, part: str, verb: str, share: float) -> float:
        begin, end = self._parts[part]
        if verb == "prove":  # one share for both files, half each
            share = 2 * share - (part != verb)
        return begin + (end - begin) * min(max(share, 0.0), 1.0)

    def _turn(self, at: float) -> None:
        """The take goes round again: what is left of the way is laid over what is left of the bar."""
        self._turned_share, self._turned_at = self.share, at
        self._at = at
        self._before |= self._heard

    @property
    def share(self) -> float:
        """How much of the whole is done. It never falls."""
        here = (self._reached - self._turned_at) / max(1.0 - self._turned_at, 1e-9)
        self._shown = max(self._shown, self._turned_share + (1.0 - self._turned_share) * here)
        return self._shown

    @property
    def left_s(self) -> float | None:
        """Seconds still to go, None while nobody can tell."""
        if self._worked < _TELLING or self._said - self._begun < _TELLING_S:
            return None
        return (1.0 - self._reached) / self._pace

    @property
    def _pace(self) -> float:
        return self._worked / max(self._said - self._begun, 1e-3)

    @property
    def _reached(self) -> float:
        """Where the work is, as far as can be told: never past the part it was last heard in."""
        guessed = self._at + self._pace * (self._clock() - self._said)
        return min(guessed, max(self._parts[self._part][1], self._at))

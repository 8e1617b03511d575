"""How long the service itself has known each receipt.

What is deleted cannot be had back, and clocks jump: after a late time sync a file of this hour is ten
days old. So the service counts for itself, from the first time that it sees a receipt, with what never
goes too fast: the seconds that the machine has run since it last looked. For a stretch in which the
machine was started anew only the clock on the wall can tell, and at most a day of it is believed; and
before anything is due, the machine has to have run for a day as well since the receipt was first seen.

What was counted stands in ``ages.json`` of the state folder. Lost, all begins anew: that costs space.
"""

from __future__ import annotations

import json
import os
import secrets
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from fairtake.folders.durable import write_durably

DAY_S = 86400.0
#: Where the system does not name its starts, no other process is believed to be of the same.
_UNNAMED = secrets.token_hex(16)


@dataclass(frozen=True)
class Now:
    """A moment: in which start of the machine, how long after some moment of it, and by the wall."""

    start: str
    running_s: float
    wall_s: float


def now() -> Now:
    try:
        start = Path("/proc/sys/kernel/random/boot_id").read_text("utf-8").strip()
    except OSError:
        start = _UNNAMED
    return Now(start, time.monotonic(), time.time())


class _Seen(NamedTuple):
    """A receipt: which file it is, and how far was counted when it was first seen."""

    which: str
    counted_s: float
    ran_s: float


class Ages:
    """The ages of receipts. ``looked`` counts a look *now*, at *receipts* by name."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._counted_s = self._ran_s = 0.0
        self._seen: dict[str, _Seen] = {}

    def looked(self, now: Now, receipts: Mapping[str, os.stat_result]) -> None:
        """Raises ``OSError``."""
        before = self._remembered(now)
        self._seen = {}
        for name, there in receipts.items():
            which = f"{there.st_ino} {there.st_size} {there.st_mtime_ns}"
            seen = before.get(name)
            if seen is None or seen.which != which:  # another file in its place begins anew
                seen = _Seen(which, self._counted_s, self._ran_s)
            self._seen[name] = seen
        counts = {"counted_s": self._counted_s, "ran_s": self._ran_s}
        write_durably(self._path, json.dumps({**vars(now), **counts, "receipts": self._seen}))

    def days(self, name: str) -> float:
        """For how long a receipt has been known; 0 while that was seen within one day alone."""
        seen = self._seen[name]
        known_s = self._counted_s - seen.counted_s
        return known_s / DAY_S if self._ran_s - seen.ran_s >= DAY_S else 0.0

    def _remembered(self, now: Now) -> dict[str, _Seen]:
        """The receipts seen before; counts the time since."""
        try:
            said = json.loads(self._path.read_text("utf-8"))
            ran_s = max(now.running_s - float(said["running_s"]), 0.0)
            off_s = min(max(now.wall_s - float(said["wall_s"]), 0.0), DAY_S)
            seen = {
                name: _Seen(str(w), float(c), float(r))
                for name, (w, c, r) in said["receipts"].items()
            }
            self._counted_s, self._ran_s = float(said["counted_s"]), float(said["ran_s"])
        except (FileNotFoundError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
            return {}
        if said["start"] == now.start:
            self._ran_s += ran_s
        self._counted_s += ran_s if said["start"] == now.start else off_s
        return seen

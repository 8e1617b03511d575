"""Hours of the day, as in ``22:00-06:00, 12:30-13:30``.

They are those of the clock on the wall, whatever its zone does: in the night in which it is set
back an hour, a window over that hour is an hour longer, and in the other one an hour shorter.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime, time

_WINDOW = re.compile(r"(\d\d?):(\d\d)\s*-\s*(\d\d?):(\d\d)")


@dataclass(frozen=True)
class Hours:
    """Windows of the day, each from its first minute until before its last; none is all day."""

    windows: tuple[tuple[time, time], ...] = ()

    def hold(self, now: datetime) -> bool:
        """Whether *now*, a local time, is inside."""
        at = now.time()
        return not self.windows or any(
            begin <= at < end if begin < end else at >= begin or at < end
            for begin, end in self.windows
        )

    def wait(self, now: datetime) -> str:
        """What is waited for, ``its hours, from 22:00``; '' while they hold."""
        if self.hold(now):
            return ""
        begins = sorted(begin for begin, _ in self.windows)
        later = [begin for begin in begins if begin > now.time()]
        return f"its hours, from {(later or begins)[0]:%H:%M}"


def parse_hours(text: str) -> Hours:
    """*text* as `Hours`. Raises ``ValueError`` with a sentence for people."""
    windows = []
    for part in filter(None, (part.strip() for part in text.split(","))):
        found = _WINDOW.fullmatch(part)
        if not found:
            raise ValueError(f"'{part}' is no stretch of the day like 22:00-06:00")
        begin, end = _time(found[1], found[2]), _time(found[3], found[4])
        if begin == end:
            raise ValueError(f"'{part}' begins when it ends; leave it empty for all day")
        windows.append((begin, end))
    return Hours(tuple(windows))


def _time(hour: str, minute: str) -> time:
    """24:00 is midnight, for a window that ends then."""
    if (hour, minute) == ("24", "00"):
        return time()
    try:
        return time(int(hour), int(minute))
    except ValueError:
        raise ValueError(f"{hour}:{minute} is no time of day") from None

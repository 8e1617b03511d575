"""Tell the system's service manager how the service is: ready, alive, busy with what, ending.

One datagram a word to the socket that ``NOTIFY_SOCKET`` names; without one nothing is said. The
protocol is that of ``sd_notify(3)`` and ``sd_watchdog_enabled(3)``. The words of life come from the
service's own loop, so that a loop that hangs falls silent.
"""

from __future__ import annotations

import contextlib
import os
import socket
import time
from collections.abc import MutableMapping

from fairtake.text import one_line


class Manager:
    """The service manager, if there is one.

    Takes the variables out of *environment*, so that workers and encoder do not speak for us.
    """

    def __init__(self, environment: MutableMapping[str, str] = os.environ) -> None:
        address = environment.pop("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._every_s = _watchdog_s(environment) / 2
        self._alive_at = time.monotonic()
        self._status = ""

    def ready(self) -> None:
        """All is set up: work begins."""
        self._say("READY=1")

    def alive(self) -> None:
        """The loop runs. Said at half of the time the manager allows, however often called."""
        now = time.monotonic()
        if self._every_s and now - self._alive_at >= self._every_s:
            self._alive_at = now
            self._say("WATCHDOG=1")

    def due_s(self) -> float:
        """Seconds until `alive` has to be called again."""
        if not self._every_s:
            return float("inf")
        return max(self._alive_at + self._every_s - time.monotonic(), 0.0)

    def status(self, text: str) -> None:
        """What the service does, in a few words; repeated only when it changes."""
        if text != self._status:
            self._status = text
            self._say(f"STATUS={one_line(text)}")

    def stopping(self) -> None:
        """The service ends."""
        self._say("STOPPING=1")

    def _say(self, word: str) -> None:
        if not self._address or not hasattr(socket, "AF_UNIX"):
            return
        # A manager that does not listen, or listens no more, is no reason to stop working.
        with (
            contextlib.suppress(OSError),
            socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as end,
        ):
            end.setblocking(False)
            end.sendto(word.encode("utf-8"), os.fsencode(self._address))


def _watchdog_s(environment: MutableMapping[str, str]) -> float:
    """How long the manager bears silence; 0: for ever, or it is another process it listens to."""
    span, pid = environment.pop("WATCHDOG_USEC", ""), environment.pop("WATCHDOG_PID", "")
    if pid not in ("", str(os.getpid())) or not span.isdecimal():
        return 0.0
    return int(span) / 1e6

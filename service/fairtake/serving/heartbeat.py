"""What the service says of itself, in a small file, and what its silence means."""

from __future__ import annotations

import json
import os
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from fairtake.plain_file import read_object

EVERY_S = 2.0
#: Without a word for so long, the service is taken for dead.
DEAD_AFTER_S = 20.0
#: What is told beside the takes: what is in the way of it makes nothing unhealthy.
BESIDE = ("writers", "ledger", "notices", "metrics")

LifeState = Literal["running", "stopped", "hangs", "died", "never-ran"]


def beat(
    path: Path, since: float, doing: list[dict[str, Any]], waiting: dict[str, str], trouble: str,
    *, writers: str = "", ledger: str = "", notices: str = "", metrics: str = "",
    stopped: bool = False,
) -> None:  # fmt: skip
    """Say what is being done, what waits for what, and what is in the way of takes, and of what is beside them.

    *stopped* makes it the last word of a service that ends as it should.
    """
    said = {
        "pid": os.getpid(), "since": since, "at": time.time(), "monotonic_s": time.monotonic(),
        "in_work": doing, "waiting": waiting, "trouble": trouble, "writers": writers, "ledger": ledger,
        "notices": notices, "metrics": metrics, "stopped": stopped,
    }  # fmt: skip
    fresh = path.with_name(f".{path.name}.part")
    fresh.write_text(json.dumps(said), "utf-8")
    os.replace(fresh, path)


def last_beat(path: Path) -> dict[str, Any] | None:
    """What the service said last, or None when it never did."""
    try:
        said = read_object(path)
    except OSError:
        return None
    return said if "at" in said and "pid" in said else None


@dataclass(frozen=True)
class Life:
    """Whether the service lives, how long ago it was heard, and its last words."""

    state: LifeState
    heard_s: float | None = None
    said: dict[str, Any] = field(default_factory=dict)

    @property
    def alive(self) -> bool:
        return self.state == "running"

    def sentence(self) -> str:
        """For people."""
        ago = "" if self.heard_s is None else span(self.heard_s)
        return {
            "running": f"The service lives (last heard from {ago} ago).",
            "stopped": f"The service does not run: it was stopped {ago} ago, in good order.",
            "hangs": f"The service hangs: its process is there and has said nothing for {ago}.",
            "died": f"The service does not run: it ended without a word, last heard from {ago} ago.",
            "never-ran": "The service does not run, and has never run here.",
        }[self.state]


def life(path: Path) -> Life:
    """What the heartbeat at *path* tells."""
    said = last_beat(path)
    if said is None:
        return Life("never-ran")
    heard_s = _age_s(said)
    if said.get("stopped"):
        return Life("stopped", heard_s, said)
    if not _runs(said["pid"]):
        return Life("died", heard_s, said)
    return Life("running" if heard_s < DEAD_AFTER_S else "hangs", heard_s, said)


def _age_s(said: dict[str, Any]) -> float:
    """Seconds since the word was said, by the clock nobody sets where it goes on counting."""
    since_boot_s = time.monotonic() - float(said.get("monotonic_s", float("inf")))
    return since_boot_s if since_boot_s >= 0 else max(time.time() - float(said["at"]), 0.0)


def _runs(pid: int) -> bool:
    if os.name != "posix":
        return True  # the age of the last word has to do
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def span(seconds: float) -> str:
    """A stretch of time for people: ``41 s``, ``12 min``, ``3 h``."""
    for unit, length_s in (("days", 86400), ("h", 3600), ("min", 60)):
        if seconds >= 2 * length_s:
            return f"{seconds / length_s:.0f} {unit}"
    return f"{seconds:.0f} s"

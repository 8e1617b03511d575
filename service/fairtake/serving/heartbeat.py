"""What the service says of itself, in a small file that `fairtake status` reads."""

from __future__ import annotations

import json
import os
import time
from pathlib import Path
from typing import Any

from fairtake.folders import Root, claims, quarantined
from fairtake.receipt import RECEIPT_SUFFIX
from fairtake.serving.scan import is_companion, scan

EVERY_S = 2.0
#: Without a word for so long, the service is taken for dead.
DEAD_AFTER_S = 20.0


def beat(
    path: Path, since: float, doing: list[dict[str, Any]], waiting: dict[str, str], trouble: str
) -> None:
    """Say what is being done, what waits for what, and what is in the way."""
    said = {
        "pid": os.getpid(), "since": since, "at": time.time(),
        "in_work": doing, "waiting": waiting, "trouble": trouble,
    }  # fmt: skip
    fresh = path.with_name(f".{path.name}.part")
    fresh.write_text(json.dumps(said), "utf-8")
    os.replace(fresh, path)


def last_beat(path: Path) -> dict[str, Any] | None:
    """What the service said last, or None when it never did."""
    try:
        said = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError):
        return None
    return said if isinstance(said, dict) else None


def status(root: Root) -> dict[str, Any]:
    """Everything about a ROOT that a person would ask."""
    said = last_beat(root.heartbeat) or {}
    age_s = time.time() - said["at"] if "at" in said else None
    alive = age_s is not None and age_s < DEAD_AFTER_S and _runs(said["pid"])
    reasons = said.get("waiting", {}) if alive else {}
    doing = {job["job"]: job for job in said.get("in_work", [])} if alive else {}
    found = [path for path in scan(root.inbox) if not is_companion(path)]
    return {
        "root": str(root.path),
        "service": {
            "alive": alive,
            "pid": said.get("pid") if alive else None,
            "last_heard_s": None if age_s is None else round(age_s, 1),
            "trouble": said.get("trouble", "") if alive else "",
        },
        "waiting": [
            {"take": path, "for": reasons.get(path, "the service" if not alive else "settling")}
            for path in found
        ],
        "in_work": [
            {
                "take": c.path,
                "verb": doing.get(c.job, {}).get("verb", "waiting"),
                "share": doing.get(c.job, {}).get("share", 0.0),
                "attempts": c.attempts,
            }
            for c in claims(root)
        ],
        "quarantined": [
            {"take": path, **{key: known.get(key) for key in ("code", "message", "advice")}}
            for path, known in quarantined(root)
        ],
        "finished": sum(1 for _ in root.outbox.rglob(f"*{RECEIPT_SUFFIX}")),
    }


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

"""Everything about a ROOT that a person or a health check would ask.

The folders are asked first, for they are the truth; the service's own words say why something
waits and how far work is, and the ledger adds what the folders forget: how many takes were ever
seen, and finished ones that were dropped once more. A folder that does not answer is said so and
does not hold up the answer.
"""

from __future__ import annotations

import heapq
import shutil
import sqlite3
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from fairtake.errors import StateTaken
from fairtake.folders import Claim, Root, claims, other_owner, quarantined
from fairtake.folders.durable import standing
from fairtake.mounts import file_system
from fairtake.root import LEAST_FREE_BYTES
from fairtake.serving.heartbeat import BESIDE, Life, life
from fairtake.serving.inventory import place_of, read_json, receipts
from fairtake.serving.ledger import STATES, read_ledger
from fairtake.serving.scan import is_companion, scan

STATUS_SCHEMA = "fairtake.status/1"
#: So many takes finished last are told one by one.
LATELY = 20
#: A folder that is silent for so long does not answer.
PATIENCE_S = 5.0


def status(root: Root) -> dict[str, Any]:
    """The state of *root*, fit for JSON."""
    other, _ = _asked(lambda: other_owner(root))
    heard, untold = Life("never-ran") if other else life(root.heartbeat), list[str]()

    def told(what: str, question: Callable[[], Any], otherwise: Any) -> Any:
        answer, why = _asked(question)
        if why:
            untold.append(f"{what} cannot be told: {why}")
        return otherwise if why else answer

    waiting = told("What waits", lambda: _waiting(root, heard), _said_to_wait(heard))
    in_work = told("What is in work", lambda: _in_work(root, heard), _said_in_work(heard))
    failed = told("What lies in quarantine", lambda: _quarantined(root), [])
    finished, lately = told("What was finished", lambda: _finished(root), (0, []))
    found = {
        "schema": STATUS_SCHEMA,
        "root": str(root.path),
        "service": _service(heard),
        "totals": _totals(
            None if other else root.ledger, finished, len(failed), len(waiting) + len(in_work)
        ),
        "waiting": waiting,
        "in_work": in_work,
        "finished": finished,
        "finished_lately": lately,
        "quarantined": failed,
        "places": [_place(name, folder) for name, folder in _places(root)],
        "untold": untold,
    }
    problems = list(_problems(found, heard))
    if other:
        taken = StateTaken(f"{root.state} is that of {other}.")
        problems.append(f"{taken.message} {taken.advice}")
    return {**found, "healthy": not problems, "problems": problems}


def _problems(found: dict[str, Any], heard: Life) -> list[str]:
    """What makes a health check fail, a sentence each."""
    problems = [] if heard.alive else [heard.sentence()]
    if found["service"]["trouble"]:
        problems.append(f"In the way: {found['service']['trouble']}")
    problems += [
        f"{place['folder']}: {place['trouble']}" for place in found["places"] if place["trouble"]
    ]
    if found["quarantined"]:
        problems.append(f"{len(found['quarantined'])} in quarantine.")
    return problems + found["untold"]


def _service(heard: Life) -> dict[str, Any]:
    said = heard.said if heard.alive else {}
    return {
        "alive": heard.alive,
        "state": heard.state,
        "sentence": heard.sentence(),
        "pid": said.get("pid"),
        "last_heard_s": None if heard.heard_s is None else round(heard.heard_s, 1),
        "trouble": said.get("trouble", ""),
        **{what: said.get(what, "") for what in BESIDE},
    }


def _totals(kept: Path | None, finished: int, failed: int, pending: int) -> dict[str, Any]:
    """The books: from the ledger, and where there is none or it cannot be read from the folders alone."""
    ledger = read_ledger(kept) if kept else None
    if ledger is not None:
        try:
            return {"from": "ledger", **ledger.totals()}
        except sqlite3.Error:
            pass  # whatever is wrong with it, the folders know
        finally:
            ledger.close()
    counts: dict[str, int] = dict(zip(STATES, (pending, finished, failed), strict=True))
    return {"from": "folders", "seen": sum(counts.values()), **counts, "duplicates": None}


def _waiting(root: Root, heard: Life) -> list[dict[str, str]]:
    reasons = heard.said.get("waiting", {}) if heard.alive else {}
    otherwise = "settling" if heard.alive else "the service"
    inbox = [path for path in scan(root.inbox) if not is_companion(path)]
    # Asked after the inbox: what is claimed meanwhile is seen twice rather than not at all.
    claimed = [c.path for c in claims(root) if not _is_begun(c, heard)]
    paths = dict.fromkeys([*claimed, *inbox])
    return [{"take": path, "for": reasons.get(path, otherwise)} for path in paths]


def _said_to_wait(heard: Life) -> list[dict[str, str]]:
    """What the service last saw waiting, for an inbox that does not answer."""
    return [{"take": path, "for": why} for path, why in heard.said.get("waiting", {}).items()]


def _in_work(root: Root, heard: Life) -> list[dict[str, Any]]:
    doing, begun = _doing(heard), [c for c in claims(root) if _is_begun(c, heard)]
    return [_job(doing.get(c.job, {}), c.path, c.attempts) for c in begun]


def _doing(heard: Life) -> dict[str, dict[str, Any]]:
    return {job["job"]: job for job in heard.said.get("in_work", [])} if heard.alive else {}


def _is_begun(claimed: Claim, heard: Life) -> bool:
    """Whether a take is more than claimed, which it is a moment before its turn, or on its way back."""
    goes_back = standing(claimed.returning) is not None
    return not goes_back and (not claimed.is_unbegun or claimed.job in _doing(heard))


def _said_in_work(heard: Life) -> list[dict[str, Any]]:
    """What the service last said of its work, for a drive that does not answer."""
    return [_job(job, job["take"], None) for job in heard.said.get("in_work", [])]


def _job(said: dict[str, Any], take: str, attempts: int | None) -> dict[str, Any]:
    verb, share = said.get("verb", "waiting"), said.get("share", 0.0)
    return {"take": take, "verb": verb, "share": share, "attempts": attempts}


def _quarantined(root: Root) -> list[dict[str, Any]]:
    return [
        {"take": path, **{key: _text(known.get(key)) for key in ("code", "message", "advice")}}
        for path, known in quarantined(root)
    ]


def _finished(root: Root) -> tuple[int, list[dict[str, Any]]]:
    """How many takes stand finished, and the last of them, newest first."""
    stand = ((standing(receipt), str(receipt)) for receipt in receipts(root))
    dated = [(there.st_mtime, name) for there, name in stand if there]  # some go meanwhile
    lately = []
    for at, name in heapq.nlargest(LATELY, dated):
        known = read_json(Path(name))
        lately.append(
            {
                "take": place_of(root, Path(name)),
                "ago_s": round(max(time.time() - at, 0.0)),
                "missed_checks": _missed_checks(known.get("checks")),
            }
        )
    return len(dated), lately


def _missed_checks(checks: Any) -> list[str]:
    """Those that a receipt says were missed, if it is one of ours."""
    told = [check for check in checks if isinstance(check, dict)] if type(checks) is list else []
    return [
        f"{check.get('check')} of the {check.get('file')}" for check in told if not check.get("ok")
    ]


def _text(said: Any) -> str | None:
    return said if isinstance(said, str) else None


def _places(root: Root) -> list[tuple[str, Path]]:
    return [
        ("inbox", root.inbox), ("outbox", root.outbox), ("originals", root.originals),
        ("quarantine", root.quarantine), ("state", root.state),
    ]  # fmt: skip


def _place(name: str, folder: Path) -> dict[str, Any]:
    """State of the disk or share a folder lies on."""
    found: dict[str, Any] = {"folder": name, "path": str(folder), "free_bytes": None}
    found |= {"file_system": "", "trouble": "it does not answer"}
    answer, why = _asked(lambda: _disk(folder))
    return found if why else found | answer


def _disk(folder: Path) -> dict[str, Any]:
    if not folder.is_dir():
        return {"trouble": "it is not there"}
    free = shutil.disk_usage(folder).free
    little = f"only {free / 2**20:.0f} MiB left" if free < LEAST_FREE_BYTES / 8 else ""
    return {"free_bytes": free, "file_system": file_system(folder), "trouble": little}


def _why(error: Exception) -> str:
    if isinstance(error, OSError) and error.strerror:
        return f"{error.strerror} ({error.filename})." if error.filename else f"{error.strerror}."
    return f"{type(error).__name__}: {error}."  # a bug of ours


def _asked(question: Callable[[], Any]) -> tuple[Any, str]:
    """The answer to *question*; or None and why there is none, in a sentence: a share is gone or keeps
    us waiting, or what lies there is like nothing that was foreseen."""
    answers: list[tuple[Any, str]] = []

    def ask() -> None:
        try:
            answers.append((question(), ""))
        except Exception as e:
            answers.append((None, _why(e)))

    asking = threading.Thread(target=ask, daemon=True)
    asking.start()
    asking.join(PATIENCE_S)
    return answers[0] if answers else (None, "a folder does not answer.")

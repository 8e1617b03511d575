"""The way in, hurt as a whole: a drive in the inbox frozen, a crowd without events, and its cost.

Frozen is a drive of our own making (tests/frozen.py), so that this runs where no file server is.
"""

from __future__ import annotations

import json
import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path

from books import Wrong
from live import live, until
from scenes import fresh, good, put
from steps import Found

from frozen import frozen_drive

FROZEN_S = 60.0
IDLE_S = 60.0
#: Design, budgets: idle, from settled to claimed.
MOST_IDLE_SHARE, MOST_IDLE_MB, MOST_CLAIM_S = 0.005, 120, 1.0


def frozen_part(folder: Path, seconds: float = FROZEN_S) -> Found:
    """Freeze one drive in the inbox: the heart beats on, takes beside it are finished. Requirement 4."""
    books, found = fresh(folder / "root"), Found("a drive in the inbox frozen", hit=True)
    share = books.root / "inbox/share"
    share.mkdir()
    with frozen_drive(share) as drive, live(books.root) as service:
        found.hit = until(lambda: service.log.count("watching") == 2)
        drive.freeze()
        end, number = time.monotonic() + seconds, 0
        while time.monotonic() < end:
            number += 1
            put(books, f"{number}.wav", good(1 - number / 1000))
            # Nothing below the inbox may be looked at from here: this process serves the drive.
            receipt = books.root / f"outbox/{number}.receipt.json"
            if not until(receipt.exists, 80):
                found.wrong.append(Wrong("unfinished", "a take beside the frozen drive"))
            if _age_s(books.root) > 10:
                found.wrong.append(Wrong("unfinished", "the heart stopped"))
        if "does not answer" not in _said(books.root)["trouble"]:
            found.wrong.append(Wrong("unfinished", "the frozen drive was not said"))
        drive.thaw()
        if not until(lambda: not _said(books.root)["trouble"], 120):
            found.wrong.append(Wrong("unfinished", "it did not thaw"))
        found.wrong += service.end()
        found.log = service.log
    found.wrong += books.wrong_at_the_end()
    found.checked = books.checked
    return found


def crowd_without_events(folder: Path, many: int = 10_000) -> Found:
    """Takes dropped while the service slept, and no events: all are seen. Requirement 1."""
    books = fresh(folder / "root", watch="polling", settle_s=3600)
    found = Found(f"{many} takes while the service slept, no events", hit=True)
    with live(books.root) as service:
        until(lambda: "watching" in service.log)
        service.process.send_signal(signal.SIGSTOP)
        for number in range(many):
            (books.root / f"inbox/{number}.wav").write_bytes(b"x")
        service.process.send_signal(signal.SIGCONT)
        if not until(lambda: service.log.count("  seen ") == many, 300, every_s=0.5):
            found.wrong.append(Wrong("lost", f"{many - service.log.count('  seen ')} not seen"))
        found.wrong += service.end()
    found.checked = many
    return found


def costs(folder: Path, idle_s: float = IDLE_S) -> Found:
    """Idle with 10,000 finished files, and the time from settled to claimed. Design: budgets."""
    books, found = fresh(folder / "root", scan_s=5, settle_s=2), Found("budgets", hit=True)
    for number in range(10_000):
        (books.root / f"outbox/{number}.wav").write_bytes(b"x")
    with live(books.root) as service:
        until(lambda: "watching" in service.log)
        time.sleep(5)
        before = _cpu_s(service.process.pid)
        time.sleep(idle_s)
        share = (_cpu_s(service.process.pid) - before) / idle_s
        megabytes = _rss_mb(service.process.pid)
        dropped = time.time()
        put(books, "take.wav", good())
        claims = books.root / ".fairtake/claims"
        until(lambda: any(claims.iterdir()))
        claimed_s = time.time() - dropped - 2
        found.wrong += service.end()
    found.log = f"idle {share:.2%} of one core, {megabytes:.0f} MB; claimed {claimed_s:.2f} s after settling"
    print(f"\n{found.log}")
    within = share <= MOST_IDLE_SHARE and megabytes <= MOST_IDLE_MB and claimed_s <= MOST_CLAIM_S
    if not within:
        found.wrong.append(Wrong("unfinished", "over budget: " + found.log))
    return found


def intake(folder: Path, quick: bool) -> Iterator[Found]:
    """All of them."""
    yield crowd_without_events(folder / "crowd", 1000 if quick else 10_000)
    yield costs(folder / "costs", 10 if quick else IDLE_S)
    if os.geteuid() == 0 and os.path.exists("/dev/fuse"):
        yield frozen_part(folder / "frozen", 15 if quick else FROZEN_S)


def _said(root: Path) -> dict[str, str]:
    return dict(json.loads((root / ".fairtake/heartbeat.json").read_text("utf-8")))


def _age_s(root: Path) -> float:
    return time.time() - float(_said(root)["at"])


def _cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text("utf-8").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _rss_mb(pid: int) -> float:
    status = Path(f"/proc/{pid}/status").read_text("utf-8")
    return int(status.partition("VmRSS:")[2].split()[0]) / 1024

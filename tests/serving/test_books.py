"""The ledger under a real service: it balances, it is no take's business, and it can be lost."""

from __future__ import annotations

import os
import re
import signal
from pathlib import Path

import pytest

from fairtake.folders import Root
from fairtake.serving.inventory import standing
from fairtake.serving.ledger import read_ledger
from fairtake.serving.status import status
from roots import Served, drop, files_below, new_root, reason_of, spoken, until, without_pages

pytestmark = pytest.mark.skipif(os.name != "posix", reason="services are ended by POSIX signals")


def rows(root: Root) -> set[tuple[str, str, str]]:
    """What the ledger says, once it adds up."""
    ledger = read_ledger(root.ledger)
    assert ledger is not None
    ledger._db.execute("BEGIN")  # both of one moment
    totals, takes = ledger.totals(), ledger.takes()
    ledger.close()
    assert totals["seen"] == totals["published"] + totals["quarantined"] + totals["pending"]
    assert totals["seen"] == len(takes)
    return {(take["path"], take["state"], take["sha256"]) for take in takes}


def shown(root: Root) -> set[tuple[str, str, str]]:
    """What the folders show."""
    return {(entry.path, entry.state, entry.sha256) for entry in standing(root)}


def serve_once(root: Root, status: int) -> str:
    with Served(root, "--once") as served:
        assert served.process.wait(120) == status, served.log
    return served.log


def test_a_ledger_rolled_back_loses_and_redoes_nothing(tmp_path: Path) -> None:
    """With an old ledger and strays among the claims the next run knows it all again, no file is
    made twice, and what was no claim is taken in as dropped. Requirements 24 and 25."""
    root = new_root(tmp_path / "root")
    voice = drop(root, "T/one.wav", spoken(tmp_path / "voice.wav"))
    drop(root, "T/bad\n.wav", b"no sound")
    serve_once(root, 1)
    early = root.ledger.read_bytes()
    assert rows(root) == shown(root) and len(shown(root)) == 2

    drop(root, "T/one.wav", voice)  # a duplicate: no further take
    drop(root, "two.wav", spoken(tmp_path / "voice.wav", gain=0.9))
    serve_once(root, 0)
    assert rows(root) == shown(root) and status(root)["totals"]["duplicates"] == 1
    made = without_pages(files_below(root.outbox, root.quarantine))
    before = {path: path.stat().st_mtime_ns for path in made}

    root.ledger.write_bytes(early)
    (root.claims / "empty").mkdir()
    (root.claims / "stray.wav").write_bytes(b"put into the wrong folder")
    serve_once(root, 1)
    assert reason_of(root, "stray.wav") and os.listdir(root.claims) == []
    assert rows(root) == shown(root) and len(shown(root)) == 4
    assert before == {path: path.stat().st_mtime_ns for path in before}
    assert (
        len(without_pages(files_below(root.outbox))) == 6 and len(files_below(root.quarantine)) == 4
    )


def test_a_service_without_a_ledger_finishes_takes_and_says_so(tmp_path: Path) -> None:
    """A ledger that cannot be kept is a fault of the surroundings and stops nothing; mended, it is
    rebuilt under the running service, and the log has every step of the take. Requirement 13."""
    root = new_root(tmp_path / "root", retry_s=0.3)
    root.ledger.parent.write_text("in the way")
    data = drop(root, "new\nline\x1b.wav", spoken(tmp_path / "voice.wav"))
    with Served(root) as served:
        until(lambda: list(root.outbox.glob("*.receipt.json")) or served.process.poll())
        assert data in [p.read_bytes() for p in files_below(root.originals)]
        # A take that moves at this moment is met twice rather than never.
        said = until(
            lambda: (s := status(root))["service"]["ledger"] and s["totals"]["seen"] == 1 and s
        )
        assert said["healthy"] and said["totals"]["from"] == "folders"
        assert said["totals"]["published"] == said["totals"]["seen"] == 1
        root.ledger.parent.unlink()
        until(lambda: root.ledger.exists() and status(root)["totals"]["from"] == "ledger")
        until(lambda: rows(root) == shown(root))
        assert served.end(signal.SIGTERM) == 0
    steps = [line.split()[2] for line in served.log.splitlines() if r'"new\nline' in line]
    assert steps == ["seen", "claimed", "began", "published"]
    assert all(re.match(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d  [a-z-]+ ", line) for line in served.log.splitlines())  # fmt: skip
    assert "fault" in served.log and "resumed" in served.log
    assert status(root)["service"]["state"] == "stopped"

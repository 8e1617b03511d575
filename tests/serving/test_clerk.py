"""fairtake.serving.clerk: a ledger that follows the folders, and that nothing waits for."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from fairtake.folders import Claim, Root, begin, claim, open_root, quarantine, requeue, unclaim
from fairtake.receipt import RECEIPT_SUFFIX, Reason, TakeFacts
from fairtake.serving.clerk import Clerk
from fairtake.serving.inventory import standing
from fairtake.serving.ledger import read_ledger
from fairtake.serving.scan import is_companion, scan
from roots import drop, new_root, sha256, until

ODD = ["T/new\nline.wav", os.fsdecode(b"T/\xff.wav"), "\u202egnp.wav"]


@pytest.fixture
def root(tmp_path: Path) -> Root:
    return new_root(tmp_path / "root", retry_s=0.2)


def keep(root: Root) -> None:
    """One life of a clerk: look at the folders, and end."""
    clerk = Clerk(root)
    clerk.start()
    clerk.end()
    assert clerk.trouble == ""


def books(root: Root) -> set[tuple[str, str, str, str]]:
    """The rows that matter, and that they add up."""
    ledger = read_ledger(root.ledger)
    assert ledger is not None
    ledger._db.execute("BEGIN")  # both of one moment
    totals, rows = ledger.totals(), ledger.takes()
    ledger.close()
    assert totals["seen"] == len(rows)
    assert totals["seen"] == totals["published"] + totals["quarantined"] + totals["pending"]
    return {(row["path"], row["state"], row["sha256"], row["place"]) for row in rows}


def shown(root: Root) -> set[tuple[str, str, str, str]]:
    """The same, as the folders have it."""
    return {(e.path, e.state, e.sha256, e.place) for e in standing(root)}


def taken(root: Root, name: str) -> Claim:
    drop(root, name, os.fsencode(name))
    claimed = claim(root, name)
    assert claimed is not None
    return claimed


def failed(root: Root, name: str) -> Claim:
    claimed = taken(root, name)
    facts = TakeFacts(name=claimed.name, title=claimed.title, sha256=sha256(os.fsencode(name)))
    quarantine(root, claimed, Reason(take=facts, code="silent", message="", advice="", made_by={}))
    return claimed


def finished(root: Root, place: str) -> None:
    """A receipt, as far as the ledger reads it."""
    receipt = root.outbox / (place + RECEIPT_SUFFIX)
    receipt.parent.mkdir(parents=True, exist_ok=True)
    name, title = f"{receipt.name.removesuffix(RECEIPT_SUFFIX)}.wav", str(Path(place).parent)
    take = {"name": name, "title": "" if title == "." else title, "sha256": sha256(place.encode())}
    receipt.write_text(json.dumps({"take": take}))


def some_of_everything(root: Root) -> None:
    for name in (*ODD, "waiting.wav", "T/title.toml"):
        drop(root, name, b"x")
    for name in ("bad.wav", "T/bad\x1b.wav"):
        failed(root, name)
    finished(root, "done")
    finished(root, "T/done, too")
    begin(taken(root, "T/in work.wav"))


def test_a_ledger_is_made_from_the_folders(root: Root) -> None:
    """Inbox, claims, quarantine and outbox are all there, every name as it is. Requirement 24."""
    some_of_everything(root)
    keep(root)
    assert books(root) == shown(root) and len(shown(root)) == 9


@pytest.mark.parametrize(
    "odd",
    [{"code": "\ud800"}, {"attempts": 10**400}, {"sha256": "\ud800"}],
    ids=["code", "attempts", "sha256"],
)
def test_no_odd_reason_or_receipt_ends_the_books(root: Root, odd: dict[str, Any]) -> None:
    """Anybody may write one: what the ledger cannot hold of it is left out, and all else is kept."""
    (root.quarantine / "bad.wav").write_bytes(b"x")
    for name, place in (
        ("bad.wav", root.quarantine / "bad.wav.reason.json"),
        ("odd.wav", root.outbox / "odd.receipt.json"),
    ):
        place.write_text(json.dumps({"take": {"name": name} | odd} | odd))
    clerk = Clerk(root)
    clerk.start()
    clerk.end()
    assert clerk.trouble == ""
    ledger = read_ledger(root.ledger)
    assert ledger is not None and ledger.totals()["seen"] == 2
    ledger.close()


@pytest.mark.parametrize("loss", ["deleted", "truncated", "garbage", "rolled back", "folder"])
def test_a_lost_ledger_is_made_anew(root: Root, loss: str) -> None:
    """Whatever happens to it, the next start knows what it knew. Requirement 24."""
    finished(root, "early")
    keep(root)
    old = root.ledger.read_bytes()
    some_of_everything(root)
    keep(root)
    before = books(root)
    match loss:
        case "deleted":
            root.ledger.unlink()
        case "truncated":
            os.truncate(root.ledger, root.ledger.stat().st_size // 2)
        case "garbage":
            root.ledger.write_bytes(os.urandom(20_000))
        case "rolled back":
            root.ledger.write_bytes(old)
        case "folder":
            shutil.rmtree(root.ledger.parent)
    keep(root)
    assert books(root) == before == shown(root)


def test_a_ledger_that_goes_while_it_is_kept_comes_back(root: Root) -> None:
    """Deleted under a running service it is rebuilt with the next note. Requirement 24."""
    some_of_everything(root)
    clerk = Clerk(root)
    clerk.start()
    until(lambda: root.ledger.exists() and read_ledger(root.ledger) and books(root) == shown(root))
    root.ledger.unlink()
    drop(root, "later.wav", b"x")
    clerk.seen([p for p in scan(root.inbox) if not is_companion(p)])
    clerk.end()
    assert books(root) == shown(root)


def test_notes_follow_a_take(root: Root) -> None:
    """Each step is written as it happens, without a look at the folders. Requirement 25."""
    clerk = Clerk(root)
    clerk.start()
    claimed = taken(root, "one.wav")
    clerk.claimed(claimed)
    begin(claimed)
    clerk.began(claimed)
    clerk.unclaimed(claimed, unclaim(root, claimed))
    bad = failed(root, "T/bad.wav")
    clerk.claimed(bad)
    digest = sha256(b"T/bad.wav")
    clerk.ended(bad, "quarantined", digest, "T/bad.wav", "silent")
    until(lambda: len(books(root)) == 2)
    assert books(root) == shown(root)
    requeue(root, "T/bad.wav")
    clerk.seen(scan(root.inbox))
    clerk.end()
    assert books(root) == shown(root) == {
        ("one.wav", "pending", "", ""), ("T/bad.wav", "pending", "", "")
    }  # fmt: skip


def test_ten_thousand_takes_have_ten_thousand_rows(root: Root) -> None:
    """However many arrive at once. Requirement 1: 10,000 entries in the ledger."""
    clerk = Clerk(root)
    clerk.start()
    until(lambda: read_ledger(root.ledger) is not None)
    clerk.seen(f"T/{n:05}.wav" for n in range(10_000))
    clerk.end(30)
    assert len(books(root)) == 10_000


def test_no_take_waits_for_a_ledger_that_cannot_be_kept(root: Root) -> None:
    """Notes go nowhere and cost nothing; mended, it is made anew by itself. Requirement 13."""
    root.ledger.parent.write_text("in the way")
    clerk = Clerk(root)
    clerk.start()
    until(lambda: clerk.trouble)
    for n in range(1000):
        clerk.seen([f"{n}.wav"])
    some_of_everything(root)
    root.ledger.parent.unlink()
    until(lambda: clerk.trouble == "")
    clerk.end()
    assert books(root) == shown(root)


def test_a_ledger_that_is_held_by_others_is_waited_for(root: Root) -> None:
    """Somebody who locks it stops nobody, and is got over. Requirement 24."""
    import sqlite3

    keep(root)
    clerk = Clerk(root)
    clerk.start()
    with sqlite3.connect(root.ledger) as other:
        other.execute("BEGIN EXCLUSIVE")
        drop(root, "one.wav", b"x")
        clerk.seen(["one.wav"])
        until(lambda: "locked" in clerk.trouble)
    other.close()
    until(lambda: clerk.trouble == "")
    clerk.end()
    assert books(root) == shown(root)


def test_a_missing_folder_empties_no_book(root: Root) -> None:
    """A share that is gone shows nothing, which is not that nothing is there. Requirement 3."""
    some_of_everything(root)
    keep(root)
    before = root.ledger.read_bytes()
    root.quarantine.rename(root.path / "elsewhere")
    clerk = Clerk(open_root(root.path))
    clerk.start()
    until(lambda: "not there" in clerk.trouble)
    clerk.end()
    assert root.ledger.read_bytes() == before


@pytest.mark.parametrize(
    ("ill", "well"), [("size=16k", "size=8m"), ("nr_inodes=1", "nr_inodes=99"), ("ro", "rw")]
)
def test_a_full_or_read_only_disk_is_waited_out(root: Root, ill: str, well: str) -> None:
    """By bytes, by inodes, or not to be written at all: said, and got over. Requirement 13."""
    disk = root.ledger.parent
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", ill, "tmpfs", disk]
    if subprocess.run(mount, capture_output=True).returncode:
        pytest.skip("this account may not mount a file system")
    clerk = Clerk(root)
    try:
        clerk.start()
        clerk.seen(f"{n:04}.wav" for n in range(1000))
        until(lambda: clerk.trouble)
        some_of_everything(root)
        subprocess.run(["mount", "-o", f"remount,{well}", disk], check=True)
        until(lambda: clerk.trouble == "")
        clerk.end()
        assert books(root) == shown(root)
    finally:
        subprocess.run(["umount", "-l", disk], check=True)

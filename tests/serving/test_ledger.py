"""fairtake.serving.ledger: one row a take, books that balance, and a spoilt file that is no loss."""

from __future__ import annotations

import os
import random
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from fairtake.serving.ledger import Entry, Ledger, open_ledger, read_ledger

HOSTILE = [
    "new\nline.wav",
    "\x1b[31m",
    "\u202egnp",
    os.fsdecode(b"\xff.wav"),
    "half \ud83d",
    "'; --",
]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "ledger" / "takes.sqlite"


@pytest.fixture
def ledger(path: Path) -> Iterator[Ledger]:
    ledger = open_ledger(path)
    ledger._db.execute("PRAGMA synchronous = OFF")
    yield ledger
    ledger.close()


def balance(ledger: Ledger) -> dict[str, int]:
    """The totals, which must add up."""
    totals = ledger.totals()
    assert totals["seen"] == totals["published"] + totals["quarantined"] + totals["pending"]
    return totals


def published(path: str, job: str | None = None, sha256: str = "a", at: float = 9.0) -> Entry:
    return Entry(path, "published", at, sha256, job, 1, place=path.removesuffix(".wav"))


def test_a_take_s_way_is_one_row(ledger: Ledger) -> None:
    """Seen, claimed, begun, published: when, how often tried, and where to. Requirement 25."""
    ledger.seen(["T/one.wav"], 1.0)
    ledger.claimed("job", "T/one.wav", 2.0)
    ledger.began("job", 1)
    assert balance(ledger) == {
        "seen": 1, "pending": 1, "published": 0, "quarantined": 0, "duplicates": 0
    }  # fmt: skip
    ledger.ended(published("T/one.wav", "job"))
    [row] = ledger.takes()
    assert (row["seen_at"], row["claimed_at"], row["ended_at"]) == (1.0, 2.0, 9.0)
    assert (row["state"], row["place"], row["attempts"]) == ("published", "T/one", 1)
    assert (row["sha256"], row["job"]) == ("a", None)


def test_the_same_take_again_is_the_same_row(ledger: Ledger) -> None:
    """Bytes and name are what a take is. Requirement 25: the books balance with duplicates, too."""
    ledger.ended(published("one.wav"))
    ledger.seen(["one.wav"], 10.0)
    assert balance(ledger)["seen"] == 2  # nobody has read it yet
    ledger.claimed("again", "one.wav", 11.0)
    ledger.duplicate(published("one.wav", "again"))
    assert balance(ledger) | {"duplicates": 0} == {
        "seen": 1, "pending": 0, "published": 1, "quarantined": 0, "duplicates": 0
    }  # fmt: skip
    assert ledger.totals()["duplicates"] == 1


def test_a_take_put_back_and_one_taken_away(ledger: Ledger) -> None:
    """Put back it waits again, under the name it got; what its owner took away is forgotten."""
    ledger.seen(["one.wav", "two.wav"], 1.0)
    ledger.claimed("job", "one.wav", 2.0)
    ledger.seen(["two.wav"], 3.0)
    assert balance(ledger)["pending"] == 2
    ledger.unclaimed("job", "one~2.wav", 4.0)
    ledger.seen(["one~2.wav"], 5.0)
    [row] = ledger.takes()
    assert (row["path"], row["job"], row["seen_at"]) == ("one~2.wav", None, 1.0)


def test_a_requeued_take_leaves_quarantine_in_the_books(ledger: Ledger) -> None:
    """What waits again is pending, not quarantined and pending. Requirement 25."""
    ledger.ended(Entry("bad.wav", "quarantined", 1.0, "b", code="silent", place="bad.wav"))
    ledger.seen(["bad.wav"], 2.0, stands=lambda place: True)
    assert balance(ledger)["seen"] == 2  # another one of that name
    ledger.seen([], 3.0)
    ledger.seen(["bad.wav"], 4.0, stands=lambda place: False)
    assert balance(ledger) == {
        "seen": 1, "pending": 1, "published": 0, "quarantined": 0, "duplicates": 0
    }  # fmt: skip


def test_every_name_comes_back_as_it_was(ledger: Ledger) -> None:
    """Line ends, escapes, bytes that are no text, half letters. Requirement 14."""
    ledger.seen(HOSTILE, 1.0)
    for number, name in enumerate(HOSTILE):
        ledger.claimed(str(number), name, 2.0)
        ledger.ended(published(name, str(number)))
    assert [row["path"] for row in ledger.takes()] == HOSTILE or set(HOSTILE) == {
        row["path"] for row in ledger.takes()
    }
    assert balance(ledger)["published"] == len(HOSTILE)


@pytest.mark.parametrize("seed", range(12))
def test_notes_in_any_order_keep_the_books(ledger: Ledger, seed: int) -> None:
    """A note may come late, twice or never: no error, and the sum holds. Requirement 25."""
    chance = random.Random(seed)
    names, jobs = ["a.wav", "b.wav", "c.wav"], ["1", "2", "3", "4"]
    ledger._db.execute("BEGIN")
    for at in range(200):
        name, job = chance.choice(names), chance.choice(jobs)
        entry = published(name, job, chance.choice("xy"), at)
        match chance.randrange(8):
            case 0:
                ledger.seen(chance.sample(names, chance.randrange(4)), at, lambda place: False)
            case 1:
                ledger.claimed(job, name, at)
            case 2:
                ledger.began(job, chance.randrange(3))
            case 3:
                ledger.unclaimed(job, name, at)
            case 4:
                ledger.ended(entry)
            case 5:
                ledger.duplicate(entry)
            case 6:
                ledger.ended(Entry(name, "quarantined", at, "q", job, place=name))
            case 7:
                ledger.reconcile([entry, Entry(name, "pending", at), Entry(name, "pending", at, job=job)])  # fmt: skip
        balance(ledger)
    ledger.reconcile([])
    assert all(row["state"] == "published" for row in ledger.takes())


def test_the_folders_word_counts(ledger: Ledger) -> None:
    """What the folders show is added, what they do not is dropped, but for finished takes that
    were taken away. Requirement 24: recovery both ways."""
    ledger.seen(["gone.wav", "here.wav"], 1.0)
    ledger.ended(published("delivered.wav"))
    ledger.ended(Entry("thrown away.wav", "quarantined", 2.0, "t", place="thrown away.wav"))
    ledger.reconcile(
        [
            Entry("here.wav", "pending", 5.0),
            Entry("work.wav", "pending", 5.0, job="j", attempts=1),
            published("new.wav", sha256="n"),
            Entry("bad.wav", "quarantined", 3.0, "b", code="silent", place="bad.wav"),
        ]
    )
    rows = {row["path"]: row for row in ledger.takes()}
    assert set(rows) == {"here.wav", "work.wav", "new.wav", "bad.wav", "delivered.wav"}
    assert rows["here.wav"]["seen_at"] == 1.0 and rows["work.wav"]["attempts"] == 1
    assert ledger.places() == {"delivered", "new"}
    balance(ledger)


def test_a_transaction_that_fails_leaves_nothing(ledger: Ledger) -> None:
    """A batch of notes is written whole or not at all. Requirement 24."""
    with pytest.raises(ZeroDivisionError), ledger.transaction():
        ledger.seen(["one.wav"], 1.0)
        raise ZeroDivisionError
    assert ledger.takes() == []


@pytest.mark.parametrize("spoil", ["text", "cut", "torn", "other", "empty", "version"])
def test_a_spoilt_ledger_is_set_aside(path: Path, spoil: str) -> None:
    """A new one is begun, the old bytes stay for whoever wants to look. Requirement 24."""
    ledger = open_ledger(path)
    with ledger.transaction():
        ledger.seen([f"{n:04}.wav" for n in range(2000)], 1.0)
    ledger.close()
    data = path.read_bytes()
    if spoil == "other":
        path.unlink()
        sqlite3.connect(path).execute("CREATE TABLE other (x)").connection.close()
    elif spoil == "version":
        sqlite3.connect(path).execute("PRAGMA user_version = 99").connection.close()
    else:
        path.write_bytes(
            {"text": b"no ledger at all\n" * 100, "cut": data[: len(data) // 2], "empty": b"",
             "torn": data[:8192] + os.urandom(8192) + data[16384:]}[spoil]
        )  # fmt: skip
    assert spoil in ("empty", "other") or read_ledger(path) is None
    again = open_ledger(path)
    assert again.takes() == [] and balance(again)["seen"] == 0
    again.seen(["one.wav"], 1.0)
    again.close()
    aside = path.with_name("takes.sqlite.spoilt")
    assert aside.exists() == (spoil not in ("empty", "other"))


def test_reading_changes_nothing(path: Path, ledger: Ledger) -> None:
    """status may look while the service writes, and makes no file where there is none."""
    ledger.seen(["one.wav"], 1.0)
    with ledger.transaction():
        ledger.seen(["one.wav", "two.wav"], 2.0)
        reader = read_ledger(path)
        assert reader is not None and reader.totals()["seen"] == 1
        reader.close()
    missing = path.with_name("none.sqlite")
    assert read_ledger(missing) is None and not missing.exists()
    assert [p.name for p in path.parent.iterdir() if "journal" not in p.name] == [path.name]

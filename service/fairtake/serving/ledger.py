"""The ledger: one row a take seen, for whoever asks what became of it.

A take is known by its bytes and its name: the same file dropped twice is one take, dropped again.
Every row is in one of three states, so seen = published + quarantined + pending whatever happens.

The ledger is never the truth: the folders are, and no take's safety hangs on a row. That is why any
writing here may fail, why a spoilt file is set aside, and why `Ledger.reconcile` can make a whole
ledger from what the folders show. It lies on a local disk and keeps to SQLite's rollback journal,
which works wherever its file ends up and lets anybody read without writing.

Names are stored as JSON strings, for SQLite's text cannot hold all that a file name can.
"""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

State = Literal["pending", "published", "quarantined"]
STATES: tuple[State, ...] = ("pending", "published", "quarantined")
_VERSION = 1
_TABLE = """
CREATE TABLE take (
    id INTEGER PRIMARY KEY,
    path TEXT NOT NULL,               -- its place in the inbox
    sha256 TEXT NOT NULL DEFAULT '',  -- '' until it was read, or when it could not be
    state TEXT NOT NULL CHECK (state IN ('pending', 'published', 'quarantined')),
    job TEXT UNIQUE,                  -- its claim while it is in work
    attempts INTEGER NOT NULL DEFAULT 0,
    seen_at REAL NOT NULL,
    claimed_at REAL,
    ended_at REAL,
    code TEXT NOT NULL DEFAULT '',    -- the reason's, of a quarantined take
    place TEXT NOT NULL DEFAULT '""', -- below outbox without suffix, or below quarantine
    again INTEGER NOT NULL DEFAULT 0  -- how often the finished take was dropped once more
);
CREATE UNIQUE INDEX waiting ON take (path) WHERE state = 'pending' AND job IS NULL;
CREATE UNIQUE INDEX ended ON take (path, sha256) WHERE state <> 'pending';
"""
_WAITS = "state = 'pending' AND job IS NULL"


@dataclass(frozen=True)
class Entry:
    """A take as the folders show it. *at* is when it got where it is."""

    path: str
    state: State
    at: float
    sha256: str = ""
    job: str | None = None
    attempts: int = 0
    code: str = ""
    place: str = ""


class Ledger:
    """An open ledger. Every method may raise ``sqlite3.Error``."""

    def __init__(self, path: Path, db: sqlite3.Connection) -> None:
        self._path, self._db = path, db
        self._inode = path.stat().st_ino

    def close(self) -> None:
        self._db.close()

    def is_there(self) -> bool:
        """Whether the file that is open still stands under its name."""
        with contextlib.suppress(OSError):
            return self._path.stat().st_ino == self._inode
        return False

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All that is written inside comes about, or nothing of it."""
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                self._db.execute("ROLLBACK")
            raise
        self._db.execute("COMMIT")

    # --- a take's life -------------------------------------------------------------------------

    def seen(
        self, paths: Iterable[str], at: float, stands: Callable[[str], bool] = lambda place: True
    ) -> None:
        """These takes, and no others, wait in the inbox.

        A quarantined take that was put back is pending again: *stands* says of a place below
        quarantine whether the take is still there.
        """
        here = set(paths)
        rows = self._db.execute(f"SELECT path FROM take WHERE {_WAITS}")
        known = {json.loads(path) for (path,) in rows}
        self.changed(here - known, known - here, at, stands)

    def changed(
        self,
        fresh: Iterable[str],
        gone: Iterable[str],
        at: float,
        stands: Callable[[str], bool] = lambda place: True,
    ) -> None:
        """As `seen`, told as the difference: *fresh* ones wait there too, and no longer the *gone* ones."""
        self._db.executemany(
            f"DELETE FROM take WHERE path = ? AND {_WAITS}", [(json.dumps(path),) for path in gone]
        )
        names = {json.dumps(path) for path in fresh}
        quarantined = "SELECT id, path, place FROM take WHERE state = 'quarantined'"
        for row, path, place in self._db.execute(quarantined).fetchall() if names else ():
            if (path in names or place in names) and not stands(json.loads(place)):
                self._delete(row)
        self._db.executemany(
            "INSERT OR IGNORE INTO take (path, state, seen_at) VALUES (?, 'pending', ?)",
            [(name, at) for name in names],
        )

    def claimed(self, job: str, path: str, at: float) -> None:
        """The take was taken out of the inbox."""
        name = json.dumps(path)
        waiting, working = self._one(f"path = ? AND {_WAITS}", name), self._one("job = ?", job)
        if waiting and working:  # the folders showed the claim before it was noted
            self._delete(waiting)
        row = working or waiting or self._insert(name, at, job)
        self._db.execute("UPDATE take SET job = ?, claimed_at = ? WHERE id = ?", (job, at, row))

    def began(self, job: str, attempts: int) -> None:
        """An attempt on it begins."""
        self._db.execute("UPDATE take SET attempts = ? WHERE job = ?", (attempts, job))

    def unclaimed(self, job: str, path: str, at: float) -> None:
        """The take went back into the inbox, to *path*."""
        name = json.dumps(path)
        row = self._one("job = ?", job) or self._insert(name, at, job)
        self._db.execute(f"DELETE FROM take WHERE path = ? AND {_WAITS}", (name,))
        self._db.execute("UPDATE take SET job = NULL, path = ? WHERE id = ?", (name, row))

    def ended(self, entry: Entry) -> None:
        """The take was published or quarantined."""
        name = json.dumps(entry.path)
        known = self._ended(name, entry.sha256)
        working = self._one("job = ?", entry.job) if entry.job else None
        row = known or working or self._insert(name, entry.at, state=entry.state)
        if working and row != working:
            self._delete(working)
        self._db.execute(
            "UPDATE take SET path = ?, sha256 = ?, state = ?, job = NULL,"
            " attempts = max(attempts, ?), ended_at = ?, code = ?, place = ? WHERE id = ?",
            (name, entry.sha256, entry.state, entry.attempts, entry.at, entry.code,
             json.dumps(entry.place), row),
        )  # fmt: skip

    def duplicate(self, entry: Entry) -> None:
        """The take had been published before, and was dropped once more."""
        known = self._ended(json.dumps(entry.path), entry.sha256)
        if known:
            self._db.execute("DELETE FROM take WHERE job = ?", (entry.job,))
            self._db.execute("UPDATE take SET again = again + 1 WHERE id = ?", (known,))
        else:
            self.ended(entry)

    # --- the folders' word -----------------------------------------------------------------------

    def places(self) -> set[str]:
        """Where published takes stand that need not be looked into again."""
        found = self._db.execute("SELECT place FROM take WHERE state = 'published'")
        return {json.loads(place) for (place,) in found}

    def reconcile(self, entries: Iterable[Entry]) -> None:
        """Bring the ledger into agreement with what the folders show.

        Published takes that the folders no longer show were taken away by their owner and stay
        known. When a take was seen first is kept where it is known.
        """
        kept = set()
        for entry in sorted(entries, key=lambda entry: entry.at):
            name = json.dumps(entry.path)
            if entry.state != "pending":
                self.ended(entry)
                kept.add(self._ended(name, entry.sha256))
                continue
            known = (
                self._one("job = ?", entry.job)
                if entry.job
                else self._one(f"path = ? AND {_WAITS}", name)
            )
            row = known or self._insert(name, entry.at, entry.job)
            kept.add(row)
            if entry.job:
                self._db.execute(
                    "UPDATE take SET path = ?, attempts = ?, claimed_at = ? WHERE id = ?",
                    (name, entry.attempts, entry.at, row),
                )
        listed = self._db.execute("SELECT id FROM take WHERE state <> 'published'").fetchall()
        for (row,) in listed:
            if row not in kept:
                self._delete(row)

    # --- reading -----------------------------------------------------------------------------------

    def totals(self) -> dict[str, int]:
        """How many takes were seen, how many are in each state, and drops of finished takes."""
        counts = ", ".join(f"coalesce(sum(state = '{state}'), 0)" for state in STATES)
        row = self._db.execute(f"SELECT count(*), {counts}, coalesce(sum(again), 0) FROM take")
        return dict(zip(("seen", *STATES, "duplicates"), row.fetchone(), strict=True))

    def takes(self) -> list[dict[str, Any]]:
        """Every row, names as they are."""
        cursor = self._db.execute("SELECT * FROM take ORDER BY id")
        keys = [column[0] for column in cursor.description]
        rows = [dict(zip(keys, row, strict=True)) for row in cursor]
        return [
            row | {"path": json.loads(row["path"]), "place": json.loads(row["place"])}
            for row in rows
        ]

    # --- rows --------------------------------------------------------------------------------------

    def _one(self, where: str, *values: Any) -> int | None:
        found = self._db.execute(f"SELECT id FROM take WHERE {where}", values).fetchone()
        return found[0] if found else None

    def _ended(self, name: str, sha256: str) -> int | None:
        return self._one("path = ? AND sha256 = ? AND state <> 'pending'", name, sha256)

    def _insert(
        self, name: str, at: float, job: str | None = None, state: State = "pending"
    ) -> int | None:
        return self._db.execute(
            "INSERT INTO take (path, state, seen_at, job) VALUES (?, ?, ?, ?)",
            (name, state, at, job),
        ).lastrowid

    def _delete(self, row: int) -> None:
        self._db.execute("DELETE FROM take WHERE id = ?", (row,))


def open_ledger(path: Path) -> Ledger:
    """The ledger at *path*; a new one where there is none, or a spoilt one.

    Raises ``sqlite3.OperationalError`` and ``OSError`` when the disk does not do its part.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    try:
        return Ledger(path, _opened(path))
    except sqlite3.OperationalError:
        raise  # locked, full, not permitted: nothing is wrong with the file itself
    except sqlite3.DatabaseError:
        _set_aside(path)
        return Ledger(path, _opened(path))


def read_ledger(path: Path) -> Ledger | None:
    """The ledger at *path* to read from; None where there is none that can be read."""
    try:
        uri = f"{path.absolute().as_uri()}?mode=ro"
        ledger = Ledger(path, sqlite3.connect(uri, uri=True, isolation_level=None, timeout=2))
        _examine(ledger._db)
    except (sqlite3.Error, OSError):
        return None
    return ledger


def _opened(path: Path) -> sqlite3.Connection:
    db = sqlite3.connect(path, isolation_level=None, timeout=2)
    try:
        if _version(db) == 0:
            db.execute("PRAGMA journal_mode = TRUNCATE")
            db.executescript(f"BEGIN; {_TABLE} PRAGMA user_version = {_VERSION}; COMMIT;")
        _examine(db)
        db.execute("PRAGMA journal_mode = TRUNCATE")
        db.execute("PRAGMA synchronous = NORMAL")  # a ledger that lost a row is made anew
    except BaseException:
        db.close()
        raise
    return db


def _examine(db: sqlite3.Connection) -> None:
    """Raise ``sqlite3.DatabaseError`` unless this is a ledger of ours in good order."""
    columns = [row[1] for row in db.execute("PRAGMA table_info(take)")]
    if _version(db) != _VERSION or "again" not in columns:
        raise sqlite3.DatabaseError("not a ledger of this version")
    if db.execute("PRAGMA quick_check").fetchone() != ("ok",):
        raise sqlite3.DatabaseError("a spoilt ledger")


def _version(db: sqlite3.Connection) -> int:
    return int(db.execute("PRAGMA user_version").fetchone()[0])


def _set_aside(path: Path) -> None:
    """Give a spoilt ledger another name; what it said, the folders say too."""
    path.with_name(path.name + "-journal").unlink(missing_ok=True)
    os.replace(path, path.with_name(path.name + ".spoilt"))

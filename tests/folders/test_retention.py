"""fairtake.folders.retention: off by default; nothing goes before its receipt was verified."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from fairtake.folders import Root, begin, claim, publish, retention, scratch_of
from fairtake.folders.ages import Now
from fairtake.folders.retention import Deleted, Skipped, clear_out, is_on
from fairtake.master import Job, finish
from fairtake.profile import Profile
from fairtake.receipt import RECEIPT_SUFFIX, Receipt
from roots import drop, files_below, new_root, sha256, spoken

DAY_S = 86400
#: The clock on the wall at all of these moments, but for those where it jumps.
WALL_S = 2e9


def at(days: float, start: str = "first", wall_s: float = WALL_S) -> Callable[[], Now]:
    """The moment *days* into a *start* of the machine."""
    return lambda: Now(start, days * DAY_S, wall_s)


def clear(root: Root) -> Iterator[Deleted | Skipped]:
    """Clear out as a service that saw every receipt long ago."""
    yield from clear_out(root, at(0))
    yield from clear_out(root, at(100_000))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Receipt, bytes, bytes, bytes]:
    """A real receipt, and the take, WAV and MP3 it speaks of."""
    folder = tmp_path_factory.mktemp("made")
    take = spoken(folder / "take.wav")
    job = Job(folder / "take.wav", "one.wav", "one", "speech", Profile())
    done = finish(job, folder, lambda verb, share: None)
    return done.receipt, take, done.wav.read_bytes(), done.mp3.read_bytes()


def published(
    root: Root, name: str, made: tuple[Receipt, bytes, bytes, bytes], days: float
) -> Path:
    """The take, published *days* ago as *name*; its receipt."""
    receipt, take, wav, mp3 = made
    drop(root, name, take)
    claimed = claim(root, name)
    assert claimed is not None
    begin(claimed)
    scratch = scratch_of(root, claimed)
    (scratch / "a.wav").write_bytes(wav)
    (scratch / "a.mp3").write_bytes(mp3)
    known = receipt.model_copy(deep=True)
    known.take.name, known.take.title = claimed.name, claimed.title
    stem = publish(root, claimed, {".wav": scratch / "a.wav", ".mp3": scratch / "a.mp3"}, known)
    path = root.outbox / claimed.title / (stem + RECEIPT_SUFFIX)
    os.utime(path, (time.time() - days * DAY_S,) * 2)
    return path


def root_with(path: Path, originals: int = 0, finished: int = 0) -> Root:
    return new_root(path / "root", keep_originals_days=originals, keep_finished_days=finished)


def left(root: Root) -> set[str]:
    folders = (root.outbox, root.originals)
    return {path.relative_to(root.path).as_posix() for path in files_below(*folders)}


ALL = {"outbox/T/one.wav", "outbox/T/one.mp3", "outbox/T/one.receipt.json", "originals/T/one.wav"}


def test_nothing_is_ever_deleted_unless_it_is_switched_on(tmp_path: Path, made: tuple) -> None:
    """However old. Issue, part 9: off by default."""
    root = root_with(tmp_path)
    published(root, "T/one.wav", made, 10_000)
    assert not is_on(root) and list(clear(root)) == [] and left(root) == ALL


@pytest.mark.parametrize(
    ("originals", "finished", "age", "gone"),
    [
        (30, 0, 29.9, set()),
        (30, 0, 30.1, {"originals/T/one.wav"}),
        (0, 30, 30.1, {"outbox/T/one.wav", "outbox/T/one.mp3"}),
        (30, 60, 40, {"originals/T/one.wav"}),
        (60, 30, 40, {"outbox/T/one.wav", "outbox/T/one.mp3"}),
        (30, 30, 31, ALL - {"outbox/T/one.receipt.json"}),
        (30, 30, -400, set()),
    ],
)
def test_what_is_old_enough_goes_and_the_receipt_stays(
    tmp_path: Path, made: tuple, originals: int, finished: int, age: float, gone: set[str]
) -> None:
    """Each kind after its own days, told one by one; strangers' files are left alone."""
    root = root_with(tmp_path, originals, finished)
    published(root, "T/one.wav", made, age)
    for strange in (root.outbox / "T/notes.txt", root.originals / "T/one.txt"):
        strange.write_text("mine")
    told = list(clear(root))
    assert {f"{'outbox' if d.what == 'finished' else 'originals'}/{d.path}" for d in told} == gone
    assert left(root) == ALL - gone | {"outbox/T/notes.txt", "originals/T/one.txt"}
    assert list(clear(root)) == []


def test_a_receipt_dated_back_deletes_nothing(tmp_path: Path, made: tuple) -> None:
    """As a late time sync leaves it: whole days have to pass while the service looks on."""
    root = root_with(tmp_path, originals=7, finished=7)
    published(root, "T/one.wav", made, 10)
    for _ in range(3):
        assert list(clear_out(root)) == []
    assert left(root) == ALL
    assert len(list(clear(root))) == 3


def looks(root: Root, *moments: Callable[[], Now]) -> list[int]:
    """How much goes at each of these looks."""
    return [len(list(clear_out(root, moment))) for moment in moments]


def test_age_counts_from_the_first_look(tmp_path: Path, made: tuple) -> None:
    """However old the receipt is by then; days without a look, while the machine runs, count."""
    root = root_with(tmp_path, originals=7, finished=7)
    published(root, "T/one.wav", made, 1000)
    assert looks(root, at(50), at(50.9), at(56.9), at(57.1), at(58)) == [0, 0, 0, 3, 0]


def test_no_jump_of_the_clock_makes_anything_due(tmp_path: Path, made: tuple) -> None:
    """Neither while the machine runs, nor from one start to the next, nor at many starts in a day."""
    root = root_with(tmp_path, originals=1, finished=1)
    published(root, "T/one.wav", made, 1000)
    jumped = [at(n / 100, f"start {n}", WALL_S + n * 400 * DAY_S) for n in range(20)]
    assert looks(root, at(3), at(3.5, wall_s=WALL_S + 400 * DAY_S), *jumped) == [0] * 22
    assert looks(root, at(0.5, "start 19", 0.0), at(1.5, "start 19", 0.0)) == [0, 3]


def test_a_machine_that_is_off_at_night_grows_older_all_the_same(
    tmp_path: Path, made: tuple
) -> None:
    """Of a stretch with a start in it the clock tells, up to a day."""
    root = root_with(tmp_path, originals=7)
    published(root, "T/one.wav", made, 1000)
    days = [at(0, "day 0")]
    for day in range(1, 9):
        days += [
            at(0.0, f"day {day}", WALL_S + day * DAY_S),
            at(0.3, f"day {day}", WALL_S + (day + 0.3) * DAY_S),
        ]
    gone = looks(root, *days)
    assert days[gone.index(1)]().start == "day 7" and sum(gone) == 1


def test_what_was_counted_may_be_lost_or_spoilt(tmp_path: Path, made: tuple) -> None:
    """Then all begins anew; so does a receipt in whose place another one came."""
    root = root_with(tmp_path, originals=7)
    receipt = published(root, "T/one.wav", made, 1000)
    assert looks(root, at(0)) == [0]
    for spoilt in ("", "[]", "{}", "null", '{"start": "first", "running_s": "x"}', "[" * 100_000):
        (root.state / "ages.json").write_text(spoilt)
        assert looks(root, at(10), at(16)) == [0, 0]
    (root.state / "ages.json").unlink()
    assert looks(root, at(20)) == [0]
    text = receipt.read_bytes()
    receipt.rename(receipt.with_name("kept"))
    receipt.write_bytes(text)
    os.utime(receipt, (time.time() - 1000 * DAY_S,) * 2)
    assert looks(root, at(28), at(34), at(35.1)) == [0, 0, 1]


@pytest.mark.parametrize("doubt", ["wav", "mp3", "no wav", "receipt", "names", "original"])
def test_nothing_goes_while_there_is_a_doubt(tmp_path: Path, made: tuple, doubt: str) -> None:
    """A changed, missing or unknown file, or a receipt of other names: all is kept. Issue, part 9."""
    root = root_with(tmp_path, originals=1, finished=0 if doubt == "original" else 1)
    receipt = published(root, "T/one.wav", made, 5)
    wav, mp3, original = (root.outbox / "T/one.wav", root.outbox / "T/one.mp3",
                          root.originals / "T/one.wav")  # fmt: skip
    match doubt:
        case "wav" | "mp3":
            {"wav": wav, "mp3": mp3}[doubt].write_bytes(b"something else")
        case "no wav":
            wav.unlink()
        case "receipt":
            receipt.write_text(receipt.read_text()[:-9])
        case "names":
            receipt.write_text(receipt.read_text().replace('"one.mp3"', '"../../fairtake.toml"'))
        case "original":
            original.write_bytes(b"another take")
    os.utime(receipt, (time.time() - 5 * DAY_S,) * 2)
    before = left(root)
    assert list(clear(root)) == [] and left(root) == before
    assert (root.path / "fairtake.toml").exists()


def test_an_original_goes_after_its_finished_files_were_verified_and_gone(
    tmp_path: Path, made: tuple
) -> None:
    """That they were verified is remembered; without the note the original stays for ever."""
    root = root_with(tmp_path, originals=60, finished=30)
    receipts = [published(root, name, made, 40) for name in ("a.wav", "b.wav")]
    assert len(list(clear(root))) == 4
    taken = published(root, "c.wav", made, 40)
    for path in (taken.with_name("c.wav"), taken.with_name("c.mp3")):
        path.unlink()  # its owner took it away
    for receipt in (*receipts, taken):
        os.utime(receipt, (time.time() - 61 * DAY_S,) * 2)
    receipts[1].write_text(receipts[1].read_text() + " ")
    os.utime(receipts[1], (time.time() - 61 * DAY_S,) * 2)
    assert list(clear(root)) == [Deleted("original", "a.wav", "a.receipt.json")]
    assert left(root) >= {"originals/b.wav", "originals/c.wav"}


def test_a_receipt_that_is_none_holds_up_no_other(tmp_path: Path, made: tuple) -> None:
    """Nothing of it goes, and what is sorted behind it is seen to all the same."""
    root = root_with(tmp_path, originals=30)
    first, _ = (published(root, name, made, 40) for name in ("a.wav", "b.wav"))
    first.write_text("[" * 200_000)
    os.utime(first, (time.time() - 40 * DAY_S,) * 2)
    assert list(clear(root)) == [Deleted("original", "b.wav", "b.receipt.json")]
    assert (root.originals / "a.wav").exists()


@pytest.mark.parametrize("refused", ["a.receipt.json", "a.wav", "a.mp3"])
def test_what_may_not_be_read_holds_up_no_other_and_is_said(
    refused: str, tmp_path: Path, made: tuple, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing of such a take goes, whichever of its files it is."""
    root = root_with(tmp_path, originals=30)
    for name in ("a.wav", "b.wav"):
        published(root, name, made, 40)
    for reader in ("read_object", "holds"):
        reading = getattr(retention, reader)

        def read(path: Path, *more: str, reading: Callable[..., Any] = reading) -> Any:
            if path == root.outbox / refused:
                raise PermissionError(13, "Permission denied", str(path))
            return reading(path, *more)

        monkeypatch.setattr(retention, reader, read)
    skipped, deleted = clear(root)
    assert isinstance(skipped, Skipped) and skipped.receipt == "a.receipt.json"
    assert refused in skipped.why
    assert deleted == Deleted("original", "b.wav", "b.receipt.json")
    assert (root.originals / "a.wav").exists()


def test_the_notes_are_read_once_a_pass(
    tmp_path: Path, made: tuple, monkeypatch: pytest.MonkeyPatch
) -> None:
    """They hold a line for every take ever cleared out: once for each due one would never end."""
    root = root_with(tmp_path, originals=60, finished=30)
    for name in ("a.wav", "b.wav", "c.wav"):
        published(root, name, made, 61)
    read: list[Root] = []
    list(clear_out(root, at(0)))
    remembered = retention._remembered
    monkeypatch.setattr(
        retention, "_remembered", lambda root: read.append(root) or remembered(root)
    )
    assert len(list(clear_out(root, at(100)))) == 9 and len(read) == 1
    assert len(remembered(root) - {""}) == 3


def test_two_takes_of_one_name_are_told_apart(tmp_path: Path, made: tuple) -> None:
    """~2 goes with its own receipt, whatever the take was called. Requirement 14."""
    root = root_with(tmp_path, originals=30)
    published(root, "one.wav", made, 1)
    drop(root, "x", b"")
    published(root, "one.wav", made, 40)
    assert [d.path for d in clear(root)] == ["one~2.wav"]
    assert sha256((root.originals / "one.wav").read_bytes()) == made[0].take.sha256


def test_a_kill_at_any_deletion_is_gone_on_from(tmp_path: Path, made: tuple) -> None:
    """Broken off after each file, the next round does the rest and no more. Requirement 11."""
    for stop in range(4):
        root = root_with(tmp_path / str(stop), originals=30, finished=30)
        published(root, "T/one.wav", made, 40)
        going = clear(root)
        for _ in range(stop):
            next(going)
        going.close()
        assert len(left(root)) == 4 - stop
        list(clear(root))
        assert left(root) == {"outbox/T/one.receipt.json"}

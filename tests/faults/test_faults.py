"""The fault bench itself: that it sees what is wrong, and a sample of its faults."""

from __future__ import annotations

import os
import random
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import accounts
import hostile
import pytest
import steps
from books import Books, sha256
from scenes import BAD, finish
from steps import Bench

pytestmark = pytest.mark.skipif(shutil.which("strace") is None, reason="strace is not installed")


@pytest.fixture(scope="module")
def benches() -> Iterator[steps.Benches]:
    with steps.Benches(2) as benches:
        yield benches


@pytest.fixture
def finished(benches: steps.Benches, tmp_path: Path) -> Books:
    """The books of a take as the program leaves it."""
    folder = benches.ask(_finished, tmp_path / "root")
    books = Books(folder, finish(tmp_path / "model").takes)
    assert books.wrong_at_the_end() == []
    return books


def _finished(bench: Bench, path: Path) -> Path:
    bench.run(finish(path))
    return path


def kinds(books: Books) -> set[str]:
    return {wrong.kind for wrong in books.wrong_at_the_end()}


def test_the_books_see_a_lost_take(finished: Books) -> None:
    """A take whose bytes are nowhere is lost, whatever else is in order."""
    (finished.root / "originals/a.wav").write_bytes(b"")
    assert {"lost", "partial"} <= kinds(finished)


@pytest.mark.parametrize("name", ["a.wav", "a.mp3"])
def test_the_books_see_half_an_output(finished: Books, name: str) -> None:
    """A file under its final name that is not what its receipt says is a partial output."""
    path = finished.root / "outbox" / name
    path.write_bytes(path.read_bytes()[:-1000])
    assert "partial" in kinds(finished)


def test_the_books_see_an_output_without_a_receipt(finished: Books) -> None:
    """Sound that neither a receipt nor a claim speaks of was never promised."""
    (finished.root / "outbox/a.receipt.json").unlink()
    assert {"partial", "unfinished"} <= kinds(finished)


def test_the_books_see_what_was_overwritten_and_left_behind(finished: Books) -> None:
    """Somebody's file that changed, a half file of ours, a claim nobody works on."""
    finished.stand()
    (finished.root / "outbox/a.wav").write_bytes(BAD)
    (finished.root / "originals/.x.part").write_bytes(b"")
    (finished.root / ".fairtake/claims/job").mkdir()
    assert {"overwritten", "left behind"} <= kinds(finished)
    assert sha256(BAD) not in finished.standing.values()


def test_a_kill_before_any_step_loses_nothing(benches: steps.Benches) -> None:
    """A sample of the bench's kills. Requirement 11: safe against a kill at any step."""
    faults = random.Random(11).sample(benches.steps(["finish", "fail"]), 16)
    found = list(benches.do(faults))
    assert [(f.fault, f.wrong, f.log) for f in found if f.wrong] == []
    assert sum(f.hit for f in found) > len(found) / 2


def test_any_call_may_fail(benches: steps.Benches) -> None:
    """A sample of the bench's failing calls. Requirement 12."""
    faults = steps.failures(benches, random.Random(12), scenes=["finish"])[:12]
    found = list(benches.do(faults))
    assert [(f.fault, f.wrong, f.log) for f in found if f.wrong] == []
    assert sum(f.hit for f in found) > len(found) / 2


@pytest.mark.skipif(os.geteuid() != 0, reason="only root may be several accounts")
def test_what_happens_beside_the_root_is_seen(tmp_path: Path) -> None:
    """A file of others that moved, changed, was opened to all or is new; a claim of the dropper's; a
    picture that went into an MP3. By construction."""
    outside, root = accounts.Outside(tmp_path / "outside"), tmp_path / "root"
    assert list(outside.wrong(root)) == []
    vault = outside.place / "vault"
    (vault / "kept.wav").rename(vault / "other.wav")
    (vault / "secret.png").chmod(0o644)
    (outside.place / "letter.wav").write_bytes(b"other")
    (root / ".fairtake/claims/job").mkdir(parents=True)
    (root / ".fairtake/claims/job/claim.json").write_text("{}")
    (root / "outbox").mkdir()
    (root / "outbox/a.mp3").write_bytes(b"ID3" + accounts.picture(accounts.SECRET))
    assert len(list(outside.wrong(root))) == 6
    assert len(list(outside.wrong(root))) == 2  # each change is told once


@pytest.mark.skipif(bool(accounts.impossible()), reason=accounts.impossible() or "it can be done")
def test_an_act_is_done_by_the_account_that_it_is_told_of() -> None:
    """Refused what is not his, and told from a fault of the bench. By construction."""
    place = Path(tempfile.mkdtemp())
    try:
        place.chmod(0o755)
        ends = [
            os.waitstatus_to_exitcode(os.waitpid(accounts.as_account(64003, act), 0)[1])
            for act in (lambda: None, lambda: (place / "x").touch(), lambda: 1 / 0)
        ]
    finally:
        shutil.rmtree(place)
    assert ends == [0, 3, 1]


def test_hostile_files_are_all_different() -> None:
    """As many attacks as are counted, each with bytes of its own."""
    assert hostile.COUNT >= 60
    assert len({sha256(data) for data in hostile.CONTENTS.values()}) == len(hostile.CONTENTS)

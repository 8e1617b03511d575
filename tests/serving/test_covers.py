"""fairtake.serving.job: the picture that a title names."""

from __future__ import annotations

import multiprocessing
import os
import shutil
from pathlib import Path
from typing import Any

import pytest

from fairtake.folders import Claim, Root, begin, claim
from fairtake.serving import job
from fairtake.serving.job import Outcome, work
from roots import SAMPLES, drop, files_below, new_root, receipt_of, sha256, spoken

PICTURE = (SAMPLES / "cover.png").read_bytes()
#: Another one, whole as well: what stands behind a picture is passed over.
OTHER = PICTURE + b"other"


@pytest.fixture
def root(tmp_path: Path) -> Root:
    return new_root(tmp_path / "root")


@pytest.fixture
def claimed(root: Root, tmp_path: Path) -> Claim:
    """A take of a title that names a picture, which is there."""
    drop(root, "T/title.toml", b'cover = "cover.png"\n')
    drop(root, "T/cover.png", PICTURE)
    drop(root, "T/a.wav", spoken(tmp_path / "voice.wav", 2, 4))
    taken = claim(root, "T/a.wav")
    assert taken is not None
    begin(taken)
    return taken


def done(root: Root, claimed: Claim, grace_over: bool = True) -> Outcome:
    """As a worker does it: in a process of its own, which has no other children."""
    processes = multiprocessing.get_context("fork")
    ours, theirs = processes.Pipe(duplex=False)
    worker = processes.Process(
        target=lambda: theirs.send(work(root, claimed, grace_over, lambda verb, share: None))
    )
    worker.start()
    theirs.close()
    outcome = ours.recv()
    worker.join()
    assert isinstance(outcome, Outcome)
    return outcome


def picture_of(root: Root) -> str | None:
    receipt = receipt_of(root, "T/a")
    assert receipt is not None
    return receipt.outputs.mp3.cover_sha256


@pytest.mark.parametrize("swapped", ["folder", "picture"])
def test_no_link_leads_to_another_s_picture(
    root: Root, claimed: Claim, swapped: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Swapped in after the title was read: nothing of what lies behind it is published."""
    private = tmp_path / "private"
    private.mkdir()
    (private / "cover.png").write_bytes(OTHER)
    title_of = job.title_of

    def swap_behind(*given: Any) -> Any:
        found = title_of(*given)
        if swapped == "folder":
            (root.inbox / "T").rename(root.inbox / "Was")
            (root.inbox / "T").symlink_to(private)
        else:
            os.unlink(root.inbox / "T/cover.png")
            os.symlink(private / "cover.png", root.inbox / "T/cover.png")
        return found

    monkeypatch.setattr(job, "title_of", swap_behind)
    outcome = done(root, claimed)
    assert (outcome.ending, outcome.code) == ("quarantined", "title-invalid")
    assert files_below(root.outbox) == []


@pytest.mark.parametrize("between", ["gone", "empty", "half", "no picture"])
def test_a_picture_that_is_being_replaced_is_waited_for(
    root: Root, claimed: Claim, between: str
) -> None:
    """As for a take that is not whole yet: only after its grace is it a fault."""
    cover = root.inbox / "T/cover.png"
    cover.unlink()
    if between != "gone":
        cover.write_bytes({"empty": b"", "half": PICTURE[:60], "no picture": b"x" * 99}[between])
    outcome = done(root, claimed, grace_over=False)
    assert (outcome.ending, outcome.code) == ("not-whole", "title-invalid"), outcome.message
    assert "cover.png" in outcome.message and files_below(root.outbox, root.quarantine) == []
    cover.write_bytes(OTHER)
    assert done(root, claimed, grace_over=False).ending == "finished"
    assert picture_of(root) == sha256(OTHER)


def test_a_picture_that_was_replaced_meanwhile_is_read_again(
    root: Root, claimed: Claim, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is published has the picture of now; one that was taken away meanwhile is had already."""
    make = job.make

    def replace_behind(*given: Any) -> Any:
        made = make(*given)
        drop(root, "T/cover.png", OTHER)
        return made

    with monkeypatch.context() as patched:
        patched.setattr(job, "make", replace_behind)
        assert done(root, claimed).ending == "changed"
    assert files_below(root.outbox) == []

    def remove_behind(*given: Any) -> Any:
        made = make(*given)
        shutil.rmtree(root.inbox / "T")
        return made

    monkeypatch.setattr(job, "make", remove_behind)
    assert done(root, claimed).ending == "finished" and picture_of(root) == sha256(OTHER)

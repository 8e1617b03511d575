"""fairtake.folders: a take's way through the folders, one way at a time."""

from __future__ import annotations

import errno
import json
import os
from pathlib import Path

import pytest

import crashing
from crashing import NAME, TAKE, finish_claimed, reason
from fairtake import folders
from fairtake.errors import NotARoot
from fairtake.folders import (
    Root,
    begin,
    claim,
    claims,
    drop_duplicate,
    give_back_attempt,
    open_root,
    publish,
    quarantine,
    quarantined,
    recover,
    requeue,
    resume,
    scratch_of,
    unclaim,
)
from roots import drop, files_below, finish_one


def test_a_finished_take_stands_where_the_folders_promise(root: Root, model: str) -> None:
    """Outputs and original mirror the inbox, byte for byte. Design: the folders of a ROOT."""
    data = drop(root, "Tide/Part 1/one.wav", b"raw")
    assert finish_one(root, "Tide/Part 1/one.wav", data, model) == "one"
    folder = root.outbox / "Tide/Part 1"
    assert {p.name for p in folder.iterdir()} == {"one.wav", "one.mp3", "one.receipt.json"}
    assert (folder / "one.wav").read_bytes() == b"wav of raw"
    assert (root.originals / "Tide/Part 1/one.wav").read_bytes() == b"raw"
    said = json.loads((folder / "one.receipt.json").read_text())
    assert (said["outputs"]["wav"]["file"], said["outputs"]["mp3"]["file"]) == (
        "one.wav",
        "one.mp3",
    )
    assert files_below(root.inbox, root.claims, root.scratch) == []


def test_nothing_is_overwritten(root: Root, model: str) -> None:
    """Other takes of the same name get ~2, ~3. Requirement 14: nothing is overwritten."""
    for number, stem in enumerate(("one", "one~2", "one~3")):
        data = drop(root, "one.wav", b"raw %d" % number)
        assert finish_one(root, "one.wav", data, model) == stem
    for number, stem in enumerate(("one", "one~2", "one~3")):
        assert (root.outbox / f"{stem}.mp3").read_bytes() == b"mp3 of raw %d" % number
        assert (root.originals / f"{stem}.wav").read_bytes() == b"raw %d" % number


def test_the_same_name_in_another_format_is_another_take(root: Root, model: str) -> None:
    """one.wav and one.flac share no output and keep both originals. Requirement 14."""
    assert finish_one(root, "one.wav", drop(root, "one.wav", b"a"), model) == "one"
    assert finish_one(root, "one.flac", drop(root, "one.flac", b"b"), model) == "one~2"
    assert (root.originals / "one~2.flac").read_bytes() == b"b"


def test_a_claimed_take_keeps_its_stem_for_itself(root: Root) -> None:
    """Two takes in work at once never aim at one name. Requirement 14."""
    drop(root, "one.wav", b"a")
    drop(root, "one.flac", b"b")
    first, second = claim(root, "one.wav"), claim(root, "one.flac")
    assert first is not None and second is not None
    assert (first.stem, second.stem) == ("one", "one~2")


def test_a_take_that_is_gone_is_not_claimed(root: Root) -> None:
    """Whoever loses the race for a take gets nothing and leaves nothing. Requirement 9."""
    assert claim(root, "one.wav") is None
    assert list(root.claims.iterdir()) == []


def test_a_claim_that_fails_leaves_no_promise(root: Root, monkeypatch: pytest.MonkeyPatch) -> None:
    """A refused rename leaves no claim, so the next try gets the same name. Requirement 12."""
    drop(root, "one.wav", b"a")
    with monkeypatch.context() as patched:
        patched.setattr(os, "rename", _refuse)
        with pytest.raises(PermissionError):
            claim(root, "one.wav")
    assert list(root.claims.iterdir()) == []
    claimed = claim(root, "one.wav")
    assert claimed is not None and claimed.stem == "one"


def _refuse(*_: object) -> None:
    raise PermissionError(13, "Permission denied")


def test_a_rename_that_happened_in_spite_of_its_error_is_a_claim(
    root: Root, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A share may rename and then report an error. Requirement 9: checked by stat."""
    drop(root, "one.wav", b"a")
    rename = os.rename

    def rename_and_fail(source: Path, target: Path) -> None:
        rename(source, target)
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(os, "rename", rename_and_fail)
    claimed = claim(root, "one.wav")
    assert claimed is not None and claimed.take.read_bytes() == b"a"


def test_unclaim_never_replaces_a_newer_take(root: Root) -> None:
    """A take that goes back finds its name taken and stands beside it. Requirement 14."""
    drop(root, "one.wav", b"old")
    claimed = claim(root, "one.wav")
    assert claimed is not None
    drop(root, "one.wav", b"new")
    unclaim(root, claimed)
    assert (root.inbox / "one.wav").read_bytes() == b"new"
    assert (root.inbox / "one~2.wav").read_bytes() == b"old"
    assert list(root.claims.iterdir()) == []


def test_quarantine_keeps_both_takes_and_both_reasons(root: Root) -> None:
    """A second failed take of the same name stands beside the first. Requirement 14."""
    for data in (b"a", b"b"):
        drop(root, "Tide/one.wav", data)
        claimed = claim(root, "Tide/one.wav")
        assert claimed is not None
        quarantine(root, claimed, reason(claimed.name, claimed.title))
    assert [path for path, _ in quarantined(root)] == ["Tide/one.wav", "Tide/one~2.wav"]
    assert (root.quarantine / "Tide/one~2.wav").read_bytes() == b"b"


def test_two_claims_of_one_name_fail_side_by_side(root: Root) -> None:
    """Workers that quarantine at the same time keep each its reason. Requirement 14."""
    made = []
    for data in (b"a", b"b"):
        drop(root, "one.wav", data)
        claimed = claim(root, "one.wav")
        assert claimed is not None
        plan = {"path": "one.wav", "reason": f'{{"code": "{data.decode()}"}}'}
        claimed.decide("quarantine", plan)
        made.append(claimed)
    assert all(resume(root, claimed) for claimed in recover(root))
    there = {
        (root.quarantine / path).read_bytes(): known["code"] for path, known in quarantined(root)
    }
    assert there == {b"a": "a", b"b": "b"}


def test_requeue_puts_back_and_takes_the_reason_away(root: Root) -> None:
    """A requeued take lies in the inbox under a free name. Design: the commands."""
    drop(root, "Tide/one.wav", b"bad")
    claimed = claim(root, "Tide/one.wav")
    assert claimed is not None
    quarantine(root, claimed, reason(claimed.name, claimed.title))
    drop(root, "Tide/one.wav", b"other")
    assert requeue(root, "Tide/one.wav") == "Tide/one~2.wav"
    assert (root.inbox / "Tide/one~2.wav").read_bytes() == b"bad"
    assert files_below(root.quarantine) == []


@pytest.mark.parametrize("name", ["../fairtake.toml", "gone.wav", "/etc/hostname", ""])
def test_requeue_reaches_only_into_quarantine(root: Root, name: str) -> None:
    """Names that point elsewhere move nothing. Requirement 22: hostile objects."""
    with pytest.raises(FileNotFoundError):
        requeue(root, name)
    assert (root.path / "fairtake.toml").is_file()


def test_a_duplicate_is_known_by_take_and_settings(root: Root, model: str) -> None:
    """The same bytes with the same settings are finished once. Requirement 18."""
    receipt = crashing.receipt(model, 1)
    finish_claimed_in(root, model)
    drop(root, NAME, TAKE)
    again = claim(root, NAME)
    assert again is not None
    asked = folders.asked_of(json.loads(receipt.to_json()))
    assert folders.already_finished(root, again, asked) == "one"
    for key in asked:
        assert folders.already_finished(root, again, asked | {key: "another"}) is None
    (root.outbox / "Tide/one.mp3").write_bytes(b"spoilt")
    assert folders.already_finished(root, again, asked) is None
    drop_duplicate(root, again)
    assert files_below(root.inbox, root.claims) == []


def finish_claimed_in(root: Root, model: str) -> None:
    drop(root, NAME, TAKE)
    claimed = claim(root, NAME)
    assert claimed is not None
    finish_claimed(root, claimed, model)


def test_a_root_is_known_by_its_settings(tmp_path: Path) -> None:
    """A folder without fairtake.toml is refused. Design: the folders of a ROOT."""
    with pytest.raises(NotARoot):
        open_root(tmp_path)

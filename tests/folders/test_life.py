"""fairtake.folders: a take's way through the folders, one way at a time."""

from __future__ import annotations

import contextlib
import errno
import json
import multiprocessing
import os
import subprocess
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

import crashing
import hurting
from crashing import FOREIGN, NAME, TAKE, WAYS, finish_claimed, reason
from fairtake import folders
from fairtake.errors import NotARoot
from fairtake.folders import (
    Root,
    begin,
    claim,
    claims,
    drop_duplicate,
    durable,
    give_back_attempt,
    life,
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
from fairtake.folders.durable import move_new
from fairtake.folders.life import TakeChanged
from roots import drop, files_below, finish_one, new_root
from two_accounts import DROPPER, needs_root


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


def _refuse(*_: object, **__: object) -> None:
    raise PermissionError(13, "Permission denied")


def test_a_rename_that_happened_in_spite_of_its_error_is_a_claim(
    root: Root, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A share may rename and then report an error. Requirement 9: checked by stat."""
    drop(root, "one.wav", b"a")
    rename = os.rename

    def rename_and_fail(source: Path, target: Path, **folders: Any) -> None:
        rename(source, target, **folders)
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


@pytest.mark.parametrize(
    ("name", "stem", "is_one"),
    [
        ("one.wav", "one~2", True),
        ("one.5.wav", "one.5~12", True),
        ("ONE.wav", "one", True),
        ("e\u0301.wav", "\xc9", True),
        ("on.wav", "one", False),
        ("one.wav", "one more", False),
        ("one.wav", "one~2 more", False),
        ("one~2.wav", "one", False),
    ],
)
def test_a_duplicate_has_the_same_name_but_for_a_number(
    root: Root, model: str, name: str, stem: str, is_one: bool
) -> None:
    """Under a name that was taken it was finished with ``~2``; case and Unicode form do not count."""
    receipt = crashing.receipt(model, 1)
    finish_claimed_in(root, model)
    for file in sorted((root.outbox / "Tide").iterdir()):
        text = file.read_bytes().replace(b'"one.', f'"{stem}.'.encode())
        file.unlink()
        file.with_name(stem + file.name.removeprefix("one")).write_bytes(text)
    (root.originals / NAME).rename(root.originals / f"Tide/{stem}.wav")
    drop(root, f"Tide/{name}", TAKE)
    again = claim(root, f"Tide/{name}")
    assert again is not None
    asked = folders.asked_of(json.loads(receipt.to_json()))
    assert folders.already_finished(root, again, asked) == (stem if is_one else None)


def test_a_receipt_that_is_none_makes_no_duplicate(root: Root, model: str) -> None:
    """Somebody's file under its name: the take is finished, and nobody's worker dies of it."""
    drop(root, NAME, TAKE)
    claimed = claim(root, NAME)
    assert claimed is not None
    spoilt = root.outbox / NAME.replace(".wav", ".receipt.json")
    spoilt.parent.mkdir(parents=True)
    spoilt.write_text("[" * 200_000)
    asked = folders.asked_of(json.loads(crashing.receipt(model, 1).to_json()))
    assert folders.already_finished(root, claimed, asked) is None


def test_a_duplicate_that_was_written_to_meanwhile_is_none(root: Root, model: str) -> None:
    """A writer who had it open adds to it as it is compared. Requirement 14: nothing is lost."""
    finish_claimed_in(root, model)
    drop(root, NAME, TAKE)
    with open(root.inbox / NAME, "ab") as writer:
        again = claim(root, NAME)
        assert again is not None
        writer.write(b" and more")
    asked = folders.asked_of(json.loads(crashing.receipt(model, 1).to_json()))
    assert folders.already_finished(root, again, asked) is None


def test_an_unclaim_killed_with_two_names_leaves_one(
    root: Root, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Linked and not yet unlinked: it must not be refused for a second name. Requirement 11."""
    drop(root, "one.wav", TAKE)
    claimed = claim(root, "one.wav")
    assert claimed is not None
    monkeypatch.setattr(durable, "_renameat2", lambda: None)
    with monkeypatch.context() as patched:
        patched.setattr(os, "unlink", _refuse)
        with pytest.raises(PermissionError):
            unclaim(root, claimed)
    assert recover(root) == [] and list(root.claims.iterdir()) == []
    assert (root.inbox / "one.wav").stat().st_nlink == 1


def finish_claimed_in(root: Root, model: str) -> None:
    drop(root, NAME, TAKE)
    claimed = claim(root, NAME)
    assert claimed is not None
    finish_claimed(root, claimed, model)


def test_a_root_is_known_by_its_settings(tmp_path: Path) -> None:
    """A folder without fairtake.toml is refused. Design: the folders of a ROOT."""
    with pytest.raises(NotARoot):
        open_root(tmp_path)


# --- what a claim knows ------------------------------------------------------------------------


def test_a_take_whose_claim_lost_its_name_is_still_a_take(root: Root) -> None:
    """claim.json spoilt: it goes on under its job's name. Requirement 24: stray files in the claims."""
    drop(root, "one.wav", TAKE)
    claimed = claim(root, "one.wav")
    assert claimed is not None
    (claimed.folder / "claim.json").write_bytes(b"\0\0\0")
    [found] = recover(root)
    assert found.take.read_bytes() == TAKE and found.name == claimed.job


def test_a_file_among_the_claims_goes_to_the_inbox(root: Root) -> None:
    """Whatever somebody put there is no claim, and is not lost. Requirement 24."""
    (root.claims / "stray.wav").write_bytes(TAKE)
    assert recover(root) == []
    assert (root.inbox / "stray.wav").read_bytes() == TAKE


def test_attempts_are_on_disk_before_the_work_and_gone_when_given_back(root: Root) -> None:
    """Whoever reads the claim anew sees them. Requirement 15: attempts are written before."""
    drop(root, "one.wav", TAKE)
    claimed = claim(root, "one.wav")
    assert claimed is not None
    for used in (1, 2):
        begin(claimed)
        assert [c.attempts for c in claims(root)] == [used]
    give_back_attempt(claimed)
    assert [c.attempts for c in claims(root)] == [1]


def race(root: Root, names: list[str], start: Any, won: Any) -> None:
    start.wait()
    won.put([name for name in names if claim(root, name) is not None])


@pytest.mark.skipif(os.name != "posix", reason="the racers are forks")
def test_a_take_is_claimed_once_whoever_races_for_it(ram: Path) -> None:
    """Four processes on the same takes: each take has one winner. Requirement 9."""
    root = new_root(ram / "root")
    names = [f"{number}.wav" for number in range(40)]
    for name in names:
        drop(root, name, name.encode())
    forks = multiprocessing.get_context("fork")
    start, won = forks.Event(), forks.SimpleQueue()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        racers = [forks.Process(target=race, args=(root, names, start, won)) for _ in range(4)]
        for racer in racers:
            racer.start()
    start.set()
    claimed = [name for _ in racers for name in won.get()]
    for racer in racers:
        racer.join()
    assert sorted(claimed) == sorted(names)
    assert sorted(c.take.read_bytes().decode() for c in claims(root)) == sorted(names)


# --- what is written is looked at -----------------------------------------------------------------


def ready(root: Root, model: str) -> tuple[folders.Claim, Path, Path, Any]:
    """A claimed take and its finished files, not yet published."""
    drop(root, NAME, TAKE)
    claimed = claim(root, NAME)
    assert claimed is not None
    begin(claimed)
    scratch = scratch_of(root, claimed)
    wav, mp3 = scratch / "finished.wav", scratch / "finished.mp3"
    wav.write_bytes(b"wav of " + TAKE)
    mp3.write_bytes(b"mp3 of " + TAKE)
    return claimed, wav, mp3, crashing.receipt(model, 1)


def test_a_file_that_reads_back_otherwise_is_not_published(root: Root, model: str) -> None:
    """Files are held against what was proved before the take leaves its claim. Requirement 23."""
    claimed, wav, mp3, receipt = ready(root, model)
    mp3.write_bytes(b"mp3 of something else")
    with pytest.raises(OSError, match="reads back"):
        publish(root, claimed, {".wav": wav, ".mp3": mp3}, receipt)
    assert claimed.take.read_bytes() == TAKE and files_below(root.outbox, root.originals) == []
    finish_claimed(root, claimed, model)
    assert (root.originals / NAME).read_bytes() == TAKE


def test_files_lost_after_they_were_promised_are_made_again(root: Root, model: str) -> None:
    """Scratch is emptied between two steps: the take comes back and is done anew. Requirement 11."""
    claimed, wav, _, receipt = ready(root, model)
    promised = {
        "files": [[wav.name, "Tide/one.wav", receipt.outputs.wav.sha256]] * 3,
        "original": NAME, "sha256": receipt.take.sha256,
    }  # fmt: skip
    claimed.decide("publish", promised)
    wav.unlink()
    [waiting] = recover(root)
    assert not resume(root, waiting) and waiting.take.read_bytes() == TAKE
    finish_claimed(root, waiting, model)
    assert hurting.places_of_the_take(root) == ["originals"]
    hurting.look_at_outputs(root)


def test_a_take_that_changed_since_its_files_were_promised_is_done_anew(
    root: Root, model: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody had it open: what was made of other bytes is taken back before it has its receipt."""
    claimed, wav, mp3, receipt = ready(root, model)
    place, placed = life._place, []

    def cut_off(*what: Any, **how: Any) -> None:
        if placed:
            raise InterruptedError
        placed.append(what)
        place(*what, **how)

    with monkeypatch.context() as patched, pytest.raises(InterruptedError):
        patched.setattr(life, "_place", cut_off)
        publish(root, claimed, {".wav": wav, ".mp3": mp3}, receipt)
    claimed.take.write_bytes(TAKE[::-1])
    [waiting] = recover(root)
    assert files_below(root.outbox) != [] and not resume(root, waiting)
    assert (
        waiting.take.read_bytes() == TAKE[::-1] and files_below(root.outbox, root.originals) == []
    )


@needs_root
def test_an_original_of_another_account_is_out_of_its_reach(root: Root, model: str) -> None:
    """Whoever kept his file open, or owns it, changes nothing that was published: it is a copy of ours."""
    drop(root, NAME, TAKE)
    os.chown(root.inbox / NAME, DROPPER, DROPPER)
    with open(root.inbox / NAME, "r+b", buffering=0) as kept:
        claimed = claim(root, NAME)
        assert claimed is not None
        finish_claimed(root, claimed, model)
        kept.write(b"forged")
    assert (root.originals / NAME).read_bytes() == TAKE
    assert {p.stat().st_uid for p in files_below(root.originals, root.outbox)} == {os.geteuid()}
    assert files_below(root.claims, root.scratch) == []


@needs_root
def test_a_take_that_changes_while_it_is_published_is_not(
    root: Root, model: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of another account it may change until it is copied; then nothing of it is left in its places."""
    claimed, wav, mp3, receipt = ready(root, model)
    os.chown(claimed.take, DROPPER, DROPPER)
    place = life._place

    def write_before(root: Root, source: Path, *what: Any, **how: Any) -> None:
        if source == claimed.take:
            source.write_bytes(TAKE[::-1])
        place(root, source, *what, **how)

    with monkeypatch.context() as patched, pytest.raises(TakeChanged):
        patched.setattr(life, "_place", write_before)
        publish(root, claimed, {".wav": wav, ".mp3": mp3}, receipt)
    assert files_below(root.outbox, root.originals) == []
    [found] = recover(root)
    assert not found.is_decided and found.take.read_bytes() == TAKE[::-1]


def test_a_copy_on_another_drive_is_read_back_before_the_original_goes(
    ram: Path, other_drive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A drive that stores other bytes than it was given gets no take. Requirement 10: verify."""
    source, target = ram / "one.wav", other_drive / "one.wav"
    source.write_bytes(TAKE)
    other_drive.mkdir()
    monkeypatch.setattr(durable, "_copy_file", lambda source, fresh: fresh.write_bytes(b"spoilt"))
    with pytest.raises(OSError, match="reads back"):
        move_new(source, target)
    assert source.read_bytes() == TAKE and list(other_drive.iterdir()) == []


def test_where_there_are_no_hard_links_a_name_is_held_and_then_taken(
    root: Root, monkeypatch: pytest.MonkeyPatch
) -> None:
    """exFAT: nothing replaced, and a name we held when killed is taken up again. Requirement 14."""

    def no_links(*_: Any) -> None:
        raise PermissionError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(durable, "_renameat2", lambda: None)
    monkeypatch.setattr(os, "link", no_links)
    source, target = root.inbox / "one.wav", root.outbox / "one.wav"
    source.write_bytes(TAKE)
    target.write_bytes(b"a stranger's")
    with pytest.raises(FileExistsError):
        move_new(source, target)
    assert target.read_bytes() == b"a stranger's"
    target.write_bytes(b"")
    move_new(source, target)
    assert target.read_bytes() == TAKE and not source.exists()


# --- full disks ---------------------------------------------------------------------------------


@pytest.fixture(params=["size=40k", "nr_inodes=8"])
def small(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Callable[[Path], None]]:
    """Puts a folder on a drive that is full, by bytes or by files; the second call makes room."""
    mounted: list[Path] = []

    def mount(folder: Path) -> None:
        again = folder in mounted
        option = "remount,size=8m,nr_inodes=900" if again else request.param
        done = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", option, "tmpfs", folder], capture_output=True
        )
        if done.returncode:
            pytest.skip("this account may not mount a file system")
        if not again:
            mounted.append(folder)
            for number in range(9):
                with contextlib.suppress(OSError):
                    (folder / f"filler{number}").write_bytes(bytes(6000))

    yield mount
    for folder in mounted:
        subprocess.run(["umount", "-l", folder], check=True)


@pytest.mark.parametrize("way", ["finish", "fail"])
@pytest.mark.parametrize("place", ["outbox", "originals", "scratch", "quarantine"])
def test_a_full_drive_is_waited_out(
    root: Root, model: str, place: str, way: str, small: Callable[[Path], None]
) -> None:
    """By bytes and by files, each folder in turn: no attempt used, all done later. Requirement 13."""
    drop(root, NAME, TAKE)
    folder = getattr(root, place)
    small(folder)
    needed = {"finish": ("outbox", "originals", "scratch"), "fail": ("quarantine",)}[way]
    if place in needed:
        with pytest.raises(OSError, match="No space left"):
            WAYS[way](root, model)
        [waiting] = claims(root)
        assert waiting.is_decided or waiting.attempts == 0
        assert hurting.places_of_the_take(root) in (["claims"], ["originals"])
        hurting.look_at_outputs(root)
        small(folder)
        [waiting] = recover(root)
        if not resume(root, waiting):
            finish_claimed(root, waiting, model)
    else:
        WAYS[way](root, model)
    assert hurting.places_of_the_take(root) == ["originals" if way == "finish" else "quarantine"]
    assert list(root.claims.iterdir()) == []


def test_a_take_quarantined_before_is_told_under_the_name_it_has(root: Root) -> None:
    """Killed behind its last step: its place is not that of another take of its name. Requirement 11."""
    places = []
    for data in (FOREIGN, TAKE):
        drop(root, "one.wav", data)
        claimed = claim(root, "one.wav")
        assert claimed is not None
        why = reason(f"{claimed.name} of {len(data)} bytes")
        with contextlib.suppress(InterruptedError), pytest.MonkeyPatch.context() as patched:
            patched.setattr(life, "end", _interrupted)
            quarantine(root, claimed, why)
        [found] = claims(root)
        assert resume(root, found) and found.quarantine is not None
        places.append(found.quarantine["path"])
    assert places == ["one.wav", "one~2.wav"]
    assert (root.quarantine / places[1]).read_bytes() == TAKE


def _interrupted(*_: object) -> None:
    raise InterruptedError

"""fairtake.folders.copied: takes of a drive mounted in the inbox. And links in folders' places."""

from __future__ import annotations

import inspect
import os
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

import crashing
import hurting
from crashing import FOREIGN, NAME, TAKE, finish_claimed
from fairtake import folders, pulse
from fairtake.folders import (
    Claim,
    Root,
    claim,
    claims,
    copied,
    drop_duplicate,
    life,
    quarantine,
    quarantined,
    recover,
    resume,
    sweep,
    unclaim,
)
from roots import Served, drop, files_below, is_finished, new_root, spoken, until

pytestmark = pytest.mark.skipif(os.name != "posix", reason="drives are mounted here")


@pytest.fixture
def mount() -> Iterator[Callable[..., None]]:
    """Mounts a drive in memory at a folder, or with options of its own mounts it anew."""
    mounted: list[Path] = []

    def mount(folder: Path, options: str = "size=8m") -> None:
        folder.mkdir(parents=True, exist_ok=True)
        command = ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)]
        if subprocess.run(command, capture_output=True).returncode:
            pytest.skip("this account may not mount a file system")
        if folder not in mounted:
            mounted.append(folder)

    yield mount
    for folder in mounted:
        subprocess.run(["umount", "-l", folder], check=True)


@pytest.fixture
def tide(root: Root, mount: Callable[..., None]) -> Path:
    """The title folder ``Tide``, a drive of its own with the take on it."""
    mount(root.inbox / "Tide")
    drop(root, NAME, TAKE)
    return root.inbox / "Tide"


def claim_it(root: Root, **ways: Any) -> Claim:
    claimed = claim(root, NAME, **ways)
    assert claimed is not None
    return claimed


# --- on the way ----------------------------------------------------------------------------------


def test_a_take_of_a_mounted_drive_is_copied_and_then_removed(root: Root, tide: Path) -> None:
    """A rename is refused there; the claim holds the same bytes all the same. Requirement 9."""
    before = (tide / "one.wav").stat()
    claimed = claim_it(root)
    assert claimed.take.read_bytes() == TAKE and files_below(tide) == []
    assert claimed.take.stat().st_mtime_ns == before.st_mtime_ns
    assert {p.name for p in files_below(claimed.folder)} == {"claim.json", "take"}


def test_a_copy_is_alive_while_it_is_made_and_read_back(
    root: Root, tide: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each of its three readings tells: a slow drive is not one that does not answer."""
    monkeypatch.setattr(pulse, "EVERY_S", 0.0)
    told: list[str] = []

    def note() -> None:
        told.append(inspect.stack()[3].function)  # behind `felt` and `beat`: who moved bytes

    with pulse.felt_by(note):
        claim_it(root)
    assert {"_copy", "digest_of"} == set(told) and told.count("digest_of") >= 2


def test_a_copied_take_goes_every_way_a_take_can_go(root: Root, tide: Path, model: str) -> None:
    """Back, finished, a duplicate, quarantined, requeued. Design: always in one place."""
    assert unclaim(root, claim_it(root)) == NAME
    assert hurting.places_of_the_take(root) == ["inbox"]
    finish_claimed(root, claim_it(root), model)
    assert hurting.places_of_the_take(root) == ["originals"]
    drop(root, NAME, TAKE)
    drop_duplicate(root, claim_it(root))
    assert hurting.places_of_the_take(root) == ["originals"]
    drop(root, NAME, FOREIGN)
    claimed = claim_it(root)
    quarantine(root, claimed, crashing.reason(claimed.name, claimed.title))
    assert [path for path, _ in quarantined(root)] == [NAME]
    assert folders.requeue(root, NAME) == NAME
    assert (tide / "one.wav").read_bytes() == FOREIGN
    assert files_below(root.claims, root.scratch, root.quarantine) == []


def test_a_take_that_somebody_writes_while_it_is_copied_stays(
    root: Root, tide: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It settles anew with all its bytes. Requirement 6: never a take that is still arriving."""

    def append() -> None:
        with open(tide / "one.wav", "ab") as file:
            file.write(b" and more")

    monkeypatch.setattr(pulse, "EVERY_S", 0.0)
    with pulse.felt_by(append):
        assert claim(root, NAME) is None
    assert (tide / "one.wav").read_bytes() == TAKE + b" and more" * 2  # and read no further
    assert files_below(root.claims) == []


def test_a_take_that_is_replaced_after_the_copy_stays(
    root: Root, tide: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is removed is what was copied and nothing else. Requirement 14: nothing is lost."""
    real = copied.let_go

    def replace_and_let_go(root: Root, claimed: Claim, held: copied.Held) -> bool:
        old = (tide / "one.wav").stat()
        drop(root, NAME, TAKE.upper())
        os.utime(tide / "one.wav", ns=(old.st_atime_ns, old.st_mtime_ns))
        return real(root, claimed, held)

    monkeypatch.setattr(copied, "let_go", replace_and_let_go)
    assert claim(root, NAME) is None
    assert [p.read_bytes() for p in files_below(root.inbox)] == [TAKE.upper()]
    assert files_below(tide) == [tide / "one.wav"] and files_below(root.claims) == []


def test_a_take_that_somebody_holds_open_after_the_copy_stays(root: Root, tide: Path) -> None:
    """Whoever has it open may still write to it. Requirement 6."""
    assert claim(root, NAME, held=lambda path: path.read_bytes() == TAKE) is None
    assert files_below(root.inbox) == [tide / "one.wav"] and files_below(root.claims) == []


def test_a_drive_that_may_only_be_read_is_said_and_nothing_is_copied(
    root: Root, tide: Path, mount: Callable[..., None], model: str
) -> None:
    """Its takes stay, those beside it are claimed. Requirement 12: the surroundings' fault."""
    mount(tide, "remount,ro")
    with pytest.raises(PermissionError, match="not removed"):
        claim(root, NAME)
    assert files_below(root.claims) == []
    drop(root, "two.wav", b"another")
    assert claim(root, "two.wav") is not None


# --- killed and failed ---------------------------------------------------------------------------

STOPS = (
    "read_back",
    "note_copy",
    "let_go",
    "_is_as_noted",
    "remove",
    "_sync_folder",
    "forget_copy",
)


def killed_at(root: Root, stop: str) -> None:
    """Claim in a fork that dies before the step *stop*."""
    child = os.fork()
    if child == 0:
        home = Claim if hasattr(Claim, stop) else copied
        setattr(home, stop, lambda *_: crashing.die())
        claim(root, NAME)
        os._exit(0)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == crashing.DIED


def next_start(root: Root, model: str) -> None:
    """What a start does, and then the work on all that is there."""
    sweep(root)
    for claimed in recover(root):
        if not resume(root, claimed):
            finish_claimed(root, claimed, model)
    if (root.inbox / NAME).exists():
        finish_claimed(root, claim_it(root), model)


@pytest.mark.parametrize("stop", STOPS)
def test_killed_at_any_step_of_the_copy_it_is_finished_once(
    root: Root, tide: Path, model: str, stop: str
) -> None:
    """The table in `life`, 2a to 2f: neither lost nor finished twice. Requirement 11."""
    killed_at(root, stop)
    assert hurting.places_of_the_take(root)
    next_start(root, model)
    assert hurting.places_of_the_take(root) == ["originals"]
    assert {p.name for p in files_below(root.outbox)} == {
        "one.wav", "one.mp3", "one.receipt.json"
    }  # fmt: skip
    assert files_below(root.inbox, root.claims, root.scratch) == []


@pytest.mark.parametrize("stop", ["let_go", "_is_as_noted", "remove"])
def test_a_take_changed_after_the_kill_is_a_take_of_its_own(
    root: Root, tide: Path, model: str, stop: str
) -> None:
    """The next start removes only what was copied. Requirement 14: nothing is lost."""
    killed_at(root, stop)
    [there] = files_below(tide)
    there.write_bytes(TAKE.upper())
    sweep(root)
    [claimed] = recover(root)
    assert claimed.take.read_bytes() == TAKE
    assert [(p, p.read_bytes()) for p in files_below(root.inbox)] == [
        (tide / "one.wav", TAKE.upper())
    ]
    assert not (claimed.folder / "copied.json").exists()


def test_a_copy_that_could_not_be_removed_is_removed_when_it_is_met_again(
    root: Root, tide: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A start goes on though the drive refuses; nothing is claimed twice. Requirement 11."""
    killed_at(root, "let_go")
    with monkeypatch.context() as patched:
        patched.setattr(life, "let_go", refuse)
        [claimed] = recover(root)
    assert hurting.places_of_the_take(root) == ["inbox", "claims"]
    assert claim(root, NAME) is None
    assert [c.job for c in claims(root)] == [claimed.job]
    assert hurting.places_of_the_take(root) == ["claims"]


def test_a_note_is_kept_until_what_it_tells_of_has_its_name_again(
    root: Root, tide: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Only the note knows whose the hidden name is: a start that fails keeps it. Requirement 11."""
    killed_at(root, "remove")
    [claimed] = claims(root)
    claimed.take.unlink()
    with monkeypatch.context() as patched:
        patched.setattr(life, "put_back", refuse)
        assert recover(root) == []
    assert recover(root) == []
    assert files_below(root.inbox) == [tide / "one.wav"] and list(root.claims.iterdir()) == []


def test_a_removal_that_is_refused_leaves_the_take_in_the_inbox_alone(
    root: Root, tide: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The copy is taken back, so that the take is in one place. Requirement 12."""
    monkeypatch.setattr(copied, "let_go", refuse)
    with pytest.raises(PermissionError):
        claim(root, NAME)
    assert hurting.places_of_the_take(root) == ["inbox"] and claims(root) == []


def refuse(*_: object) -> bool:
    raise PermissionError(13, "Permission denied")


def test_an_unclaim_killed_between_two_drives_is_gone_on_with(
    root: Root, tide: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It stands on both drives for a moment and is not worked on meanwhile. Requirement 11."""
    claimed = claim_it(root)
    unlink = os.unlink

    def refuse_the_source(path: Path, **folder: Any) -> None:
        if Path(path) == claimed.returning:
            refuse()
        unlink(path, **folder)

    with monkeypatch.context() as patched:
        patched.setattr(os, "unlink", refuse_the_source)
        with pytest.raises(PermissionError):
            unclaim(root, claimed)
    assert hurting.places_of_the_take(root) == ["inbox", "claims"]
    assert recover(root) == []
    assert hurting.places_of_the_take(root) == ["inbox"] and list(root.claims.iterdir()) == []


def test_a_service_takes_from_a_mounted_drive_beside_all_others(
    tmp_path: Path, mount: Callable[..., None]
) -> None:
    """A drive that may only be read holds up its own take alone. Requirements 4 and 12."""
    root = new_root(tmp_path / "root")
    mount(root.inbox / "stick")
    mount(root.inbox / "locked")
    data = spoken(tmp_path / "take.wav")
    for number, name in enumerate(("locked/one.wav", "stick/one.wav", "one.wav")):
        data = drop(root, name, spoken(tmp_path / "take.wav", gain=1 - number / 10))
    mount(root.inbox / "locked", "remount,ro")
    with Served(root) as service:
        until(lambda: (root.outbox / "stick/one.receipt.json").exists())
        until(lambda: is_finished(root, "one.wav", data))
        assert "locked/one.wav" in service.log and "not removed" in service.log
        mount(root.inbox / "locked", "remount,rw")
        until(lambda: (root.outbox / "locked/one.receipt.json").exists())
    assert files_below(root.inbox) == []


# --- links ---------------------------------------------------------------------------------------


@pytest.fixture
def outside(tmp_path: Path) -> Path:
    """A folder that is none of ours, with somebody's file in it."""
    folder = tmp_path / "outside"
    folder.mkdir()
    (folder / "one.wav").write_bytes(FOREIGN)
    return folder


@pytest.mark.parametrize("depth", ["Tide", "Tide/Part 1"])
def test_a_title_folder_that_became_a_link_leads_nowhere(
    root: Root, outside: Path, depth: str
) -> None:
    """Swapped between scan and claim: what it leads to is not claimed. Requirement 22."""
    above = root.inbox / depth
    above.parent.mkdir(parents=True, exist_ok=True)
    above.symlink_to(outside)
    assert claim(root, f"{depth}/one.wav") is None
    assert (outside / "one.wav").read_bytes() == FOREIGN and list(root.claims.iterdir()) == []


@pytest.mark.parametrize("home", ["outbox", "originals"])
@pytest.mark.parametrize("when", ["before the claim", "after the claim", "after the promise"])
def test_publishing_does_not_follow_a_link(
    root: Root, model: str, outside: Path, home: str, when: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The title's folder gets the next free name, in both homes. Requirement 22."""
    drop(root, NAME, TAKE)
    link = getattr(root, home) / "Tide"
    if when == "before the claim":
        link.symlink_to(outside)
    claimed = claim_it(root)
    if when == "after the claim":
        link.symlink_to(outside)
    if when == "after the promise":
        real = Claim.decide

        def decide(claimed: Claim, what: str, plan: dict[str, Any]) -> None:
            real(claimed, what, plan)
            if not link.is_symlink():
                # What is to be placed stands behind the link already: that does not count.
                (outside / "one.wav").write_bytes(
                    TAKE if home == "originals" else b"wav of " + TAKE
                )
                link.symlink_to(outside)

        monkeypatch.setattr(Claim, "decide", decide)
    before = [(p, p.read_bytes()) for p in files_below(outside)]
    finish_claimed(root, claimed, model)
    assert (root.outbox / "Tide~2/one.receipt.json").is_file()
    assert (root.originals / "Tide~2/one.wav").read_bytes() == TAKE
    assert [p.name for p in files_below(outside)] == ["one.wav"]
    if when != "after the promise":
        assert [(p, p.read_bytes()) for p in files_below(outside)] == before


def test_quarantine_and_unclaim_do_not_follow_a_link(root: Root, outside: Path) -> None:
    """The title's folder gets the next free name there, too. Requirement 22."""
    (root.quarantine / "Tide").symlink_to(outside)
    drop(root, NAME, TAKE)
    claimed = claim_it(root)
    quarantine(root, claimed, crashing.reason(claimed.name, claimed.title))
    assert (root.quarantine / "Tide~2/one.wav").read_bytes() == TAKE
    drop(root, NAME, TAKE)
    claimed = claim_it(root)
    (root.inbox / "Tide").rmdir()
    (root.inbox / "Tide").symlink_to(outside)
    assert unclaim(root, claimed) == "Tide~2/one.wav"
    assert files_below(outside) == [outside / "one.wav"]

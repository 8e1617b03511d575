"""fairtake.folders.drives, fairtake.mounts: a drive that went away is known, and its empty place is not
taken for it."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from crashing import NAME, TAKE, finish_claimed, reason
from fairtake.errors import FolderGone
from fairtake.folders import Root, claim, life, quarantine, quarantined, resume
from fairtake.folders.drives import MARKER, MEMORY, Drives
from fairtake.mounts import file_system, mounted_below
from fairtake.root import make_root
from fairtake.serving.heartbeat import last_beat
from roots import Served, drop, files_below, is_finished, new_root, receipt_of, spoken, until


class Mounted:
    """A drive of its own at *point*, kept alive elsewhere while it is taken away."""

    def __init__(self, point: Path, keep: Path) -> None:
        self.point, self.keep = point, keep
        point.mkdir(exist_ok=True)
        keep.mkdir()
        made = subprocess.run(["mount", "-t", "tmpfs", "tmpfs", keep], capture_output=True)
        if made.returncode:
            pytest.skip("this account may not mount a drive")
        self.come()

    def come(self) -> None:
        subprocess.run(["mount", "--bind", self.keep, self.point], check=True)

    def go(self) -> None:
        subprocess.run(["umount", "-l", self.point], check=True)

    def end(self) -> None:
        subprocess.run(["umount", "-l", self.point], capture_output=True)
        subprocess.run(["umount", "-l", self.keep], check=True)


@pytest.fixture
def drive(tmp_path: Path) -> Iterator[Mounted]:
    """A drive, mounted where a ROOT is to be."""
    mounted = Mounted(tmp_path / "root", tmp_path / "kept")
    yield mounted
    mounted.end()


def test_folders_on_one_drive_need_one_marker(tmp_path: Path) -> None:
    """People find nothing of ours in inbox and outbox, which may be deleted and made again."""
    root = new_root(tmp_path / "root")
    drives = Drives(root)
    drives.remember()
    assert files_below(root.inbox, root.outbox, root.originals, root.quarantine) == []
    os.rmdir(root.inbox)
    drives.require()
    root.inbox.mkdir()
    drives.require()
    Drives(root).remember()


@pytest.mark.parametrize("name", ["inbox", "outbox", "originals", "quarantine"])
def test_a_folder_whose_drive_is_gone_is_known(tmp_path: Path, name: str) -> None:
    """Before and after a start; and when it is back it is known as well. Requirement 3."""
    root = new_root(tmp_path / "root")
    mounted = Mounted(getattr(root, name), tmp_path / "kept")
    try:
        drives = Drives(root)
        drives.remember()
        mounted.go()
        for known in (drives, Drives(root)):
            with pytest.raises(FolderGone, match=name):
                known.require()
            with pytest.raises(FolderGone, match=name):
                known.remember()
        assert files_below(mounted.point) == []
        mounted.come()
        drives.require()
        Drives(root).remember()
    finally:
        mounted.end()


def test_nothing_is_published_below_the_empty_mount_point_of_outbox_and_state(
    tmp_path: Path,
) -> None:
    """A start without the drive that bears both waits for it: what is remembered lies with the claims."""
    point = tmp_path / "disk"
    mounted = Mounted(point, tmp_path / "kept")
    try:
        elsewhere = {"outbox": str(point / "out"), "state": str(point / "state")}
        root = new_root(tmp_path / "root", **elsewhere)
        take = spoken(tmp_path / "voice.wav", 2, 2.6)
        drop(root, "one.wav", take)
        with Served(root, "--once") as served:
            assert served.process.wait(60) == 0
        assert is_finished(root, "one.wav", take)
        mounted.go()
        other = drop(root, "two.wav", spoken(tmp_path / "voice.wav", 2, 2.7))
        with Served(root, "--once") as served:
            assert served.process.wait(60) == 1, served.log
        assert files_below(point) == [] and os.listdir(point) == []
        assert (root.inbox / "two.wav").read_bytes() == other and "is not there" in served.log
        mounted.come()
        with Served(root, "--once") as served:
            assert served.process.wait(60) == 0
        assert is_finished(root, "two.wav", other)
    finally:
        mounted.end()


@pytest.mark.parametrize("name", ["outbox", "originals", "quarantine", "state"])
def test_a_place_that_was_set_and_existed_is_never_made_again(tmp_path: Path, name: str) -> None:
    """On whatever drive: its going may be that of a drive. Who makes it himself, or sets another, may."""
    place = tmp_path / "disk" / name
    root = new_root(tmp_path / "root", **{name: str(place)})
    Drives(root).remember()
    shutil.rmtree(place)
    with pytest.raises(FolderGone, match=str(place)):
        Drives(root).require()
    with pytest.raises(FolderGone, match=str(place)):
        make_root(root.path)
    drop(root, "one.wav", spoken(tmp_path / "voice.wav", 2, 2.6))
    with Served(root, "--once") as served:
        assert served.process.wait(60) == 1, served.log
    assert not place.exists() and (root.inbox / "one.wav").exists()
    moved = new_root_settings(root, **{name: str(place.with_name("another"))})
    Drives(moved).require()
    place.mkdir()
    Drives(root).remember()


def new_root_settings(root: Root, **settings: str) -> Root:
    """*root* as it is with other settings."""
    return Root(root.path, root.settings.model_copy(update=settings))


def test_another_drive_in_its_place_is_not_taken_for_it(drive: Mounted) -> None:
    """A marker of another identity is another drive. Requirement 3."""
    root = new_root(drive.point)
    drives = Drives(root)
    drives.remember()
    (root.claims.parent / MARKER).write_text("another", "utf-8")
    with pytest.raises(FolderGone):
        drives.require()


def test_the_memory_can_be_spoilt(tmp_path: Path) -> None:
    """Then what is there now is remembered anew. Requirement 24."""
    root = new_root(tmp_path / "root")
    Drives(root).remember()
    good = (root.state / MEMORY).read_text("utf-8")
    for text in ("", "{", "[1]", "null"):
        (root.state / MEMORY).write_text(text, "utf-8")
        Drives(root).remember()
        assert (root.state / MEMORY).read_text("utf-8") == good


def test_the_system_tells_what_is_mounted_where(drive: Mounted, tmp_path: Path) -> None:
    """Odd names too, without asking the drive. Requirement 4."""
    assert file_system(drive.point) == "tmpfs"
    odd = Mounted(tmp_path / "two words \\ é", tmp_path / "kept too")
    try:
        assert {"root", odd.point.name} <= mounted_below(str(tmp_path))
        assert mounted_below(str(tmp_path / "roo")) == set()
    finally:
        odd.end()


def test_a_service_waits_for_its_drive_and_redoes_nothing(drive: Mounted, tmp_path: Path) -> None:
    """Nothing is written in the drive's empty place; it says so; once back it goes on. Requirement 3."""
    state = tmp_path / "state"
    root = new_root(drive.point, state=str(state))
    voice = tmp_path / "voice.wav"
    one = drop(root, "one.wav", spoken(voice, 2, 2.6))
    with Served(root) as served:
        until(lambda: is_finished(root, "one.wav", one))
        before = files_below(root.outbox, root.originals)
        drive.go()
        until(lambda: "drive" in trouble_of(root))
        assert files_below(drive.point) == []
        drive.come()
        until(lambda: not trouble_of(root), 5)
        two = drop(root, "two.wav", spoken(voice, 2, 2.6, gain=0.9))
        until(lambda: is_finished(root, "two.wav", two))
    assert served.log.count("published") == 2
    assert set(before) <= set(files_below(root.outbox, root.originals))
    drive.go()
    assert list(drive.point.iterdir()) == []


def trouble_of(root: Root) -> str:
    """What the service itself says is in the way."""
    said = last_beat(root.heartbeat)
    return str(said["trouble"]) if said else ""


def test_a_service_started_without_a_drive_waits_for_it(tmp_path: Path) -> None:
    """It makes no folders in the drive's empty place. Requirement 3."""
    root = new_root(tmp_path / "root")
    mounted = Mounted(root.outbox, tmp_path / "kept")
    try:
        Drives(root).remember()
        mounted.go()
        one = drop(root, "one.wav", spoken(tmp_path / "voice.wav", 2, 2.6))
        with Served(root) as served:
            until(lambda: "outbox" in trouble_of(root))
            assert files_below(root.outbox) == [] and (root.inbox / "one.wav").exists()
            mounted.come()
            until(lambda: is_finished(root, "one.wav", one))
        assert "resumed" in served.log
    finally:
        mounted.end()


def cut_off(*_: object, **__: object) -> None:
    raise OSError(errno.EIO, "cut off")


@pytest.mark.parametrize("gone", ["outbox", "originals"])
def test_a_publishing_that_is_gone_on_with_waits_for_its_drives(
    tmp_path: Path, model: str, gone: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The empty folder under a lost drive gets no file, whatever was decided before. Requirement 3."""
    root = new_root(tmp_path / "root")
    mounted = Mounted(getattr(root, gone), tmp_path / "kept")
    try:
        Drives(root).remember()
        drop(root, NAME, TAKE)
        claimed = claim(root, NAME)
        assert claimed is not None
        with monkeypatch.context() as patched, pytest.raises(OSError, match="cut off"):
            patched.setattr(life, "_place", cut_off)
            finish_claimed(root, claimed, model)
        mounted.go()
        with pytest.raises(FolderGone, match=gone):
            resume(root, claimed)
        assert files_below(root.outbox, root.originals, mounted.point) == []
        assert claimed.take.read_bytes() == TAKE
        mounted.come()
        assert resume(root, claimed)
        assert receipt_of(root, NAME.removesuffix(".wav")) is not None
        assert (root.originals / NAME).read_bytes() == TAKE
    finally:
        mounted.end()


def test_a_quarantining_that_is_gone_on_with_waits_for_its_drive(tmp_path: Path) -> None:
    """As above."""
    root = new_root(tmp_path / "root")
    mounted = Mounted(root.quarantine, tmp_path / "kept")
    try:
        Drives(root).remember()
        drop(root, NAME, TAKE)
        claimed = claim(root, NAME)
        assert claimed is not None
        mounted.go()
        for go_on in (lambda: quarantine(root, claimed, reason(claimed.name, claimed.title)), lambda: resume(root, claimed)):  # fmt: skip
            with pytest.raises(FolderGone, match="quarantine"):
                go_on()
            assert files_below(mounted.point) == [] and claimed.take.read_bytes() == TAKE
        mounted.come()
        assert resume(root, claimed)
        assert [path for path, _ in quarantined(root)] == [NAME]
    finally:
        mounted.end()

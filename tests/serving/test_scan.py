"""fairtake.serving.scan: what lies in the inbox."""

from __future__ import annotations

import os
import socket
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import Literal

import pytest

from fairtake.below import all_below
from fairtake.files.take import facts_of
from fairtake.serving.scan import (
    is_companion,
    is_ignored,
    nests_too_deep,
    plain_files,
    scan,
    walk,
)
from fairtake.serving.watch import POLL_S, Watch
from roots import until

#: Reliability notes, section 2: the name filter.
IGNORED = [
    ".take.wav", "._take.wav", ".take.wav.Xy12Zq", ".syncthing.take.wav.tmp", ".goutputstream-A1B2",
    ".nfs0001", ".fuse_hidden0001", ".DS_Store", ".~lock.take.wav#", "~syncthing~take.wav.tmp",
    "~$take.wav", "take.wav~", "take.part", "take.wav.part", "take.partial", "take.crdownload",
    "take.download", "take.opdownload", "take.filepart", "take.!ut", "take.bc!", "take.aria2",
    "take.tmp", "take.temp", "take.unconfirmed", "take.inprogress", "take.unfinished", "take.xltd",
    "take.icloud", "desktop.ini", "Thumbs.db", "@eaDir", ".stfolder", ".stversions", ".Trashes",
    ".Spotlight-V100", "__MACOSX", "#recycle", ".snapshot",
]  # fmt: skip


@pytest.mark.parametrize("change", [str, str.upper, str.lower, str.swapcase])
@pytest.mark.parametrize("name", IGNORED)
def test_unfinished_and_side_files_are_ignored(name: str, change: Callable[[str], str]) -> None:
    """Copies on their way and systems' own files are nobody's take. Requirement 7: a table."""
    assert is_ignored(change(name))


@pytest.mark.parametrize(
    "name", ["take.wav", "part.wav", "a.part.wav", "$take.wav", "temp.flac", "CON"]
)
def test_final_names_are_not_ignored(name: str) -> None:
    """A name that merely sounds unfinished is a take. Requirement 7."""
    assert not is_ignored(name)


def test_every_plain_file_is_found_at_any_depth(tmp_path: Path) -> None:
    """Sub-folders are titles, mirrored at any depth; links and ignored folders are not entered."""
    for path in (
        "a.wav",
        "T/b.wav",
        "T/Part 1/c.wav",
        ".stfolder/d.wav",
        "T/.e.wav",
        "x.wav/f.wav",
    ):
        (tmp_path / path).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / path).write_bytes(b"x")
    (tmp_path / "empty").mkdir()
    assert list(scan(tmp_path)) == ["T/Part 1/c.wav", "T/b.wav", "a.wav", "x.wav/f.wav"]


def nest(base: Path, name: str, times: int) -> None:
    """Folders in one another, past the longest path that may be told."""
    descriptor = os.open(base, os.O_RDONLY)
    for _ in range(times):
        os.mkdir(name, dir_fd=descriptor)
        inner = os.open(name, os.O_RDONLY, dir_fd=descriptor)
        os.close(descriptor)
        descriptor = inner
    os.close(descriptor)


@pytest.mark.skipif(os.name != "posix", reason="folders are made by descriptors")
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # the library's own
@pytest.mark.parametrize(("name", "times"), [("d", 1500), ("d" * 200, 30)])
def test_folders_without_end_hold_up_nothing(tmp_path: Path, name: str, times: int) -> None:
    """However deep they lie in one another, all other takes are found, and the mix that holds them."""
    for top in ("T", "a.mix"):
        (tmp_path / top).mkdir()
        nest(tmp_path / top, name, times)
        (tmp_path / top / "b.wav").write_bytes(b"x")
    assert list(scan(tmp_path)) == ["T/b.wav", "a.mix"]
    assert nests_too_deep(tmp_path / "a.mix")
    assert [path.name for path in plain_files(tmp_path / "a.mix")] == ["b.wav"]
    facts_of(tmp_path / "a.mix", "a.mix", "")
    assert sum(path.name == "b.wav" for path in all_below(tmp_path, "b", ".wav")) == 2
    watch = Watch(tmp_path, "auto", lambda: None)
    watch.mend()  # where the library cannot walk down there, scans alone have to do
    watch.stop()
    subprocess.run(["rm", "-rf", *(str(tmp_path / top) for top in ("T", "a.mix"))], check=True)


@pytest.mark.skipif(os.name != "posix", reason="these are objects of POSIX systems")
def test_hostile_objects_are_passed_over(tmp_path: Path) -> None:
    """Pipes, sockets, devices and links are never followed and never block. Requirement 22."""
    (tmp_path / "real.wav").write_bytes(b"x")
    os.mkfifo(tmp_path / "pipe.wav")
    (tmp_path / "link.wav").symlink_to("/etc/hostname")
    (tmp_path / "folder").symlink_to("/etc")
    (tmp_path / "loop").symlink_to(tmp_path)
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(tmp_path / "socket.wav"))
        assert list(scan(tmp_path)) == ["real.wav"]


def test_a_drive_set_apart_is_not_even_looked_at(tmp_path: Path) -> None:
    """Another drive mounted in the inbox could hang whoever looks. Requirement 4."""
    for path in ("a.wav", "T/b.wav", "T/share/c.wav", "T/share2/d.wav"):
        (tmp_path / path).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / path).write_bytes(b"x")
    found = [path for path, _ in walk(tmp_path, "", {"T/share"})]
    assert found == ["T/b.wav", "T/share2/d.wav", "a.wav"]
    assert [path for path, _ in walk(tmp_path, "T/share")] == ["T/share/c.wav"]


def test_a_change_shows(tmp_path: Path) -> None:
    """Size, time and file identity: another file of the same size under the name is another."""
    path = tmp_path / "a.wav"
    path.write_bytes(b"one")
    first = scan(tmp_path)["a.wav"]
    assert scan(tmp_path)["a.wav"] == first
    (tmp_path / "b.wav").write_bytes(b"two")
    os.utime(tmp_path / "b.wav", ns=(first.mtime_ns, first.mtime_ns))
    os.replace(tmp_path / "b.wav", path)
    assert scan(tmp_path)["a.wav"] != first


def test_a_missing_inbox_is_an_error_and_not_an_empty_one(tmp_path: Path) -> None:
    """A share that is gone holds no takes to forget. Requirement 3: the share is offline."""
    with pytest.raises(OSError):
        scan(tmp_path / "gone")


def test_companions_go_with_takes() -> None:
    """title.toml and covers are not takes. Design: the folders of a ROOT."""
    assert is_companion("T/title.toml") and is_companion("T/Cover.PNG") and is_companion("c.jpeg")
    assert not is_companion("T/take.wav") and not is_companion("T/other.toml")


@pytest.mark.parametrize("how", ["native", "polling"])
def test_what_comes_wakes_and_what_goes_does_not(
    tmp_path: Path, how: Literal["native", "polling"]
) -> None:
    """A take that we claim is gone from the inbox: nobody has to look for what that brought. By its calls."""
    woken: list[int] = []
    inbox, claims = tmp_path / "inbox", tmp_path / "claims"
    (inbox / "Title").mkdir(parents=True)
    claims.mkdir()
    take = inbox / "Title/take.wav"
    take.write_bytes(b"x")
    watch = Watch(inbox, how, lambda: woken.append(1))
    watch.mend()
    try:
        assert watch.how == how
        time.sleep(1.5 * POLL_S)  # an event of the begin may still come
        woken.clear()
        take.rename(claims / "take")
        time.sleep(2.5 * POLL_S)
        assert woken == []
        (claims / "take").rename(take)
        until(lambda: woken)
    finally:
        watch.stop()

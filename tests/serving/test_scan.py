"""fairtake.serving.scan: what lies in the inbox."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest

from fairtake.serving.scan import is_companion, is_ignored, scan


@pytest.mark.parametrize(
    "name",
    [".take.wav", "._take.wav", "take.wav.part", "take.wav.crdownload", "take.WAV.PART", "~$take.wav",
     "take.wav~", "Thumbs.db", "desktop.ini", ".syncthing.take.wav.tmp", "~syncthing~take.wav.tmp",
     ".take.wav.Xy12Zq", "take.filepart", ".DS_Store", ".nfs0001", "@eaDir", "#recycle"],
)  # fmt: skip
def test_unfinished_and_side_files_are_ignored(name: str) -> None:
    """Copies on their way and systems' own files are nobody's take. Requirement 7: a table."""
    assert is_ignored(name)


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

"""fairtake.plain_file: what others put into a folder is opened only where it is a plain file."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from fairtake.errors import NotAFile
from fairtake.files.container import sniff
from fairtake.files.hashing import hash_of
from fairtake.plain_file import (
    MOST_JSON_BYTES,
    folder_below,
    is_closed_to_us,
    open_plain,
    read_object,
)

pytestmark = pytest.mark.skipif(os.name != "posix", reason="links and pipes are made as on POSIX")


@pytest.fixture
def things(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A folder of things that only look like takes, and one that is a plain file."""
    secret = tmp_path / "secret"
    secret.write_text("secret")
    (tmp_path / "drop").mkdir()
    monkeypatch.chdir(tmp_path / "drop")  # the name of a socket has little room
    Path("plain.wav").write_text("plain")
    Path("link.wav").symlink_to(secret)
    Path("loop.wav").symlink_to("loop.wav")
    Path("folder.wav").mkdir()
    Path("device.wav").symlink_to("/dev/zero")
    os.mkfifo("pipe.wav")
    with socket.socket(socket.AF_UNIX) as bound:
        bound.bind("socket.wav")
        yield tmp_path / "drop"


ODD = ("link.wav", "loop.wav", "folder.wav", "device.wav", "pipe.wav", "socket.wav")


@pytest.mark.parametrize("name", ODD)
def test_only_plain_files_are_opened(name: str, things: Path) -> None:
    """No link is followed, no pipe waited for, whoever reads. Requirement 22."""
    for read in (open_plain, sniff, hash_of):
        with pytest.raises(NotAFile):
            read(things / name)


def test_a_device_is_none(tmp_path: Path) -> None:
    """Nor is a device that bears the name itself. Requirement 22."""
    with pytest.raises(NotAFile):
        open_plain("/dev/zero")


def test_a_plain_file_is_opened(things: Path) -> None:
    """What is plain is read; what is gone says so in the system's own words."""
    with open_plain(things / "plain.wav") as file:
        assert file.read() == b"plain"
    with folder_below(things.parent, "drop") as folder, open_plain("plain.wav", folder) as file:
        assert file.read() == b"plain"
    with pytest.raises(FileNotFoundError):
        open_plain(things / "gone.wav")


def test_no_folder_on_the_way_may_be_a_link(things: Path) -> None:
    """A folder swapped for a link after the scan leads nowhere. Requirement 22."""
    (things / "inner").symlink_to(things.parent)
    with pytest.raises(OSError, match="inner"), folder_below(things, "inner/drop"):
        pass


def test_whose_refusal_it_was(tmp_path: Path) -> None:
    """Only the rights of a file that stands there can say that it is closed to us."""
    assert not is_closed_to_us(tmp_path / "nothing")
    (tmp_path / "open").write_bytes(b"")
    assert not is_closed_to_us(tmp_path / "open")
    (tmp_path / "closed").write_bytes(b"")
    (tmp_path / "closed").chmod(0)
    assert is_closed_to_us(tmp_path / "closed") == (os.geteuid() != 0)


@pytest.mark.parametrize(
    "data", [b"[" * 200_000, b'{"a":' * 200_000, b"[1]", b"3", b"", b"{", b"\xff{}", b"null"]
)
def test_what_is_no_object_is_an_empty_one(data: bytes, tmp_path: Path) -> None:
    """Anybody may drop a file under a name of ours; no reader of many may end for one of them."""
    file = tmp_path / "a.wav.reason.json"
    file.write_bytes(data)
    assert read_object(file) == {}


def test_an_object_without_end_is_not_read_to_its_end(tmp_path: Path) -> None:
    file = tmp_path / "a.receipt.json"
    file.write_bytes(b'{"a": 1}')
    assert read_object(file) == {"a": 1}
    with open(file, "ab") as more:
        more.write(b" " * MOST_JSON_BYTES)
    assert read_object(file) == {}


@pytest.mark.parametrize("name", [*ODD, "nothing.wav", "plain.wav/nothing.wav"])
def test_what_is_no_plain_file_holds_no_object(name: str, things: Path) -> None:
    assert read_object(things / name) == {}

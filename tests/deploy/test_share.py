"""deploy/smb.conf.example: takes dropped and fetched through a real Samba server, service running."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import socket
import struct
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from wheels import CHECKOUT

from fairtake.folders import Root
from fairtake.serving.status import status
from roots import (
    Served,
    files_below,
    is_finished,
    new_root,
    receipt_of,
    sha256,
    spoken,
    until,
    without_pages,
)

pytestmark = [
    pytest.mark.skipif(not shutil.which("smbd"), reason="smbd is not installed"),
    pytest.mark.skipif(not shutil.which("smbclient"), reason="smbclient is not installed"),
    pytest.mark.skipif(os.name != "posix" or os.geteuid() != 0, reason="smbd wants to be root"),
]
#: Accounts that any Debian has: for the service, for who drops takes, for who only fetches.
SERVICE, DROPS, FETCHES = "daemon", "games", "news"
ROOM_BYTES = 20 << 20
EXAMPLE = CHECKOUT / "deploy" / "smb.conf.example"
PLACES = ("private dir", "lock directory", "state directory", "cache directory", "pid directory",
          "ncalrpc dir")  # fmt: skip


class Share:
    """An smbd of our own on loopback, with the shares of a ROOT."""

    def __init__(self, home: Path, root: Root) -> None:
        self.root, self._conf = root, home / "smb.conf"
        with socket.create_server(("127.0.0.1", 0)) as free:
            self._port = free.getsockname()[1]
        ours = [f"{place} = {home}" for place in PLACES]
        ours += [
            f"smb ports = {self._port}",
            "interfaces = 127.0.0.1",
            "bind interfaces only = yes",
        ]
        text = EXAMPLE.read_text("utf-8").replace("/srv/fairtake", str(root.path))
        text = text.replace("[global]\n", "\n".join(["[global]", *ours, ""]), 1)
        text = re.sub(
            "^ *force (user|group) = fairtake$", rf"force \1 = {SERVICE}", text, flags=re.M
        )
        self._conf.write_text(text.replace("@takes-in", DROPS).replace("@takes-out", FETCHES))
        for name in (DROPS, FETCHES):
            command = ["smbpasswd", "-c", self._conf, "-a", "-s", name]
            subprocess.run(
                command, input="reed\nreed\n", text=True, check=True, capture_output=True
            )

    def __enter__(self) -> Share:
        # It makes a session of its own, and ends all of that when it ends.
        self._smbd = subprocess.Popen(
            ["smbd", "--foreground", "--debug-stdout", f"--configfile={self._conf}"],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        until(lambda: self._smbd.poll() is not None or self._answers())
        assert self._smbd.poll() is None, "smbd does not run"
        return self

    def __exit__(self, *_: object) -> None:
        self._smbd.terminate()
        self._smbd.wait(30)

    def _answers(self) -> bool:
        try:
            socket.create_connection(("127.0.0.1", self._port), 1).close()
        except OSError:
            return False
        return True

    def client(self, share: str, does: str, who: str = DROPS) -> list[str]:
        return ["smbclient", f"//127.0.0.1/{share}", "-s", str(self._conf), "-p", str(self._port),
                "-U", f"{who}%reed", "-c", does]  # fmt: skip

    def do(self, share: str, does: str, who: str = DROPS) -> str:
        """What smbclient says to *does*, whatever it ends with."""
        done = subprocess.run(self.client(share, does, who), capture_output=True)
        return (done.stdout + done.stderr).decode()

    @contextlib.contextmanager
    def half_of(self, data: bytes, name: str) -> Iterator[subprocess.Popen[bytes]]:
        """An upload to the inbox that has come to the middle; the rest may be written to it."""
        command = self.client("inbox", f'iosize 65536; put - "{name}"')
        with subprocess.Popen(command, stdin=subprocess.PIPE) as upload:
            assert upload.stdin
            try:
                upload.stdin.write(data[: len(data) // 2])
                upload.stdin.flush()
                there = self.root.inbox / name
                until(lambda: there.exists() and there.stat().st_size)
                yield upload
            finally:
                upload.kill()


def roomy(wav: bytes) -> bytes:
    """*wav* with a chunk in front of its sound that says nothing: smbclient sends 8 MB at a time."""
    room = b"junk" + struct.pack("<I", ROOM_BYTES) + bytes(ROOM_BYTES)
    size = struct.pack("<I", len(wav) - 8 + len(room))
    return wav[:4] + size + wav[8:12] + room + wav[12:]


@pytest.fixture(scope="module")
def share() -> Iterator[Share]:
    home = Path(tempfile.mkdtemp(prefix="fairtake-share-"))  # which other accounts may enter
    home.chmod(0o755)
    (home / "samba").mkdir()
    root = new_root(home / "root")
    for folder in (root.inbox, root.outbox, root.originals, root.quarantine):
        shutil.chown(folder, SERVICE, SERVICE)
    try:
        with Share(home / "samba", root) as share, Served(root):
            yield share
    finally:
        shutil.rmtree(home)


def test_takes_are_dropped_and_fetched_through_the_share(share: Share, tmp_path: Path) -> None:
    """Whatever they are called, into folders too, at once or renamed when they are whole."""
    one = spoken(tmp_path / "one.wav")
    two = spoken(tmp_path / "two.wav", gain=0.9)
    three = spoken(tmp_path / "three.wav", gain=0.8)
    named = "Été à Żółw 🎙️.wav"
    share.do("inbox", f'mkdir "The Book"; put "{tmp_path}/one.wav" "The Book/01 Arrival.wav"')
    share.do("inbox", f'put "{tmp_path}/two.wav" "{named}"')
    share.do("inbox", f'put "{tmp_path}/three.wav" three.wav.part; rename three.wav.part three.wav')
    for name, data in (("The Book/01 Arrival.wav", one), (named, two), ("three.wav", three)):
        until(lambda name=name, data=data: is_finished(share.root, name, data))
    receipt = receipt_of(share.root, named.removesuffix(".wav"))
    assert receipt is not None and receipt.take.name == named
    for file, who in ((receipt.outputs.wav, DROPS), (receipt.outputs.mp3, FETCHES)):
        share.do("finished", f'get "{file.file}" "{tmp_path}/fetched"', who)
        assert sha256((tmp_path / "fetched").read_bytes()) == file.sha256


def test_a_slow_upload_is_waited_for(share: Share, tmp_path: Path) -> None:
    """What smbd has open for writing is not taken, however long nothing comes."""
    data = roomy(spoken(tmp_path / "slow.wav", gain=0.7))
    held = {"take": "slow.wav", "for": "held open by another program"}
    with share.half_of(data, "slow.wav") as upload:
        until(lambda: held in status(share.root)["waiting"])
        upload.communicate(data[len(data) // 2 :], 60)
    until(lambda: is_finished(share.root, "slow.wav", data))


def test_an_upload_that_broke_off_is_told_of_in_quarantine(share: Share, tmp_path: Path) -> None:
    """It is cut short, says so where droppers can read it, and comes again under its own name."""
    data = roomy(spoken(tmp_path / "broken.wav", gain=0.6))
    with share.half_of(data, "broken.wav") as upload:
        upload.kill()
    reason = share.root.quarantine / "broken.wav.reason.json"
    until(reason.exists)
    share.do("quarantine", f'get broken.wav.reason.json "{tmp_path}/reason"')
    assert '"cut-short"' in (tmp_path / "reason").read_text()
    (tmp_path / "whole.wav").write_bytes(data)
    share.do("inbox", f'put "{tmp_path}/whole.wav" broken.wav')
    until(lambda: is_finished(share.root, "broken.wav", data))


def test_nobody_writes_but_into_the_inbox(share: Share, tmp_path: Path) -> None:
    """Finished takes and those in quarantine can be read only, originals not even that, and who only
    fetches sees no inbox."""
    root = share.root
    (root.outbox / "kept.wav").write_bytes(b"kept")
    (root.inbox / ".fairtake-drive").write_text("whose drive this is")
    (tmp_path / "mine.wav").write_bytes(b"mine")
    before = {
        path: path.read_bytes() for path in without_pages(files_below(root.outbox, root.originals))
    }
    for who in (DROPS, FETCHES):
        for does in (
            f'put "{tmp_path}/mine.wav" mine.wav',
            "del kept.wav",
            "rename kept.wav x.wav",
            "mkdir x",
        ):
            assert "NT_STATUS_" in share.do("finished", does, who), does
    assert "NT_STATUS_" in share.do("quarantine", f'put "{tmp_path}/mine.wav" mine.wav')
    assert "NT_STATUS_BAD_NETWORK_NAME" in share.do("originals", "ls")
    assert "NT_STATUS_ACCESS_DENIED" in share.do("inbox", "ls", FETCHES)
    assert "NT_STATUS_ACCESS_DENIED" in share.do("quarantine", "ls", FETCHES)
    assert "NT_STATUS_LOGON_FAILURE" in share.do("finished", "ls", "nobody")
    share.do("inbox", "del .fairtake-drive")
    assert (root.inbox / ".fairtake-drive").exists()
    assert {
        path: path.read_bytes() for path in without_pages(files_below(root.outbox, root.originals))
    } == before

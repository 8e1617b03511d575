"""Room on the drive that takes are worked on: what one take needs must not fill it for all."""

from __future__ import annotations

import io
import os
import shutil
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from fairtake.errors import NoRoom
from fairtake.files.room import require_room
from fairtake.files.take import open_take
from fairtake.folders import Root
from fairtake.serving.status import status
from roots import (
    BELL,
    Served,
    drop,
    files_below,
    is_finished,
    new_root,
    reason_of,
    spoken,
    until,
    without_pages,
)

DISK_MB, BOMB_S = 200, 900


@pytest.fixture
def root(tmp_path: Path) -> Iterator[Root]:
    """One whose takes are worked on in 200 MB."""
    root = new_root(tmp_path / "root", settle_s=0.2, retry_s=0.2, retry_most_s=2)
    disk = ["mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m", "tmpfs", str(root.scratch)]
    if subprocess.run(disk, capture_output=True).returncode:
        pytest.skip("this account may not mount a file system")
    yield root
    subprocess.run(["umount", "-l", str(root.scratch)], check=True)


def bomb(tone: int) -> bytes:
    """15 minutes in some 100 KB that decode to 345 MB, and a header that does not count them:
    RFC 9639, section 8.2: its 36 bits are 0."""
    file = io.BytesIO()
    sound = np.full((48_000 * BOMB_S, 2), tone, np.int16)
    soundfile.write(file, sound, 48_000, format="FLAC")
    data = bytearray(file.getvalue())
    data[21] &= 0xF0
    data[22:26] = bytes(4)
    return bytes(data)


def test_takes_that_do_not_fit_wait_and_no_others(root: Root, tmp_path: Path) -> None:
    """Told before they are decoded, with what each needs; they fill nothing meanwhile. With room they
    are worked on."""
    bombs = {f"{n}.flac": drop(root, f"{n}.flac", bomb(n)) for n in (1, 2)}
    good = {f"z{n}.wav": drop(root, f"z{n}.wav", spoken(tmp_path / "a.wav", 2, 2.8, 1 - n / 50)) for n in range(3)}  # fmt: skip
    most, over = 0, threading.Event()

    def look() -> None:
        nonlocal most
        while not over.wait(0.01):
            most = max(most, shutil.disk_usage(root.scratch).used)

    looking = threading.Thread(target=look)
    looking.start()
    try:
        with Served(root) as served:
            for name, data in good.items():
                until(lambda n=name, d=data: is_finished(root, n, d))
            until(lambda: all(f'waiting      "{name}"' in served.log for name in bombs))
            until(lambda: any("It needs 346 MB" in problem for problem in status(root)["problems"]))
            over.set()
            assert most < 20_000_000 and files_below(root.quarantine) == []
            assert not any("waiting" in line and ".wav" in line for line in served.log.splitlines())
            make_room = ["mount", "-o", "remount,size=2g", str(root.scratch)]
            subprocess.run(make_room, check=True)
            codes = {until(lambda n=name: reason_of(root, n)).code for name in bombs}
            assert codes <= {"silent", "no-speech"}
    finally:
        over.set()
        looking.join()


def test_a_counted_take_is_asked_about_before_it_is_rendered(root: Root) -> None:
    """12 minutes: WAV, two copies and MP3 would be 240 MB. It is not begun to be written."""
    sound, rate = soundfile.read(BELL, dtype="int16")
    file = io.BytesIO()
    soundfile.write(file, np.tile(sound, 1 + 720 * rate // len(sound)), rate, format="FLAC")
    drop(root, "a.flac", file.getvalue())
    with Served(root) as served:
        until(lambda: "waiting" in served.log)
    assert "It needs" in served.log and without_pages(files_below(root.outbox)) == []


def test_an_honest_take_without_a_count_is_measured_not_guessed(root: Root, tmp_path: Path) -> None:
    """Of 30 s that a program streamed into a FLAC, 12 MB are decoded: they fit, whatever the longest
    take would need."""
    file = io.BytesIO()
    soundfile.write(file, np.zeros((48_000 * 30, 2), np.int16), 48_000, format="FLAC")
    data = bytearray(file.getvalue())
    data[21] &= 0xF0
    data[22:26] = bytes(4)
    (tmp_path / "a.flac").write_bytes(data)
    with open_take(tmp_path / "a.flac", root.scratch) as take:
        assert take.frames == 48_000 * 30


def test_small_needs_are_not_asked_about_and_large_ones_leave_a_reserve(root: Root) -> None:
    """A twentieth of a small disk is kept. Source: by algebra."""
    require_room(root.scratch, 50_000_000)
    require_room(root.scratch, int(DISK_MB * 2**20 * 0.94))
    with pytest.raises(NoRoom, match="It needs"):
        require_room(root.scratch, int(DISK_MB * 2**20 * 0.96))
    assert os.listdir(root.scratch) == []

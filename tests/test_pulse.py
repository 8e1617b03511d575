"""fairtake.pulse: what goes on is told from what hangs, however long it takes."""

from __future__ import annotations

import os
import signal
import subprocess
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from fairtake import pulse
from fairtake.files.encoder import BoundPopen, encoder
from fairtake.files.hashing import hash_of
from fairtake.folders.durable import move_new

#: So much silence that no machine here encodes it while a test lasts.
FOREVER = ("-v", "error", "-f", "lavfi", "-i", "anullsrc", "-t", "10000000", "-f", "mp3")


@pytest.fixture
def often(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pulse, "EVERY_S", 0.05)


def beats(work: Callable[[], object]) -> int:
    """How often was told that *work* goes on."""
    told: list[None] = []
    with pulse.felt_by(lambda: told.append(None)):
        work()
    return len(told)


def test_nobody_is_told_oftener_than_can_be_read(tmp_path: Path) -> None:
    """A thousand blocks in less than a second are no news; and whoever is told may move bytes itself."""
    assert beats(lambda: [pulse.beat() for _ in range(1000)]) == 0
    pulse.beat()  # nobody listens any more


@pytest.mark.usefixtures("often")
def test_whoever_listens_on_this_thread_is_told() -> None:
    """And of no other: each part of the inbox, and the loop, has a silence of its own."""
    told: list[str] = []

    def work() -> None:
        thread = threading.Thread(target=lambda: [pulse.beat() for _ in range(3)])
        with pulse.felt_by(lambda: told.append("inner")):
            thread.start()
            thread.join()
            assert told == []
            pulse_until(told)
        assert set(told) == {"inner"}

    assert beats(work) == 0


def pulse_until(told: list[str]) -> None:
    while not told:
        pulse.beat()


@pytest.mark.parametrize("move", ["hash", "copy to another drive"])
def test_moving_bytes_is_a_sign_of_life(
    move: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pulse, "EVERY_S", 0.0)
    take = tmp_path / "take.wav"
    take.write_bytes(bytes(2**23))
    if move == "hash":
        assert beats(lambda: hash_of(take)) >= 8
        return
    shared = Path("/dev/shm")
    if not shared.is_dir() or shared.stat().st_dev == tmp_path.stat().st_dev:
        pytest.skip("there is no other drive here")
    away = shared / f"fairtake-{os.getpid()}.wav"
    try:
        assert beats(lambda: move_new(take, away)) >= 24  # hashed, copied and read back
    finally:
        away.unlink(missing_ok=True)


@pytest.mark.usefixtures("often")
def test_an_encoder_is_alive_as_long_as_its_file_grows(tmp_path: Path) -> None:
    """One that stands still says nothing, however long it is waited for: it hangs."""
    told: list[None] = []
    command = [encoder(), *FOREVER, str(tmp_path / "out.mp3")]
    process = BoundPopen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE)

    def tell() -> None:
        told.append(None)
        if len(told) == 3:
            os.kill(process.pid, signal.SIGSTOP)
            threading.Timer(1.0, process.kill).start()

    with pulse.felt_by(tell):
        process.communicate()
    assert 3 <= len(told) <= 4  # what it wrote up to being stopped may be told behind it
    assert process.returncode == -signal.SIGKILL


@pytest.mark.usefixtures("often")
def test_a_program_that_is_caught_in_what_it_reads_is_not_alive(tmp_path: Path) -> None:
    """It keeps the processor busy and writes nothing: it has to be ended some time."""
    command = ["sh", "-c", "while :; do :; done", str(tmp_path / "out.wav")]
    process = BoundPopen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    threading.Timer(1.0, process.kill).start()
    assert beats(process.communicate) == 0

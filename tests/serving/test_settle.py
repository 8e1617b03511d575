"""fairtake.serving.settle: when a dropped file may be taken, with a clock of our own."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from fairtake.serving.scan import scan
from fairtake.serving.settle import Settling
from fairtake.writers import open_for_writing
from roots import CUT, spoken
from two_accounts import DROPPER, SERVICE, as_account, become, needs_root, open_folder

SETTLE_S, GRACE_S, UNSEEN_S = 10, 100, 60


class Inbox:
    """An inbox, the settling watched over it, and a clock that tests move."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.now = folder, 1000.0
        self.settling = Settling(folder, SETTLE_S, GRACE_S, UNSEEN_S, lambda: self.now)

    def after(self, seconds: float) -> list[str]:
        """What is ready *seconds* later, at a scan then."""
        self.now += seconds
        self.settling.look(scan(self.folder))
        return list(self.settling.ready())

    def write(self, name: str, data: bytes, mtime: float | None = None) -> None:
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        if mtime is not None:
            os.utime(path, (mtime, mtime))


@pytest.fixture
def inbox(tmp_path: Path) -> Inbox:
    (tmp_path / "inbox").mkdir()
    return Inbox(tmp_path / "inbox")


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return spoken(tmp_path_factory.mktemp("take") / "take.wav", 2, 2.6)


def test_a_take_is_ready_when_it_has_been_still_for_the_settle_time(
    inbox: Inbox, take: bytes
) -> None:
    """Not before, and at once then. Requirement 5: one gate."""
    inbox.write("a.wav", take)
    assert inbox.after(0) == []
    assert inbox.after(SETTLE_S - 0.1) == []
    assert inbox.settling.next_due_s() == pytest.approx(0.1)
    assert inbox.after(0.1) == ["a.wav"]


def test_a_slow_writer_is_waited_for_however_long_it_takes(inbox: Inbox, take: bytes) -> None:
    """Each growth begins the settle time anew; the gate never gives up. Requirement 5."""
    for end in range(1000, len(take), len(take) // 40):
        inbox.write("a.wav", take[:end])
        assert inbox.after(SETTLE_S - 1) == []
    assert inbox.settling.reasons() == {"a.wav": "still growing"}
    inbox.write("a.wav", take)
    assert inbox.after(0) == []
    assert inbox.after(SETTLE_S) == ["a.wav"]


def test_an_old_time_on_the_file_shortens_nothing(inbox: Inbox, take: bytes) -> None:
    """Copy tools keep the time of the source; only our own clock counts. Requirement 5."""
    inbox.write("a.wav", take, mtime=1_000_000)
    assert inbox.after(0) == []
    assert inbox.after(SETTLE_S - 1) == []
    assert inbox.after(1) == ["a.wav"]


def test_a_copy_that_takes_its_full_size_first_is_seen_by_its_time(
    inbox: Inbox, take: bytes
) -> None:
    """Some systems give the full size at once and then fill it. Requirement 5: preallocated."""
    for part in range(30):
        inbox.write("a.wav", take[: part * 900].ljust(len(take), b"\0"), mtime=2_000_000 + part)
        assert inbox.after(SETTLE_S - 1) == []
    inbox.write("a.wav", take, mtime=3_000_000)
    inbox.after(0)
    assert inbox.after(SETTLE_S) == ["a.wav"]


@pytest.mark.parametrize("name", ["a.wav", "a.mix/a.wav"])
def test_a_copy_whose_time_is_put_back_after_each_piece_is_seen(
    inbox: Inbox, take: bytes, name: str
) -> None:
    """Full size at once, short openings, the source's time after each: only the change time tells."""
    for part in range(5):
        inbox.write(name, take[: part * 9000].ljust(len(take), b"\0"), mtime=2_000_000)
        inbox.write("a.mix/cues.toml", b'[[voice]]\nfile = "a.wav"\n', mtime=2_000_000)
        assert inbox.after(SETTLE_S - 1) == []
    assert name.split("/")[0] in inbox.after(SETTLE_S)


def test_a_pause_at_nothing_is_waited_out(inbox: Inbox, take: bytes) -> None:
    """A file of 0 bytes is a copy that has not begun, until its grace is over. Requirement 5."""
    inbox.write("a.wav", b"")
    inbox.after(0)
    assert inbox.after(GRACE_S - 1) == []
    assert "it holds no bytes yet" in inbox.settling.reasons()["a.wav"]
    inbox.write("a.wav", take)
    assert inbox.after(1) == []
    assert inbox.after(SETTLE_S) == ["a.wav"]
    inbox.write("b.wav", b"")
    inbox.after(0)
    assert inbox.after(GRACE_S) == ["a.wav", "b.wav"]


def test_half_a_take_waits_until_its_grace_is_over(inbox: Inbox) -> None:
    """Its header says that more should come; in the end it is taken, to be told. Requirement 6."""
    inbox.write("half.wav", CUT.read_bytes())
    inbox.after(0)
    assert inbox.after(SETTLE_S) == []
    assert "promises" in inbox.settling.reasons()["half.wav"]
    assert inbox.after(GRACE_S - SETTLE_S - 1) == []
    assert inbox.after(1) == ["half.wav"]


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux tells who has a file open")
def test_a_file_somebody_still_writes_is_not_ready(inbox: Inbox, take: bytes) -> None:
    """Reopened after it looked done: the lease shows the writer. Requirement 5."""
    inbox.write("a.wav", take)
    inbox.after(0)
    with open(inbox.folder / "a.wav", "ab"):
        assert open_for_writing(inbox.folder / "a.wav")
        assert inbox.after(SETTLE_S) == []
        assert inbox.after(GRACE_S * 2) == [], "however long it is held"
        assert inbox.settling.arriving() == {"a.wav"}
        assert inbox.settling.reasons() == {"a.wav": "held open by another program"}
        assert (inbox.settling.next_due_s() or 99) < 1, "nobody tells when it is let go of"
    with open(inbox.folder / "a.wav", "rb"):
        assert inbox.after(1) == ["a.wav"], "a reader is no writer"


@needs_root
@pytest.mark.parametrize("name", ["a.wav", "a.mix/a.wav"])
def test_cannot_tell_is_not_nobody(take: bytes, name: str) -> None:
    """A writer of another account pauses: his file has to be still for longer, and it is said why."""
    with open_folder() as folder, _held_by(DROPPER, folder / name, take, 0o644):
        if name.startswith("a.mix/"):
            (folder / "a.mix/cues.toml").write_bytes(b'[[voice]]\nfile = "a.wav"\n')

        def settle() -> None:
            inbox, path = Inbox(folder), name.split("/")[0]
            assert open_for_writing(folder / name) is None
            assert inbox.after(0) == inbox.after(SETTLE_S) == inbox.after(UNSEEN_S - 11) == []
            said = {path: "settling, 1 s to go: whether somebody writes it cannot be seen"}
            assert inbox.settling.reasons() == said and inbox.settling.met_unseen
            assert inbox.settling.next_due_s() == pytest.approx(1)
            assert inbox.after(1) == [path]

        as_account(SERVICE, settle)


@needs_root
def test_a_writer_is_found_in_the_tables_of_open_files(take: bytes) -> None:
    """Another account's file, which a process of ours writes: its table may be read, and tells."""
    with open_folder() as folder:
        (folder / "a.wav").write_bytes(take)
        (folder / "a.wav").chmod(0o666)
        os.chown(folder / "a.wav", DROPPER, DROPPER)

        def settle() -> None:
            inbox = Inbox(folder)
            with open(folder / "a.wav", "ab"):
                assert open_for_writing(folder / "a.wav") is True
                assert inbox.after(0) == inbox.after(SETTLE_S) == inbox.after(GRACE_S) == []
                assert inbox.settling.reasons() == {"a.wav": "held open by another program"}
            with open(folder / "a.wav", "rb"):
                assert open_for_writing(folder / "a.wav") is None, "a reader is no writer"
            assert inbox.after(1) == ["a.wav"]

        as_account(SERVICE, settle)


@contextmanager
def _held_by(account: int, path: Path, data: bytes, mode: int) -> Iterator[None]:
    """A process of *account* has *path* open for writing, and half of it written."""
    path.parent.mkdir(exist_ok=True)
    path.parent.chmod(0o777)
    said, saying = os.pipe()
    writer = os.fork()
    if writer == 0:
        become(account)
        with open(path, "wb", buffering=0) as file:
            os.fchmod(file.fileno(), mode)
            file.write(data)
            os.write(saying, b".")
            time.sleep(60)
        os._exit(0)
    try:
        assert os.read(said, 1) == b"."
        yield
    finally:
        os.kill(writer, signal.SIGKILL)
        os.waitpid(writer, 0)
        os.close(said)
        os.close(saying)


def test_a_change_between_scan_and_claim_is_noticed(inbox: Inbox, take: bytes) -> None:
    """What is ready is looked at once more before it is named. Requirement 8."""
    inbox.write("a.wav", take[:-10])
    inbox.after(0)
    inbox.now += SETTLE_S
    inbox.settling.look(scan(inbox.folder))
    inbox.write("a.wav", take)
    assert list(inbox.settling.ready()) == []
    assert inbox.after(SETTLE_S) == ["a.wav"]


def test_a_folder_without_title_waits_until_all_of_it_is_still(inbox: Inbox, take: bytes) -> None:
    """Its title.toml may come last and would be too late. DEVELOPERS: folders are waited for."""
    inbox.write("T/1.wav", take)
    inbox.after(0)
    inbox.now += SETTLE_S
    inbox.write("T/2.wav", take)
    assert inbox.after(0) == []
    assert inbox.settling.reasons()["T/1.wav"] == "the folder is still being filled"
    assert inbox.after(SETTLE_S - 1) == []
    assert inbox.after(1) == ["T/1.wav", "T/2.wav"]


@pytest.mark.parametrize("where", ["T/title.toml", "T/Part/title.toml", "T/Title.TOML"])
def test_a_folder_with_a_settled_title_does_not_wait(inbox: Inbox, take: bytes, where: str) -> None:
    """The title is there, so each take goes on by itself. DEVELOPERS: folders are waited for."""
    inbox.write(where, b"")
    inbox.write("T/Part/1.wav", take)
    inbox.after(0)
    inbox.now += SETTLE_S
    inbox.write("T/Part/2.wav", take)
    assert inbox.after(0) == ["T/Part/1.wav"]


def test_what_was_put_back_waits_out_its_grace(inbox: Inbox, take: bytes) -> None:
    """A take that turned out not to be whole is not tried at every scan. Requirement 6."""
    inbox.write("a.wav", take)
    seen = scan(inbox.folder)["a.wav"]
    inbox.settling.put_back("a.wav", seen, "its last page is not complete")
    assert inbox.after(SETTLE_S) == []
    assert "its last page is not complete" in inbox.settling.reasons()["a.wav"]
    assert inbox.after(GRACE_S - SETTLE_S) == ["a.wav"]


def test_every_take_says_what_it_waits_for(inbox: Inbox, take: bytes) -> None:
    """Seconds to go, and whose turn it is. Issue, part 1: status says what a file waits for."""
    inbox.write("cut.wav", CUT.read_bytes())
    inbox.write("whole.wav", take)
    inbox.after(0)
    inbox.after(SETTLE_S - 3)
    assert set(inbox.settling.reasons().values()) == {"settling, 3 s to go"}
    assert inbox.after(3) == ["whole.wav"]
    reasons = inbox.settling.reasons()
    assert reasons["whole.wav"] == "its turn"
    assert reasons["cut.wav"].startswith("bytes are missing: its header promises")
    assert reasons["cut.wav"].endswith("(90 s left for that to change)")


CUES = b'[[voice]]\nfile = "a.wav"\n[[bed]]\nfile = "sea.wav"\n'


def test_a_mix_is_one_take_and_ready_when_all_that_it_names_is_there(
    inbox: Inbox, take: bytes
) -> None:
    """It settles as a whole, waits for each file that its cues name, and says which."""
    inbox.write("Tide/open.mix/a.wav", take)
    inbox.write("Tide/title.toml", b"")
    inbox.after(0)
    assert inbox.after(SETTLE_S) == []
    assert "there is no cues.toml" in inbox.settling.reasons()["Tide/open.mix"]
    inbox.write("Tide/open.mix/cues.toml", CUES)
    inbox.after(0)
    assert inbox.after(SETTLE_S) == []
    assert "'sea.wav'" in inbox.settling.reasons()["Tide/open.mix"]
    inbox.write("Tide/open.mix/sea.wav", take[: len(take) // 2])
    inbox.after(0)
    assert inbox.after(SETTLE_S) == []
    assert "of 'sea.wav' bytes are missing" in inbox.settling.reasons()["Tide/open.mix"]
    inbox.write("Tide/open.mix/sea.wav", take)
    inbox.after(0)
    assert inbox.after(SETTLE_S - 0.1) == []
    assert inbox.after(0.1) == ["Tide/open.mix"]
    assert list(inbox.settling.reasons()) == ["Tide/open.mix"]


def test_a_mix_that_stays_incomplete_is_taken_after_its_grace(inbox: Inbox, take: bytes) -> None:
    """So that it goes into quarantine with the reason, and does not wait for ever."""
    inbox.write("open.mix/a.wav", take)
    inbox.write("open.mix/cues.toml", CUES)
    inbox.after(0)
    assert inbox.after(GRACE_S - 0.1) == []
    assert inbox.after(0.1) == ["open.mix"]


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux tells who writes a file")
def test_a_mix_is_held_while_one_of_its_files_is_written(inbox: Inbox, take: bytes) -> None:
    """A file that somebody has open for writing holds up the whole mix."""
    inbox.write("open.mix/a.wav", take)
    inbox.write("open.mix/cues.toml", b'[[voice]]\nfile = "a.wav"\n')
    inbox.after(0)
    with open(inbox.folder / "open.mix/a.wav", "ab"):
        assert inbox.after(SETTLE_S) == []
        assert inbox.settling.reasons()["open.mix"] == "held open by another program"
    assert inbox.after(0) == ["open.mix"]


LEASED = """
import fcntl, os, sys, time
from pathlib import Path
from fairtake.writers import open_for_writing

ask = fcntl.fcntl

def slowly(file, what, *given):
    answer = ask(file, what, *given)
    if what == fcntl.F_SETLEASE and given == (fcntl.F_RDLCK,):
        print("leased", flush=True)
        time.sleep(0.3)
    return answer

fcntl.fcntl = slowly
print(open_for_writing(Path(sys.argv[1])), flush=True)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="the system does not tell")
def test_a_writer_that_comes_while_we_ask_ends_nobody(tmp_path: Path) -> None:
    """Between lease and release, which are drawn apart here, the system tells us of a writer by a
    signal, whose usual effect is our end. Source: fcntl(2), F_SETLEASE and F_SETSIG."""
    take = tmp_path / "a.wav"
    take.write_bytes(b"take")
    asking = subprocess.Popen(
        [sys.executable, "-c", LEASED, take], stdout=subprocess.PIPE, text=True
    )
    assert asking.stdout is not None and asking.stdout.readline() == "leased\n"
    with open(take, "r+b"):  # waits until the lease is given back
        assert asking.communicate(timeout=20)[0] == "False\n"
    assert asking.returncode == 0

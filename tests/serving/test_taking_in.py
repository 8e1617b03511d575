"""The way in of a whole service: what it sees, what it waits for, what it does when a copy goes on."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from fairtake.serving.status import status
from roots import Served, drop, files_below, is_finished, new_root, spoken, until

pytestmark = pytest.mark.skipif(os.name != "posix", reason="services are ended by POSIX signals")
#: A chunk that says nothing: a WAV is whole with it and without it.
TAIL = b"junk\x08\0\0\0nothing."
MANY = 10_000


def test_ten_thousand_takes_dropped_while_the_service_slept_are_all_seen(tmp_path: Path) -> None:
    """More than the system's queue of events holds: the scan is the truth. Requirement 1."""
    root = new_root(tmp_path / "root", settle_s=3600)
    with Served(root) as served:
        until(lambda: "watching" in served.log)
        served.process.send_signal(signal.SIGSTOP)
        for number in range(MANY):
            (root.inbox / f"{number}.wav").write_bytes(b"x")
        served.process.send_signal(signal.SIGCONT)
        until(lambda: served.log.count("  seen ") == MANY)
        said = until(lambda: (s := status(root))["totals"]["pending"] == MANY and s)
    assert said["totals"]["seen"] == MANY and said["totals"]["from"] == "ledger"
    assert {take["for"].partition(",")[0] for take in said["waiting"]} == {"settling"}


@pytest.mark.skipif(sys.platform != "linux", reason="the descriptor is opened anew through /proc")
def test_what_is_appended_after_the_claim_is_in_the_output(tmp_path: Path) -> None:
    """Unclaimed, and one output, of the final bytes. Requirement 8."""
    root = new_root(tmp_path / "root", workers=1)
    data = drop(root, "take.wav", spoken(tmp_path / "voice.wav"))
    with open(root.inbox / "take.wav", "rb") as held, Served(root) as served:
        until(served.is_working)
        with open(f"/proc/self/fd/{held.fileno()}", "ab") as writer:
            writer.write(TAIL)
        until(lambda: is_finished(root, "take.wav", data + TAIL))
    assert "unclaimed" in served.log and served.log.count("published") == 1
    assert files_below(root.inbox, root.claims, root.quarantine) == []


def test_the_next_take_is_claimed_while_one_is_finished(tmp_path: Path) -> None:
    """No worker waits for a claim; and no more are taken out of the inbox than are soon begun."""
    root = new_root(tmp_path / "root", workers=1)
    for number in range(4):
        sound = spoken(tmp_path / "voice.wav", 1.6, 6.0, 1 - number / 10)
        drop(root, f"{number}.wav", sound)
    with Served(root) as served:
        until(lambda: served.log.count("published") == 4, 60)
    steps = re.findall(r"  (claimed|published) +\"(\d)\.wav\"", served.log)
    begun_at = [steps.index(("claimed", str(number))) for number in range(4)]
    ended_at = [steps.index(("published", str(number))) for number in range(4)]
    assert all(begun_at[n + 1] < ended_at[n] for n in range(3))
    assert all(begun_at[n + 2] > ended_at[n] for n in range(2))


def test_without_watches_to_give_it_polls_and_says_why(tmp_path: Path) -> None:
    """The limit's name is in the log, and takes are claimed all the same. Requirement 2."""
    bare = 'echo 0 > /proc/sys/user/max_inotify_instances && exec "$@"'
    under = ("unshare", "--user", "--map-root-user", "sh", "-c", bare, "sh")
    try:
        subprocess.run([*under, "true"], check=True, capture_output=True)
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("no namespace with limits of its own can be made here")
    root = new_root(tmp_path / "root", scan_s=600)
    with Served(root, under=under) as served:
        until(lambda: "watching" in served.log)
        assert "how: polling" in served.log and "max_user_instances" in served.log
        drop(root, "take.wav", spoken(tmp_path / "voice.wav", 2, 2.6))
        until(lambda: "claimed" in served.log, 20)

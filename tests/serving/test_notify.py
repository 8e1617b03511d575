"""fairtake.serving.notify: what the service manager hears, on a real socket."""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from fairtake import pulse
from fairtake.folders import begin, claim
from fairtake.serving import serve
from fairtake.serving.job import Outcome
from fairtake.serving.notify import Manager
from fairtake.serving.serve import Service
from roots import drop, new_root

pytestmark = pytest.mark.skipif(not hasattr(socket, "AF_UNIX"), reason="no local sockets here")


@pytest.fixture(params=["path", "abstract"])
def ear(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[socket.socket]:
    """The manager's end of the socket."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        name = str(tmp_path / "notify@1")
        try:
            ear.bind(f"\0{name}" if request.param == "abstract" else name)
        except OSError:
            pytest.skip("this system has no such sockets, or the path is too long")
        ear.settimeout(0.2)
        yield ear


def address(ear: socket.socket) -> str:
    name = os.fsdecode(ear.getsockname())
    return f"@{name[1:]}" if name.startswith("\0") else name


def heard(ear: socket.socket) -> list[str]:
    words = []
    try:
        while True:
            words.append(ear.recv(4096).decode())
    except TimeoutError:
        return words


def test_ready_status_and_stopping_are_heard(ear: socket.socket) -> None:
    """One datagram a word, a status only when it changes, on one line. sd_notify(3)."""
    manager = Manager({"NOTIFY_SOCKET": address(ear)})
    manager.ready()
    for _ in range(2):
        manager.status("at work on two\nlines \x1b[31m.wav")
    manager.stopping()
    assert heard(ear) == [
        "READY=1", r"STATUS=at work on two\nlines \x1b[31m.wav", "STOPPING=1"
    ]  # fmt: skip


def test_the_watchdog_is_told_at_half_of_its_time(ear: socket.socket) -> None:
    """However often the loop turns, and not before time. sd_watchdog_enabled(3)."""
    manager = Manager({"NOTIFY_SOCKET": address(ear), "WATCHDOG_USEC": "400000"})
    begun = time.monotonic()
    while time.monotonic() - begun < 0.7:
        manager.alive()
        assert manager.due_s() <= 0.2
        time.sleep(0.01)
    assert heard(ear) in (["WATCHDOG=1"] * 2, ["WATCHDOG=1"] * 3)


@pytest.mark.parametrize("watchdog", [{}, {"WATCHDOG_USEC": "1", "WATCHDOG_PID": "1"},
                                      {"WATCHDOG_USEC": "soon"}, {"WATCHDOG_USEC": "0"}])  # fmt: skip
def test_without_a_watchdog_of_ours_nothing_is_due(watchdog: dict[str, str]) -> None:
    """The loop is not woken for nobody. sd_watchdog_enabled(3)."""
    manager = Manager(dict(watchdog))
    manager.alive()
    assert manager.due_s() == float("inf")


def test_the_variables_are_kept_from_children(ear: socket.socket) -> None:
    """A worker or the encoder must not speak for the service. sd_notify(3)."""
    environment = {"NOTIFY_SOCKET": address(ear), "WATCHDOG_USEC": "9", "PATH": "/bin"}
    Manager(environment)
    assert environment == {"PATH": "/bin"}


def test_nobody_listening_is_no_fault(tmp_path: Path) -> None:
    """The service works without a manager, and when it goes away. Design: stands alone."""
    for environment in ({}, {"NOTIFY_SOCKET": str(tmp_path / "gone")}):
        manager = Manager(environment)
        manager.ready()
        manager.status("x")
        manager.stopping()


def test_a_loop_that_moves_a_take_itself_is_no_loop_that_hangs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A take that used up its attempts is hashed by the loop: gigabytes, over whatever link. A manager
    that hears nothing for a minute kills the service, and the next one would begin the same again."""
    monkeypatch.setattr(pulse, "EVERY_S", 0.0)
    root, told = new_root(tmp_path / "root"), list[str]()
    drop(root, "take.wav", bytes(2**23))
    claimed = claim(root, "take.wav")
    assert claimed is not None
    for _ in range(root.settings.most_attempts):
        begin(claimed)
    quarantined = serve.quarantined

    def noted(*given: Any) -> Outcome:
        told.append("begun")
        outcome = quarantined(*given)
        told.append("done")
        return outcome

    monkeypatch.setattr(serve, "quarantined", noted)
    monkeypatch.setattr(Manager, "alive", lambda self: told.append("alive"))
    Service(root, once=True).run()
    assert "alive" in told[told.index("begun") : told.index("done")]
    assert (root.quarantine / "take.wav").exists()

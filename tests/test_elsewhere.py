"""What is done on macOS and Windows, run here through `elsewhere.py`: they are reached by no other test."""

from __future__ import annotations

import importlib
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from elsewhere import MISSING, MISSING_MODULES
from roots import (
    CUT,
    Served,
    drop,
    files_below,
    is_finished,
    new_root,
    reason_of,
    receipt_of,
    spoken,
    until,
)

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the other systems are true there")
SYSTEMS = ("darwin", "win32")


def as_on(system: str) -> tuple[str, ...]:
    return (sys.executable, str(Path(__file__).with_name("elsewhere.py")), system)


def run(system: str, *arguments: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*as_on(system), *map(str, arguments)], capture_output=True, text=True)


@pytest.mark.parametrize("system", SYSTEMS)
def test_the_service_works_there(system: str, tmp_path: Path) -> None:
    """From the scan to the page, with what that system has not missing; alone, and nothing is left over."""
    root = new_root(tmp_path / "root", watch="polling", default_profile="speech")
    data = drop(root, "Été/one.wav", spoken(tmp_path / "voice.wav"))
    drop(root, "cut.wav", CUT.read_bytes())
    with Served(root, program=as_on(system)) as served:
        until(lambda: is_finished(root, "Été/one.wav", data) and reason_of(root, "cut.wav"))
        second = run(system, "serve", root.path, "--once")
        assert "Another fairtake already serves" in second.stderr  # and sees to the takes
        assert served.end(signal.SIGTERM) == 0
    assert "crashed" not in served.log and "fault" not in served.log
    reason, receipt = reason_of(root, "cut.wav"), receipt_of(root, "Été/one")
    assert reason is not None and reason.code == "cut-short"
    assert receipt is not None and receipt.profile.name == "speech"
    assert (root.outbox / "Été" / "one.html").is_file() and (root.outbox / "index.html").is_file()
    assert files_below(root.inbox, root.claims, root.scratch) == []
    assert "cannot confine the workers" in run(system, "check", root.path).stdout


def test_once_and_master_work_on_windows(tmp_path: Path) -> None:
    """The lock of a service that ended is free, and a take is finished without a ROOT as well."""
    root = new_root(tmp_path / "root")
    take = tmp_path / "one.wav"
    data = drop(root, "one.wav", spoken(take))
    assert run("win32", "serve", root.path, "--once").returncode == 0
    assert is_finished(root, "one.wav", data)
    done = run("win32", "master", take, "--profile", "podcast", "--out", tmp_path / "out")
    assert done.returncode == 0, done.stderr
    assert {p.suffix for p in files_below(tmp_path / "out")} >= {".wav", ".mp3", ".json"}


def test_the_other_systems_are_really_shown() -> None:
    """What the table of `elsewhere.py` calls missing is here, and would be used if it were seen."""
    assert [n for (_, module), names in MISSING.items() for n in names
            if not hasattr(importlib.import_module(module), n)] == []  # fmt: skip
    assert {"fcntl", "resource"} <= MISSING_MODULES["win32"] and os.name == "posix"

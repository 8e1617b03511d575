"""What is done on macOS and Windows, run here through `elsewhere.py`: they are reached by no other test."""

from __future__ import annotations

import os
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
def test_the_service_finishes_and_quarantines_there(system: str, tmp_path: Path) -> None:
    """From the scan to the page, with what that system has not missing; nothing is left over."""
    root = new_root(tmp_path / "root", watch="polling", default_profile="speech")
    data = drop(root, "Été/one.wav", spoken(tmp_path / "voice.wav"))
    drop(root, "cut.wav", CUT.read_bytes())
    done = run(system, "serve", root.path, "--once")
    assert done.returncode == 1, done.stderr
    assert is_finished(root, "Été/one.wav", data), done.stderr
    assert "crashed" not in done.stderr and "fault" not in done.stderr
    reason, receipt = reason_of(root, "cut.wav"), receipt_of(root, "Été/one")
    assert reason is not None and reason.code == "cut-short"
    assert receipt is not None and receipt.profile.name == "speech"
    assert (root.outbox / "Été" / "one.html").is_file() and (root.outbox / "index.html").is_file()
    assert files_below(root.inbox, root.claims, root.scratch) == []


@pytest.mark.parametrize("system", SYSTEMS)
def test_a_second_service_is_refused_there(system: str, tmp_path: Path) -> None:
    """The lock holds on every system, and is let go of with the process."""
    root = new_root(tmp_path / "root", watch="polling")
    with Served(root, program=as_on(system)) as served:
        until(lambda: "watching" in served.log)
        second = run(system, "serve", root.path, "--once")
    assert second.returncode == 1 and "Another fairtake already serves" in second.stderr
    assert run(system, "serve", root.path, "--once").returncode == 0


@pytest.mark.parametrize("system", SYSTEMS)
def test_master_and_check_work_there(system: str, tmp_path: Path) -> None:
    """Without a ROOT as well; and what that system cannot keep a worker from is said."""
    take = tmp_path / "one.wav"
    spoken(take)
    done = run(system, "master", take, "--profile", "podcast", "--out", tmp_path / "out")
    assert done.returncode == 0, done.stderr
    assert {p.suffix for p in files_below(tmp_path / "out")} >= {".wav", ".mp3", ".json"}
    root = new_root(tmp_path / "root")
    assert "cannot confine the workers" in run(system, "check", root.path).stdout


def test_the_other_systems_are_really_shown(tmp_path: Path) -> None:
    """What the table of `elsewhere.py` calls missing is here, and would be used if it were seen."""
    assert all(hasattr(sys.modules[name], key) for (_, name), keys in MISSING.items()
               if name in sys.modules for key in keys if name == "os"), "a name is misspelt"  # fmt: skip
    assert {"fcntl", "resource"} <= MISSING_MODULES["win32"] and os.name == "posix"

"""fairtake.folders.life: death and faults at every step, and the order of the steps.

Every so-many-th step is hurt here; with FAIRTAKE_EVERY_STEP=1 in the environment, each one.
"""

from __future__ import annotations

import multiprocessing
import os
import re
import shutil
import subprocess
import sys
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

import hurting
from crashing import NAME, TAKE, WAYS
from fairtake.receipt import RECEIPT_SUFFIX
from hurting import Scene
from roots import drop
from two_accounts import DROPPER

pytestmark = pytest.mark.skipif(os.name != "posix", reason="the children are forks")

WHERE = ("rename", "link", "other drive", "inbox apart", "another's")
#: All is imported here already; a fresh interpreter would spend its time on that alone.
CHILDREN = multiprocessing.get_context("fork") if os.name == "posix" else None


@pytest.fixture
def scene(request: pytest.FixtureRequest, way: str, where: str, ram: Path, model: str) -> Scene:
    """The steps of *way*: *where* names by which call files move, what lies on another drive, or that the
    take is another account's."""
    if where == "another's" and os.geteuid():
        pytest.skip("only root can make another account's file")
    apart = where in ("other drive", "inbox apart")
    other = request.getfixturevalue("other_drive") if apart else None
    far, inbox = (other, None) if where == "other drive" else (None, other)
    stride = 1 if "FAIRTAKE_EVERY_STEP" in os.environ else 23 if far else 7
    return Scene(way, ram, far, model, stride, inbox, DROPPER if where == "another's" else None)


def in_child(target: Callable[..., None], *arguments: Any) -> None:
    """Run *target* in a process of its own, for it wraps system calls; it says itself why it fails."""
    assert CHILDREN is not None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # forks beside threads: none of these touches a lock
        child = CHILDREN.Process(target=target, args=arguments)
        child.start()
    child.join()
    assert child.exitcode == 0


@pytest.mark.parametrize("where", WHERE)
@pytest.mark.parametrize("way", WAYS)
def test_death_at_every_step_loses_and_spoils_nothing(scene: Scene, where: str) -> None:
    """Die before each step, recover, go on: whole and once. Requirement 11: any step."""
    in_child(hurting.deaths, scene, where == "link")


@pytest.mark.parametrize("where", WHERE)
@pytest.mark.parametrize("way", WAYS)
def test_a_fault_at_every_step_loses_nothing_and_uses_no_attempt(scene: Scene, where: str) -> None:
    """Full, broken, gone, forbidden, out of handles: go on later. Requirement 12: any call may fail."""
    in_child(hurting.faults, scene, where == "link", False, False, len(scene.way))


@pytest.mark.parametrize("where", WHERE)
@pytest.mark.parametrize("way", WAYS)
def test_a_step_that_happened_in_spite_of_its_error_counts(scene: Scene, where: str) -> None:
    """A share may do it and report an error. Requirements 9 and 12: checked by stat."""
    scene.stride = min(scene.stride, 7 if scene.far else 3)  # few steps can happen
    in_child(hurting.faults, scene, where == "link", True, False, 0)


@pytest.mark.parametrize("where", WHERE)
@pytest.mark.parametrize("way", WAYS)
def test_a_drive_that_goes_away_at_any_step_takes_nothing_along(scene: Scene, where: str) -> None:
    """From one step on every call fails; once it is back, all goes on. Requirement 12."""
    in_child(hurting.faults, scene, where == "link", False, True, len(scene.way))


@pytest.fixture
def calls(ram: Path, model: str) -> list[str]:
    """The system calls of one take being finished."""
    if shutil.which("strace") is None:
        pytest.skip("strace is not installed")
    root = hurting.fresh_root(ram, None)
    drop(root, NAME, TAKE)
    (ram / "model").write_text(model)
    trace = ram / "trace"
    code = (
        "import sys, pathlib, crashing, fairtake.folders as f; "
        "r = f.open_root(pathlib.Path(sys.argv[1])); "
        "crashing.finish(r, pathlib.Path(sys.argv[2]).read_text())"
    )
    what = "trace=openat,close,read,fsync,/rename"
    traced = ["strace", "-f", "-y", "-s", "999", "-o", str(trace), "-e", what]
    subprocess.run(
        [*traced, sys.executable, "-c", code, str(root.path), str(ram / "model")],
        check=True, cwd=Path(__file__).parents[1],
    )  # fmt: skip
    return list(by_open_folders(trace.read_text().replace(f"{root.path}/", "").splitlines()))


def by_open_folders(calls: list[str]) -> Iterator[str]:
    """*calls* with the folder's own path where an open folder was gone into by its descriptor."""
    opened: dict[str, str] = {}
    for call in calls:
        yield re.sub(r"/proc/self/fd/(\d+)", lambda found: opened[found[1]], call)
        if found := re.search(r"openat\(.* = (\d+)<(.*)>$", call):
            opened[found[1]] = found[2]


def first(calls: list[str], call: str, path: str, after: int = -1) -> int:
    """Where *call* on *path* stands first, behind *after*."""
    return next(n for n, c in enumerate(calls) if n > after and f"{call}(" in c and path in c)


def test_the_steps_of_publishing_are_in_order(calls: list[str]) -> None:
    """Sync, close, read back, promise, rename, sync the folder, then the take, then the receipt.

    Requirement 10: the order from a system-call trace.
    """
    promised = first(calls, "rename", "publish.json")
    placed = [re.findall(r'"([^"]+)"', call)[1] for call in calls if "renameat2(" in call]
    assert placed == [
        "outbox/Tide/one.wav", "outbox/Tide/one.mp3", f"originals/{NAME}",
        f"outbox/Tide/one{RECEIPT_SUFFIX}",
    ]  # fmt: skip
    for file, target in (("finished.wav", placed[0]), ("finished.mp3", placed[1])):
        synced = first(calls, "fsync", file)
        closed = first(calls, "close", file, synced)
        read = first(calls, "read", file, closed)
        moved = first(calls, "renameat2", target)
        assert synced < closed < read < promised < moved
    taken = first(calls, "renameat2", f"originals/{NAME}")
    assert first(calls, "fsync", "outbox/Tide>", first(calls, "renameat2", placed[1])) < taken
    receipt = first(calls, "renameat2", RECEIPT_SUFFIX)
    assert first(calls, "fsync", "originals/Tide>", taken) < receipt
    first(calls, "fsync", "outbox/Tide>", receipt)


def test_no_descriptor_is_synced_twice(calls: list[str]) -> None:
    """After a failed sync the second one may lie. Requirement 12: never retried on a descriptor."""
    synced: set[str] = set()
    for call in calls:
        if "fsync(" in call:
            descriptor = call.split("fsync(")[1].split("<")[0]
            assert descriptor not in synced, call
            synced.add(descriptor)
        elif "close(" in call:
            synced.discard(call.split("close(")[1].split("<")[0])

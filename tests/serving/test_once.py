"""Runs from cron, and the hours of the day: real processes on real folders."""

from __future__ import annotations

import os
import subprocess
import tomllib
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import tomli_w

from fairtake.folders import SETTINGS_FILE, Claim, Root, begin, claim, claims, open_root
from fairtake.serving.crew import Task
from fairtake.serving.serve import Service
from fairtake.serving.status import status
from fairtake.serving.workers import Worker, Workers
from roots import (
    FAIRTAKE,
    Served,
    drop,
    files_below,
    is_finished,
    new_root,
    reason_of,
    spoken,
    until,
)

pytestmark = pytest.mark.skipif(os.name != "posix", reason="one service a ROOT is told by flock")


@pytest.fixture
def root(tmp_path: Path) -> Root:
    return new_root(tmp_path / "root", workers=1)


def once(root: Root) -> subprocess.CompletedProcess[str]:
    command = [*FAIRTAKE, "serve", "--once", str(root.path)]
    return subprocess.run(command, capture_output=True, text=True, timeout=120)


def hours_from_now(begin_h: float, end_h: float) -> str:
    now = datetime.now()
    return "-".join(f"{now + timedelta(hours=h):%H:%M}" for h in (begin_h, end_h))


def change(root: Root, **settings: Any) -> Root:
    file = root.path / SETTINGS_FILE
    file.write_text(tomli_w.dumps(tomllib.loads(file.read_text()) | settings))
    return open_root(root.path)


def test_a_run_with_nothing_to_do_says_nothing(root: Root) -> None:
    """So that cron sends no mail; with something to do the log is whole. Design: for cron."""
    done = once(root)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    drop(root, "bad.wav", b"no sound")
    done = once(root)
    words = [line.split()[2] for line in done.stderr.splitlines()]
    assert (done.returncode, done.stdout) == (1, "")
    assert words[0] == "started" and words[-1] == "stopped" and "quarantined" in words
    assert reason_of(root, "bad.wav")


def test_a_run_beside_another_service_leaves_the_takes_to_it(root: Root) -> None:
    """One line, and no failure, for nothing is left undone. Design: for cron."""
    with Served(root) as served:
        until(lambda: "started" in served.log)
        done = once(root)
        assert (done.returncode, done.stdout) == (0, "")
        [line] = done.stderr.splitlines()
        assert "already serves" in line and str(root.path) in line and "sees to the takes" in line


def test_outside_the_hours_takes_stay_in_the_inbox(root: Root) -> None:
    """They settle, are not claimed, and status says for when; in the hours they are worked on."""
    change(root, work_hours=hours_from_now(2, 3))
    data = drop(root, "one.wav", b"no sound")
    waits = f"its hours, from {datetime.now() + timedelta(hours=2):%H:}"
    with Served(root) as served:
        told = until(lambda: (w := status(root)["waiting"]) and "hours" in w[0]["for"] and w)
        assert told[0]["for"].startswith(waits)
        assert claims(root) == [] and "claimed" not in served.log
    done = once(root)
    assert done.returncode == 0 and (root.inbox / "one.wav").read_bytes() == data
    words = [line.split()[2] for line in done.stderr.splitlines()]
    assert words == ["started", "watching", "seen", "left", "stopped"]
    left = done.stderr.splitlines()[words.index("left")]
    assert waits in left and "takes: 1" in left

    change(root, work_hours=hours_from_now(-1, 1))
    assert once(root).returncode == 1 and reason_of(root, "one.wav")


def test_what_is_in_work_when_the_hours_end_is_ended_and_no_other_begun(root: Root) -> None:
    """The hours end as soon as a take is in work. Work is never thrown away."""
    root = change(root, work_hours="22:00-06:00")
    takes = {name: drop(root, name, name.encode()) for name in ("a.wav", "b.wav")}
    begun = []

    class Crew(Workers):
        def hand(self, claimed: Claim, task: Task) -> Worker:
            begun.append(claimed)
            return super().hand(claimed, task)

    def clock() -> datetime:
        return datetime(2026, 5, 4, 6 if begun else 5, 30)

    service = Service(root, once=True, workers=Crew(2), clock=clock)
    service.run()
    [left] = [name for name in takes if reason_of(root, name) is None]
    assert service.failed == 1 and not service.gave_up
    assert (root.inbox / left).read_bytes() == takes[left]


def test_what_was_only_claimed_goes_back_and_what_was_begun_is_ended(
    root: Root, tmp_path: Path
) -> None:
    """An earlier service's claims, taken up outside the hours. Requirement 16: a kill at any step."""
    root = change(root, work_hours="22:00-06:00")
    takes = {"a.wav": drop(root, "a.wav", b"no sound")}
    takes["b.wav"] = drop(root, "b.wav", spoken(tmp_path / "v.wav"))
    for name in takes:
        claimed = claim(root, name)
        assert claimed is not None
        if name == "b.wav":
            begin(claimed)
    Service(root, once=True, clock=lambda: datetime(2026, 5, 4, 12)).run()
    assert is_finished(root, "b.wav", takes["b.wav"])
    assert (root.inbox / "a.wav").read_bytes() == takes["a.wav"]
    assert files_below(root.claims, root.scratch) == []

"""fairtake.serving.heartbeat: what the service says of itself, and what its silence means."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from fairtake.serving.heartbeat import DEAD_AFTER_S, beat, last_beat, life


@pytest.fixture
def heart(tmp_path: Path) -> Path:
    return tmp_path / "heartbeat.json"


def spoil(heart: Path, **changed: Any) -> None:
    """Change single words of the last beat."""
    heart.write_text(json.dumps((last_beat(heart) or {}) | changed))


def test_a_service_that_was_never_there_never_ran(heart: Path) -> None:
    """Design: status says whether the service lives."""
    assert life(heart).state == "never-ran" and "never run" in life(heart).sentence()


def test_what_was_said_comes_back(heart: Path) -> None:
    """Trouble, reasons and work in hand are the service's own words. Design: the commands."""
    doing = [{"job": "1", "take": "two.wav", "verb": "render", "share": 0.5}]
    beat(heart, time.time(), doing, {"one.wav": "arriving"}, "No room.", ledger="No ledger.")
    heard = life(heart)
    assert heard.alive and heard.said["pid"] == os.getpid()
    assert (heard.said["trouble"], heard.said["ledger"]) == ("No room.", "No ledger.")
    assert heard.said["in_work"] == doing and heard.said["waiting"] == {"one.wav": "arriving"}


def test_a_service_that_was_stopped_is_told_from_one_that_died(heart: Path) -> None:
    """Whoever looks at two in the morning sees whether somebody stopped it. Issue, part 9."""
    beat(heart, time.time(), [], {}, "", stopped=True)
    assert life(heart).state == "stopped" and "in good order" in life(heart).sentence()
    beat(heart, time.time(), [], {}, "")
    child = subprocess.Popen([sys.executable, "-c", ""])
    child.wait()
    spoil(heart, pid=child.pid)
    assert life(heart).state == "died" and "without a word" in life(heart).sentence()


def test_a_live_process_that_says_nothing_hangs(heart: Path) -> None:
    """A process alone is no service. Requirement 4: heartbeats."""
    beat(heart, time.time(), [], {}, "")
    spoil(heart, monotonic_s=time.monotonic() - DEAD_AFTER_S - 1)
    assert life(heart).state == "hangs" and not life(heart).alive


@pytest.mark.parametrize("days", [-10, 10])
def test_a_clock_that_is_set_kills_nobody(heart: Path, days: int) -> None:
    """Age is told by the monotonic clock; the wall clock steps in after a reboot. Requirement 17."""
    beat(heart, time.time(), [], {}, "")
    spoil(heart, at=time.time() + days * 86400)
    assert life(heart).alive
    spoil(heart, at=time.time() - 3 * 3600, monotonic_s=time.monotonic() + 1e6)
    assert life(heart).state == "hangs" and "3 h" in life(heart).sentence()


@pytest.mark.parametrize("text", ["", "{", "[]", "null", "\0", "{}", '{"at": 1}'])
def test_a_spoilt_heartbeat_is_no_heartbeat(heart: Path, text: str) -> None:
    """status answers whatever it finds in the state folder. Requirement 24."""
    heart.write_text(text)
    assert last_beat(heart) is None and not life(heart).alive

"""fairtake.serving.heartbeat: what the service says of itself, and what is made of it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

import crashing
from fairtake.folders import Root, claim, quarantine
from fairtake.serving.heartbeat import DEAD_AFTER_S, beat, last_beat, status
from roots import drop, new_root, strict_json


@pytest.fixture
def root(tmp_path: Path) -> Root:
    return new_root(tmp_path / "root")


def test_a_service_that_was_never_there_does_not_live(root: Root) -> None:
    """Design: status says whether the service lives."""
    drop(root, "one.wav", b"x")
    said = status(root)
    assert said["service"] == {"alive": False, "pid": None, "last_heard_s": None, "trouble": ""}
    assert said["waiting"] == [{"take": "one.wav", "for": "the service"}]


def test_what_was_said_comes_back(root: Root) -> None:
    """Trouble, reasons and work in hand are the service's own words. Design: the commands."""
    drop(root, "one.wav", b"x")
    drop(root, "two.wav", b"y")
    claimed = claim(root, "two.wav")
    assert claimed is not None
    doing = [{"job": claimed.job, "take": "two.wav", "verb": "render", "share": 0.5}]
    beat(root.heartbeat, time.time(), doing, {"one.wav": "arriving"}, "There is no room left.")
    said = status(root)
    assert said["service"]["alive"] and said["service"]["pid"] == os.getpid()
    assert said["service"]["trouble"] == "There is no room left."
    assert said["waiting"] == [{"take": "one.wav", "for": "arriving"}]
    assert said["in_work"] == [{"take": "two.wav", "verb": "render", "share": 0.5, "attempts": 0}]


def test_silence_and_a_dead_process_are_death(root: Root) -> None:
    """An old word, or the word of a process that ended, is none. Requirement 4: heartbeats."""
    beat(root.heartbeat, time.time(), [], {}, "")
    said = last_beat(root.heartbeat)
    assert said is not None
    root.heartbeat.write_text(json.dumps(said | {"at": time.time() - DEAD_AFTER_S - 1}))
    assert not status(root)["service"]["alive"]
    child = subprocess.Popen([sys.executable, "-c", ""])
    child.wait()
    root.heartbeat.write_text(json.dumps(said | {"at": time.time(), "pid": child.pid}))
    assert not status(root)["service"]["alive"]


@pytest.mark.parametrize("text", ["", "{", "[]", "null", "\0"])
def test_a_spoilt_heartbeat_is_no_heartbeat(root: Root, text: str) -> None:
    """status answers whatever it finds in the state folder. Requirement 24."""
    root.heartbeat.write_text(text)
    assert last_beat(root.heartbeat) is None
    assert not status(root)["service"]["alive"]


def test_quarantine_is_told_with_its_advice(root: Root) -> None:
    """Code, message and advice of each failed take, as JSON. Design: the commands."""
    drop(root, "T/on\ne.wav", b"x")
    claimed = claim(root, "T/on\ne.wav")
    assert claimed is not None
    quarantine(root, claimed, crashing.reason(claimed.name))
    said = strict_json(json.dumps(status(root)))
    assert said["quarantined"] == [
        {"take": "T/on\ne.wav", "code": "silent", "message": "Silent.", "advice": "Speak."}
    ]

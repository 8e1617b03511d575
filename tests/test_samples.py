"""The demo's takes: made by the script beside them, and small."""

from __future__ import annotations

import importlib.util
import shutil
import subprocess
import sys

import pytest

from roots import SAMPLES


def test_the_samples_are_what_their_script_makes() -> None:
    """Nobody has to trust a recording of unknown origin. Design: the samples against their maker."""
    if shutil.which("espeak-ng") is None:
        pytest.skip("espeak-ng, which speaks the samples, is not installed")
    if importlib.util.find_spec("matplotlib") is None:
        pytest.skip("matplotlib, which draws the cover, is not installed")
    script = SAMPLES.parent / "make_samples.py"
    done = subprocess.run([sys.executable, script, "--check"], capture_output=True, text=True)
    if "another release" in done.stdout and speaker() != "1.51":
        pytest.skip(f"the samples were spoken by espeak-ng 1.51, here is {speaker()}")
    assert done.returncode == 0, done.stdout + done.stderr


def speaker() -> str:
    said = subprocess.run(["espeak-ng", "--version"], capture_output=True, text=True).stdout
    return said.partition("text-to-speech: ")[2].split(" ")[0]


def test_the_samples_are_small() -> None:
    """A clone stays quick: at most 3 MB. Project's own limit."""
    folder = SAMPLES.parent
    size = sum(p.stat().st_size for p in folder.rglob("*") if p.is_file() and p.suffix != ".pyc")
    assert 100_000 < size <= 3_000_000

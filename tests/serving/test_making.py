"""fairtake.serving.making: what a confined process begins with."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
import soundfile

from signals import RATE_HZ, speech_like

CODE = """
import sys
from pathlib import Path
from fairtake.master import Job
from fairtake.mixing.mix import finish_any
from fairtake.serving.making import get_warm
from fairtake.shipped import load_profile

get_warm()
before = set(sys.modules)
take, name, scratch = sys.argv[1:]
finish_any(Job(Path(take), "take.wav", "take", name, load_profile(name)), Path(scratch))
print(sorted(set(sys.modules) - before))
"""


@pytest.mark.parametrize("profile", ["podcast", "audiobook"])
def test_warm_means_that_nothing_is_left_to_load(tmp_path: Path, profile: str) -> None:
    """Each take has a process of its own, which would load it anew. Design: workers stay warm."""
    soundfile.write(tmp_path / "take.wav", speech_like(3).samples, RATE_HZ, subtype="PCM_24")
    said = subprocess.run(
        [sys.executable, "-c", CODE, tmp_path / "take.wav", profile, tmp_path],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert said.stdout == "[]\n"

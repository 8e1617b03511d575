"""fairtake.serving.alone: one service on one ROOT."""

from __future__ import annotations

import os
import subprocess
import tomllib
from pathlib import Path

import pytest
import tomli_w

from fairtake.folders import SETTINGS_FILE
from roots import FAIRTAKE, Served, new_root, until


@pytest.mark.parametrize("meanwhile", ["nothing", "state elsewhere", "lock removed", "both"])
def test_a_second_service_is_refused_whatever_was_done_meanwhile(
    tmp_path: Path, meanwhile: str
) -> None:
    """The first holds what lies with the claims, which neither setting nor removal lets go of."""
    root = new_root(tmp_path / "root")
    with Served(root) as served:
        until(lambda: "watching" in served.log)
        if meanwhile in ("state elsewhere", "both"):
            file = root.path / SETTINGS_FILE
            settings = tomllib.loads(file.read_text()) | {"state": str(tmp_path / "state")}
            file.write_text(tomli_w.dumps(settings))
        if meanwhile in ("lock removed", "both"):
            os.unlink(root.lock)
        for _ in range(2):
            second = subprocess.run(
                [*FAIRTAKE, "serve", str(root.path), "--once"], capture_output=True, text=True
            )
            assert "Another fairtake already serves" in second.stderr
        assert served.process.poll() is None
    third = subprocess.run(
        [*FAIRTAKE, "serve", str(root.path), "--once"], capture_output=True, text=True
    )
    assert third.returncode == 0 and "already serves" not in third.stderr

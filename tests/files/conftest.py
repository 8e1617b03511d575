"""What the tests of sound files share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from fairtake.files.take import Take, open_take


@pytest.fixture
def scratch(tmp_path: Path) -> Path:
    """A folder for what has to be decoded first."""
    folder = tmp_path / "scratch"
    folder.mkdir()
    return folder


@pytest.fixture
def heard(scratch: Path) -> Callable[[Path], tuple[Take, np.ndarray]]:
    """Opens a file as the service does, reads it to its end; the take and its samples."""

    def hear(path: Path) -> tuple[Take, np.ndarray]:
        with open_take(path, scratch) as take:
            return take, np.concatenate(list(take.blocks()))

    return hear

"""A ROOT, a model receipt, and drives to put folders on."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from fairtake.folders import Root
from fairtake.master import Job, finish
from fairtake.profile import Profile
from roots import new_root, spoken


@pytest.fixture(scope="session")
def model(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A real receipt of a real, short take."""
    folder = tmp_path_factory.mktemp("model")
    take = folder / "take.wav"
    spoken(take)
    return finish(Job(take, take.name, "take", "custom", Profile()), folder).receipt.to_json()


@pytest.fixture
def root(tmp_path: Path) -> Root:
    return new_root(tmp_path / "root")


@pytest.fixture
def ram(tmp_path: Path) -> Iterator[Path]:
    """A folder in memory where there is one: syncing to it costs nothing."""
    shm = Path("/dev/shm")
    if not shm.is_dir():
        yield tmp_path
        return
    with tempfile.TemporaryDirectory(dir=shm) as folder:
        yield Path(folder)


@pytest.fixture
def other_drive(tmp_path: Path, ram: Path) -> Path:
    """A folder on another file system than `ram`."""
    if tmp_path.stat().st_dev == ram.stat().st_dev:
        pytest.skip("there is no second file system at /dev/shm")
    return tmp_path / "far"

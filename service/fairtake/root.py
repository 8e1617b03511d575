"""Make a ROOT; what it lies on."""

from __future__ import annotations

import shutil
from pathlib import Path

from fairtake.folders import SETTINGS_FILE, open_root
from fairtake.folders.drives import Drives
from fairtake.shipped import config_folder

#: Under this nothing of any length can be finished.
LEAST_FREE_BYTES = 2 * 2**30


def make_root(path: Path) -> list[Path]:
    """Make the folders, settings and profiles of a ROOT; the files written. Keeps what is there.

    Raises `FolderGone` where a folder is not there that was before.
    """
    path.mkdir(parents=True, exist_ok=True)
    written = []
    for source in (
        config_folder() / SETTINGS_FILE,
        *sorted((config_folder() / "profiles").glob("*.toml")),
    ):
        target = path / source.relative_to(config_folder())
        target.parent.mkdir(exist_ok=True)
        if not target.exists():
            shutil.copyfile(source, target)
            written.append(target)
    root = open_root(path)
    Drives(root).require()
    root.make_folders()
    return written

"""Profiles and settings: those of a ROOT, and the shipped ones that stand in for them."""

from __future__ import annotations

import difflib
from pathlib import Path

from fairtake.errors import ProfileInvalid, ProfileUnknown
from fairtake.profile import Profile
from fairtake.typed_file import read_settings


def config_folder() -> Path:
    """The shipped TOML files: inside the installed package, or beside the sources."""
    here = Path(__file__).parent
    inside = here / "config"
    return inside if inside.is_dir() else here.parents[1] / "config"


def profile_files(folder: Path | None = None) -> dict[str, Path]:
    """Name and file of every profile: those in *folder*, and the shipped ones it does not have."""
    found = {path.stem: path for path in sorted((config_folder() / "profiles").glob("*.toml"))}
    if folder is not None and folder.is_dir():
        found |= {path.stem: path for path in sorted(folder.glob("*.toml")) if path.name[0] != "."}
    return found


def load_profile(name: str, folder: Path | None = None) -> Profile:
    """The profile called *name*. Raises `ProfileUnknown` and `ProfileInvalid`."""
    files = profile_files(folder)
    if name not in files:
        near = difflib.get_close_matches(name, files, n=1)
        hint = f"did you mean '{near[0]}'?" if near else f"there are {', '.join(files)}."
        raise ProfileUnknown(f"'{name}': {hint}")
    return read_settings(files[name], Profile, ProfileInvalid)

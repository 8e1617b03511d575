"""Versions of everything that shapes the sound, for receipts and reasons."""

from __future__ import annotations

import functools
import platform
from importlib.metadata import PackageNotFoundError, version

_LIBRARIES = ("numpy", "scipy", "soundfile", "soxr", "pydub", "imageio-ffmpeg")


@functools.cache
def fairtake_version() -> str:
    """The installed version, from the package's own metadata."""
    try:
        return version("fairtake")
    except PackageNotFoundError:
        return "0+unknown"


@functools.cache
def made_by() -> dict[str, str]:
    """Name and version of fairtake and of each library that shapes the sound."""
    found = {"fairtake": fairtake_version(), "python": platform.python_version()}
    for name in _LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "missing"
    return found

"""Memory that numpy freed and the C library kept."""

from __future__ import annotations

import ctypes
import sys


def give_memory_back() -> None:
    """Hand free memory back to the system, where the C library can do that (glibc)."""
    if sys.platform == "linux":
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
        if trim is not None:
            trim(0)

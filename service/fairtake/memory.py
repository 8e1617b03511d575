"""How the C library (glibc) keeps the memory that numpy frees; elsewhere nothing is done."""

from __future__ import annotations

import ctypes
import functools
import sys
from typing import Any

_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3  # numbers of mallopt(3)
#: A block of sound and what is made of it on the way is smaller than this, a long take's table greater.
_BLOCK_BYTES, _KEPT_BYTES = 8 << 20, 32 << 20


@functools.cache
def _library() -> Any:
    return ctypes.CDLL(None) if sys.platform == "linux" else None


def keep_blocks() -> None:
    """Keep the memory of a block of sound for the next one.

    By default each is asked of the system anew and cleared by it, a tenth of all time. What is as long
    as a take goes back to the system at once, as before.
    """
    set_option = getattr(_library(), "mallopt", None)
    if set_option is not None:
        set_option(_MMAP_THRESHOLD, _BLOCK_BYTES)
        set_option(_TRIM_THRESHOLD, _KEPT_BYTES)


def give_memory_back() -> None:
    """Hand free memory back to the system."""
    trim = getattr(_library(), "malloc_trim", None)
    if trim is not None:
        trim(0)

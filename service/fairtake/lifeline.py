"""A process that ends when the one that started it ends."""

from __future__ import annotations

import ctypes
import functools
import importlib
import os
import signal
import sys
from collections.abc import Callable
from typing import Any

_SET_PARENT_DEATH_SIGNAL, _SET_CHILD_SUBREAPER = 1, 36


@functools.cache
def _prctl() -> Callable[..., int]:
    return ctypes.CDLL(None).prctl  # type: ignore[no-any-return]


def end_with(parent: int, by: signal.Signals = signal.Signals.SIGKILL) -> None:
    """Have this process ended the moment its *parent*, given by id, is gone; only Linux can.

    *by* another signal than SIGKILL it can end in good order.
    """
    if sys.platform != "linux":
        return
    _prctl()(_SET_PARENT_DEATH_SIGNAL, by)
    if os.getppid() != parent:  # it went before we asked
        os._exit(1)


def run_bound(parent: int, place: str, *given: Any) -> None:
    """Call ``MODULE:FUNCTION`` with *given* in a process that ends with *parent*.

    The module is loaded only then: loading takes a second or two, and nobody may be left over in it.
    """
    end_with(parent)
    module, function = place.split(":")
    getattr(importlib.import_module(module), function)(*given)


def bound_to_us() -> Callable[[], None] | None:
    """For ``preexec_fn``: ties the process that is started now to this one. None elsewhere."""
    if sys.platform != "linux":
        return None
    _prctl()  # looked up here: between fork and exec there should be little to do
    return functools.partial(end_with, os.getpid())


def adopt_orphans() -> None:
    """What our children start and leave behind becomes ours to see; only Linux can."""
    if sys.platform == "linux":
        _prctl()(_SET_CHILD_SUBREAPER, 1, 0, 0, 0)

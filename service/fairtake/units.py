"""Decibels and linear values. Full scale is 1.0; dBFS is 20·log10|x|."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

#: What stands for "nothing at all" in arrays of decibels. Receipts hold null instead.
FLOOR_DB = -200.0
#: Powers of ten are taken as powers of e, which numpy has in half the time.
LN_10 = math.log(10)


def amplitude_db(amplitude: Any) -> Any:
    """20·log10 of an amplitude (full scale 1.0), never below `FLOOR_DB`."""
    return 20 * np.log10(np.maximum(amplitude, 1e-10))


def power_db(power: Any) -> Any:
    """10·log10 of a mean square (full scale 1.0), never below `FLOOR_DB`."""
    return 10 * np.log10(np.maximum(power, 1e-20))


def gain(db: Any) -> Any:
    """The factor on amplitudes that *db* stands for."""
    return np.exp(np.asarray(db) * (LN_10 / 20))


def power_gain(db: Any) -> Any:
    """The factor on mean squares that *db* stands for."""
    return np.exp(np.asarray(db) * (LN_10 / 10))


def clock(seconds: float) -> str:
    """Seconds as people read them: ``0:07.2``, ``12:30``, ``1:02:30``."""
    if round(seconds, 1) < 60:
        return f"0:{seconds:04.1f}"
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{rest:02}" if hours else f"{minutes}:{rest:02}"

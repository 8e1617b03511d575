"""compress: bring loud and quiet nearer to each other.

Conventions: level is the 10 ms mean power of the take in dBFS; gains apply to all channels alike.
The threshold is not set but found: it is the one at which the greatest reduction is what the
profile asks for, whatever the level the take was recorded at.

Source: static curve, eq. 4 of Giannoulis, Massberg and Reiss, "Digital Dynamic Range Compressor
Design", JAES 60(6), 2012, and its decoupled detector; see `fairtake.sound.envelope` for times.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from pydantic import Field

from fairtake.sound.envelope import attack, release
from fairtake.sound.levels import Levels, Rows
from fairtake.sound.stage import Work
from fairtake.typed_file import Settings
from fairtake.units import power_db

LEVEL_ROWS = 10
#: Lowest threshold that is tried, and how near the greatest reduction has to come.
LOWEST_THRESHOLD_DBFS = -90.0
CLOSE_ENOUGH_DB = 0.02


class CompressSettings(Settings):
    reduction_db: float = Field(
        3, ge=0, le=20, description="Greatest reduction, in dB; the threshold follows."
    )
    ratio: float = Field(4, ge=1, le=20, description="dB in for one dB out, above the threshold.")
    knee_db: float = Field(8, ge=0, le=30, description="Width of the soft knee, in dB.")
    attack_ms: float = Field(8, ge=1, le=200, description="Time constant of the attack (63 %).")
    release_ms: float = Field(
        150, ge=5, le=2000, description="Time constant of the release (63 %)."
    )


def compressor_gain_db(level_db: Any, threshold_db: float, ratio: float, knee_db: float) -> Any:
    """Gain of the static curve at *level_db*, 0 dB and below."""
    over = np.asarray(level_db) - threshold_db
    slope = 1 / ratio - 1
    straight = slope * np.maximum(over, 0)
    if knee_db > 0:
        bend = slope * (over + knee_db / 2) ** 2 / (2 * knee_db)
        straight = np.where(2 * np.abs(over) <= knee_db, bend, straight)
    return straight


def reduction_db(level_db: Rows, threshold_db: float, settings: CompressSettings) -> Rows:
    """Reduction over time, in dB and 0 or more, with attack and release."""
    amount = -compressor_gain_db(level_db, threshold_db, settings.ratio, settings.knee_db)
    return attack(release(amount.astype(np.float32), settings.release_ms), settings.attack_ms)


def compress(levels: Levels, settings: CompressSettings) -> Work:
    level = power_db(_mean_power(levels.power)).astype(np.float32)
    threshold = find_threshold_dbfs(level, settings)
    amount = reduction_db(level, threshold, settings)
    working = amount > 0.1
    return Work(
        gain_db=-amount,
        note={
            "threshold_dbfs": round(threshold, 2),
            "greatest_db": round(float(amount.max(initial=0.0)), 2),
            "mean_db": round(float(amount[working].mean()) if working.any() else 0.0, 2),
            "working_share": round(float(working.mean()) if len(working) else 0.0, 4),
        },
    )


def find_threshold_dbfs(level_db: Rows, settings: CompressSettings) -> float:
    """The threshold at which the greatest reduction is the one asked for.

    The greatest reduction falls as the threshold rises, nearly in a straight line, so a bracketed
    secant needs a handful of trials.
    """
    top = float(level_db.max(initial=LOWEST_THRESHOLD_DBFS)) + settings.knee_db
    if settings.reduction_db == 0 or settings.ratio == 1 or top <= LOWEST_THRESHOLD_DBFS:
        return min(top, 0.0)
    low, high = LOWEST_THRESHOLD_DBFS, top
    guess = top - settings.knee_db - settings.reduction_db / (1 - 1 / settings.ratio)
    slope = 1 - 1 / settings.ratio
    for _ in range(30):
        guess = guess if low < guess < high else (low + high) / 2
        excess = float(reduction_db(level_db, guess, settings).max()) - settings.reduction_db
        if abs(excess) < CLOSE_ENOUGH_DB:
            break
        low, high = (guess, high) if excess > 0 else (low, guess)
        guess += excess / slope
    return guess


def _mean_power(power: Rows) -> Rows:
    """Mean over `LEVEL_ROWS` around each row."""
    if len(power) < LEVEL_ROWS:
        return power
    total = np.concatenate([[0.0], np.cumsum(power, dtype=np.float64)])
    padded = np.pad((total[LEVEL_ROWS:] - total[:-LEVEL_ROWS]) / LEVEL_ROWS,
                    (LEVEL_ROWS // 2, LEVEL_ROWS - LEVEL_ROWS // 2 - 1), mode="edge")  # fmt: skip
    return np.maximum(padded, 0.0).astype(np.float32)

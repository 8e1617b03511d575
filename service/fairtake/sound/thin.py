"""Rows thinned to as many steps as a picture shows.

Every step covers as many rows as any other, give or take one; nothing between two steps is left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fairtake.sketch import MOST_STEPS, Curve, Outline
from fairtake.sound.levels import ROWS_PER_S, Levels, Rows
from fairtake.sound.loudness import BLOCK_S, SHORT_TERM_S, lufs, window_powers
from fairtake.units import FLOOR_DB, amplitude_db, power_db

#: Steps are no finer than this, however short the take is.
LEAST_STEP_ROWS = 20
_HOP_S = 0.1
_LOWEST_DB = -120.0


@dataclass(frozen=True)
class Thin:
    """Least, mean and greatest of each step, shape (steps,), and how many rows they stand for."""

    low: Rows
    mean: Rows
    high: Rows
    rows: int


def step_starts(rows: int) -> npt.NDArray[np.intp]:
    """The first row of each step, shape (steps,)."""
    steps = max(min(MOST_STEPS, rows // LEAST_STEP_ROWS), min(rows, 1))
    return np.arange(steps) * rows // max(steps, 1)


def thin(curve: Rows) -> Thin:
    """*curve*, one value a row, thinned."""
    starts = step_starts(len(curve))
    if not len(starts):
        return Thin(curve[:0], curve[:0], curve[:0], 0)
    counts = np.diff(starts, append=len(curve))
    return Thin(
        np.minimum.reduceat(curve, starts),
        (np.add.reduceat(curve, starts) / counts).astype(np.float32),
        np.maximum.reduceat(curve, starts),
        len(curve),
    )


def curve_of(thinned: Thin, start_s: float) -> Curve:
    """A thinned curve that begins at *start_s* of the take."""
    return Curve(
        start_s=start_s, step_s=_step_s(thinned.rows, len(thinned.mean)),
        low=_listed(thinned.low), mean=_listed(thinned.mean), high=_listed(thinned.high),
    )  # fmt: skip


def outline_of(levels: Levels, start_s: float = 0.0) -> Outline:
    """A file's outline, where it begins at *start_s* of the take."""
    starts = step_starts(levels.rows)
    counts = np.diff(starts, append=levels.rows)
    if not len(starts):
        nothing: list[float] = []
        return Outline(
            start_s=start_s, step_s=1.0, peak_dbfs=nothing, rms_dbfs=nothing,
            momentary_lufs=nothing, short_term_lufs=nothing,
        )  # fmt: skip
    return Outline(
        start_s=start_s,
        step_s=_step_s(levels.rows, len(starts)),
        peak_dbfs=_listed(amplitude_db(np.maximum.reduceat(levels.peak, starts))),
        rms_dbfs=_listed(power_db(np.add.reduceat(levels.power, starts) / counts)),
        momentary_lufs=_listed(_loudness(levels, BLOCK_S, starts)),
        short_term_lufs=_listed(_loudness(levels, SHORT_TERM_S, starts)),
    )


def raised(outline: Outline, gain_db: float) -> Outline:
    """*outline* under one gain."""
    values = ("peak_dbfs", "rms_dbfs", "momentary_lufs", "short_term_lufs")
    louder = {
        name: _listed(np.asarray(getattr(outline, name), np.float64) + gain_db) for name in values
    }
    return outline.model_copy(update=louder)


def _loudness(
    levels: Levels, window_s: float, starts: npt.NDArray[np.intp]
) -> npt.NDArray[np.float64]:
    """The greatest loudness of the windows whose middle lies in each step, or of the one nearest."""
    power = window_powers(levels.k_power, window_s, _HOP_S)
    if not len(power):
        return np.full(len(starts), FLOOR_DB)
    middles = (starts - window_s / 2 * ROWS_PER_S) / (_HOP_S * ROWS_PER_S)
    first = np.clip(np.rint(middles).astype(np.intp), 0, len(power) - 1)
    # Steps finer than a window's hop have one and the same; `reduceat` then gives that one.
    return lufs(np.maximum.reduceat(power, first))  # type: ignore[no-any-return]


def _step_s(rows: int, steps: int) -> float:
    return rows / max(steps, 1) / ROWS_PER_S or 1.0


def _listed(values: npt.NDArray[np.floating]) -> list[float]:
    listed: list[float] = (
        np.clip(values, _LOWEST_DB, -_LOWEST_DB).astype(np.float64).round(2).tolist()
    )
    return listed

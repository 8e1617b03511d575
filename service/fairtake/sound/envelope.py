"""How gain curves move: attack, release, look-ahead. Shared by the stages.

All functions take and give amounts (dB of reduction, 0 or more), one value a millisecond.

Time constants follow Giannoulis, Massberg and Reiss (JAES 60(6), 2012): a step is followed to
1 - 1/e, 63.2 %, after the time given. The detector is their "decoupled" one: the release first,
as a maximum with what decays, then the attack as a one-pole filter.
"""

from __future__ import annotations

import math

import numpy as np

from fairtake.sound.filters import averaged, run
from fairtake.sound.levels import ROWS_PER_S, Rows
from fairtake.sound.loops import decay, weigh

#: From this width on an average is quicker by way of its spectrum, which rounds by so much, in dB.
WIDE_ROWS, ROUNDING = 400, 1e-6
#: Slow curves are drawn on one row of so many.
GRID_ROWS = 10


def release(amount: Rows, release_ms: float) -> Rows:
    """max(x[n], a·y[n-1]): rises at once, decays with *release_ms* to 36.8 %."""
    a = math.exp(-1000 / (release_ms * ROWS_PER_S))
    return decay(amount.astype(np.float64), a).astype(np.float32)


def attack(amount: Rows, attack_ms: float) -> Rows:
    """a·y[n-1] + (1 - a)·x[n]: a one-pole filter with time constant *attack_ms*."""
    a = math.exp(-1000 / (attack_ms * ROWS_PER_S))
    one_pole = np.array([[1 - a, 0.0, 0.0, 1.0, -a, 0.0]])
    return run(one_pole, amount.astype(np.float64))[0].astype(np.float32)


def greatest_ahead(amount: Rows, ahead: int) -> Rows:
    """The greatest amount from each row up to *ahead* rows later."""
    return _sliding(amount, ahead, np.maximum)


def least_ahead(amount: Rows, ahead: int) -> Rows:
    """The least amount from each row up to *ahead* rows later."""
    return _sliding(amount, ahead, np.minimum)


def _sliding(amount: Rows, ahead: int, better: np.ufunc) -> Rows:
    """*better* over each row and the *ahead* rows after it, by doubling the reach."""
    y = amount.copy()
    reach = 1
    while reach < ahead + 1:
        step = min(reach, ahead + 1 - reach)
        y[:-step] = better(y[:-step], y[step:]) if step < len(y) else y[:-step]
        reach += step
    return y


def spread_around(amount: Rows, reach: int) -> Rows:
    """A smooth curve that is at least *amount* within half of *reach* of every row, and 0 beyond it.

    Drawn on the greatest of each `GRID_ROWS`, which so smooth a curve needs no more than, and in
    straight lines between them.
    """
    if not amount.any():
        return amount
    coarse = np.maximum.reduceat(amount, np.arange(0, len(amount), GRID_ROWS))
    reach, middle = reach // GRID_ROWS, GRID_ROWS // 2
    half = reach // 2
    # The greatest within +-reach, then a centred average over +-half: nobody asks for less.
    widest = greatest_ahead(np.pad(coarse, (reach, reach)), 2 * reach)[: len(coarse) + reach]
    smooth = averaged_behind(widest, 2 * half)[half : half + len(coarse)]
    corners = np.pad(smooth, 1, mode="edge")[:, None]
    way = (np.arange(GRID_ROWS) / GRID_ROWS).astype(np.float32)
    lines = corners[:-1] * (1 - way) + corners[1:] * way
    return lines.ravel()[middle : middle + len(amount)]


def rise_limited(amount: Rows, per_row: float) -> Rows:
    """The greatest curve under *amount* that rises by at most *per_row* a row."""
    line = np.arange(len(amount)) * per_row
    return (np.minimum.accumulate(amount - line) + line).astype(np.float32)


def averaged_behind(amount: Rows, width: int) -> Rows:
    """Raised-cosine average of each row and the *width* rows before it.

    After `greatest_ahead` or `least_ahead` with the same width this keeps their promise: every
    value averaged is at least (at most) what the row asked for.
    """
    if width < 1 or not len(amount):
        return amount
    weights = np.hanning(width + 3)[1:-1]
    padded = np.concatenate([np.full(width, amount[0], amount.dtype), amount])
    if width < WIDE_ROWS:
        return weigh(padded, weights / weights.sum()).astype(np.float32)
    smooth = averaged(padded, weights / weights.sum())
    return np.where(np.abs(smooth) > ROUNDING, smooth, 0).astype(np.float32)


def eased(amount: Rows, attack: int, rise_db: float) -> Rows:
    """*amount* that opens over *attack* rows ahead of time and closes by *rise_db* a row."""
    return averaged_behind(least_ahead(rise_limited(amount, rise_db), attack), attack)

"""duck: how far a bed goes down while somebody speaks.

Conventions: one value a millisecond, dB, 0 or less. The bed is down as far as it goes when the first
syllable begins, because the curve looks ahead; it stays down through pauses shorter than the hold, so
that it does not flutter between words, and comes back at an even pace behind the last.

Source: common practice, no source; the curves are those of `fairtake.sound.envelope`.
"""

from __future__ import annotations

import numpy as np

from fairtake.sound.envelope import averaged_behind, greatest_ahead
from fairtake.sound.levels import ROWS_PER_S, Rows
from fairtake.sound.runs import Mask, widened

#: A bed that has just come up and goes down again at once draws the ear: pauses this near count as one.
ROUNDED_ROWS = 20


def duck_gain_db(spoken: Mask, duck_db: float, fall_s: float, rise_s: float, hold_s: float) -> Rows:
    """The gain of a bed under a voice that speaks in some rows, shape (rows,)."""
    fall, rise, hold = (max(round(s * ROWS_PER_S), 1) for s in (fall_s, rise_s, hold_s))
    if not spoken.any() or not duck_db:
        return np.zeros(len(spoken), np.float32)
    # Closed over pauses as long as the hold: widened behind, and taken back where nothing followed.
    closed = widened(np.pad(spoken, (0, hold)), 0, hold)
    closed = ~widened(~closed, hold, 0)[: len(spoken)] | spoken
    amount = np.where(closed, np.float32(duck_db), np.float32(0))
    # Down before it is asked for: the greatest of what lies ahead, then a ramp as long as that look.
    down = averaged_behind(greatest_ahead(amount, fall), fall)
    return -np.maximum(down, _coming_back(amount, duck_db, rise))


def _coming_back(amount: Rows, duck_db: float, rise: int) -> Rows:
    """What is left of a reduction that ends, at an even pace of dB, with rounded ends."""
    rows = np.arange(len(amount), dtype=np.float64)
    slope = duck_db / rise
    left = (
        np.maximum.accumulate(np.where(amount > 0, amount + slope * rows, -np.inf)) - slope * rows
    )
    return np.maximum(left, 0.0).astype(np.float32)

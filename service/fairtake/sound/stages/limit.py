"""limit: keep the true peak under the ceiling.

Conventions: one value a millisecond. A row that would pass the ceiling asks for a reduction; the
look-ahead spreads that to the rows before it, the release to the rows after, and a raised-cosine
average over the look-ahead makes the curve smooth without ever asking for less than a row needs.
Only the first `fast_db` are taken so fast. What a peak needs beyond them is taken slowly, from
everything within `slow_ms` of it: one syllable is then never pushed far under its neighbours.

The same curve is used twice. In *plan* it works on sample peaks and predicts what limiting will
cost in level, so that level and ceiling are solved together. In *render* it works on the true
peaks of the samples themselves (`fairtake.sound.render`), which settles the matter.

Source: true peak after ITU-R BS.1770-5, Annex 2. Its interpolator under-reads a tone at a sixth of
the sample rate by 0.3 dB, so the limiter looks with a closer one (`fairtake.sound.phases.CLOSE`), and aims
as far under the ceiling as that may read too low.
"""

from __future__ import annotations

import numpy as np
from pydantic import Field

from fairtake.sound.envelope import averaged_behind, eased, greatest_ahead, release, spread_around
from fairtake.sound.levels import ROWS_PER_S, Levels, Rows
from fairtake.sound.runs import Mask, widened
from fairtake.sound.stage import Work
from fairtake.typed_file import Settings

#: How far under the ceiling the limiter aims: the interpolator's under-read.
GUARD_DB = 0.1
#: Where a word's edge was pushed too far, what is taken slowly is taken from so far at least: its word goes
#: down with it.
WIDE_ROWS = 600
#: Where a word's edge was pushed too far, no more than this is taken fast: too little to push it so.
SPARED_FAST_DB = 2.0
#: Pauses follow the mean of what is taken from the speech this near, and keep away from words.
PAUSE_REACH_ROWS, HOLD_BEFORE_ROWS, HOLD_AFTER_ROWS = 1500, 60, 200
PAUSE_ATTACK_ROWS, PAUSE_RISE_DB = 30, 0.1
BLOCK_ROWS = 100


class LimitSettings(Settings):
    ceiling_dbtp: float = Field(
        -1.0, ge=-20, le=-0.3, description="No true peak above this, in dBTP."
    )
    look_ahead_ms: float = Field(
        3, ge=1, le=20, description="The limiter acts this long before a peak."
    )
    release_ms: float = Field(10, ge=5, le=1000, description="Time constant of the release (63 %).")
    fast_db: float = Field(
        4,
        ge=1,
        le=40,
        description="Peaks are lowered fast by so much, in dB; the rest is done slowly.",
    )
    slow_ms: float = Field(
        300,
        ge=100,
        le=2000,
        description="What is taken slowly is taken alike from all that lies so near.",
    )
    most_reduction_db: float = Field(
        12,
        ge=0,
        le=40,
        description="Peaks are never lowered by more than this, in dB; the level gives way.",
    )


def limiter_db(over_db: Rows, settings: LimitSettings, slow_share: Rows | None = None) -> Rows:
    """Reduction in dB for rows that stand *over_db* above the ceiling (negative: below it).

    Where *slow_share* is 1 at most `SPARED_FAST_DB` are taken fast and the rest from farther around, where
    it is 0 as the settings say.
    """
    ahead = round(settings.look_ahead_ms)
    amount = np.maximum(over_db, 0).astype(np.float32)
    if not amount.any():
        return amount
    # One row more on both sides: render interpolates between rows, and the interpolator's delay
    # may report a peak one row late.
    amount[1:] = np.maximum(amount[1:], amount[:-1])
    fast: Rows | float = settings.fast_db
    if slow_share is not None:
        fast = fast - max(fast - SPARED_FAST_DB, 0.0) * slow_share
    more = np.maximum(amount - fast, 0)
    slow = spread_around(more, round(settings.slow_ms))
    if slow_share is not None:
        pushed = np.where(slow_share > 0.5, more, np.float32(0))
        slow = np.maximum(slow, spread_around(pushed, WIDE_ROWS))
    rest = np.maximum(amount - slow, 0)
    wanted = release(greatest_ahead(rest, ahead + 2), settings.release_ms)
    return slow + np.maximum(averaged_behind(wanted, ahead), 0)


def aim_dbtp(settings: LimitSettings) -> float:
    """The peak the limiter aims at."""
    return settings.ceiling_dbtp - GUARD_DB


def foreseen_db(levels: Levels, settings: LimitSettings, slow_share: Rows | None = None) -> Rows:
    """The reduction that a take of these levels will need, dB, 0 or more; see `limiter_db`."""
    return limiter_db(levels.peak_dbfs - np.float32(aim_dbtp(settings)), settings, slow_share)


def limit(levels: Levels, settings: LimitSettings) -> Work:
    amount = foreseen_db(levels, settings)
    return Work(gain_db=-amount, note=limit_note(amount))


class Pauses:
    """By how much pauses are lowered so that limiting speech does not lift them against it."""

    def __init__(self, spoken: Mask) -> None:
        self._spoken = spoken
        self._held = widened(spoken, HOLD_BEFORE_ROWS, HOLD_AFTER_ROWS)
        self._told = _near(spoken)

    def lowered_db(self, reduction_db: Rows) -> Rows:
        """*reduction_db* is what the limiter takes, 0 or more; the result is 0 wherever somebody speaks."""
        spoken = self._spoken
        if not spoken.any() or not reduction_db.any():
            return np.zeros(len(reduction_db), np.float32)
        taken = _near(np.where(spoken, reduction_db, np.float32(0)))
        mean = (taken / np.maximum(self._told, 1)).astype(np.float32)
        mean = np.repeat(mean, BLOCK_ROWS)[: len(spoken)]
        mean[self._held] = 0
        amount = np.maximum(mean - reduction_db, np.float32(0))
        return eased(amount, PAUSE_ATTACK_ROWS, PAUSE_RISE_DB)


def _near(rows: Mask | Rows) -> Rows:
    """The sum of what lies near each block of `BLOCK_ROWS`: fine enough, and rows are many."""
    blocks = np.pad(rows, (0, -len(rows) % BLOCK_ROWS)).reshape(-1, BLOCK_ROWS).sum(axis=1)
    around = np.ones(2 * (PAUSE_REACH_ROWS // BLOCK_ROWS) + 1)
    return np.convolve(np.pad(blocks, len(around) // 2), around, "valid")


def limit_note(amount: Rows) -> dict[str, float]:
    """What a limiter curve did."""
    working = amount > 0.05
    return {
        "greatest_db": round(float(amount.max(initial=0.0)), 2),
        "greatest_at_s": round(int(amount.argmax()) / ROWS_PER_S, 2) if working.any() else 0.0,
        "mean_db": round(float(amount[working].mean()) if working.any() else 0.0, 2),
        "working_share": round(float(working.mean()) if len(amount) else 0.0, 5),
    }

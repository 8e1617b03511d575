"""Sharpness: where in a take a click may be, told from one number a millisecond.

Conventions
-----------
* The *sharpness* of a row is the energy of its second difference, in its sharpest channel. It rises
  with the fourth power of frequency, so a click stands out of voices that are far louder.
* A click is short and stands out of what lies before and after it. Where the sound behind it is as
  it was before it, and nothing as sharp is near, a row is *plain*: it can hardly be anything else.
* A stop consonant goes over into noise or voice, so behind it the sound is louder, and a glottal
  pulse has neighbours as sharp. Between what is plain and what is one of these lie rows that are
  candidates too, but there the sound itself has to speak far more clearly
  (`fairtake.sound.clicks`).

Source: the margins are measured, no source.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fairtake.sound.levels import ROWS_PER_S
from fairtake.units import power_gain

#: The second difference is taken over this step, so that it means much the same at any rate.
DIFFERENCE_HZ = 48_000
#: What is decided about a row needs this many rows on both sides.
REACH_ROWS = 55
#: Out of what a click stands: the rows around it, but for those just before and behind.
AROUND_ROWS, BEFORE_ROWS, AFTER_ROWS = 25, 3, 5
#: Creaky voice has pulses as far apart as this; each has a neighbour nearly as sharp.
CREAK_ROWS = 50
#: Such a pulse stands out of the rows so far beside it.
PULSE_ROWS, PULSE_DB = 4, 6.0
LEAST_SHARPNESS_DB = -78.0
MOST_PER_S = 10

Energies = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]


@dataclass(frozen=True)
class Margins:
    """By how many dB a row has to stand out; by how many the sound around it may change.

    It stands over the mean around, the sharpest row around, the rows right beside it, and what may
    be the next pulse of a creaky voice. ``aftermath_db`` is how far the rows right behind it may
    exceed those before, ``rise_db`` and ``fall_db`` by how much all behind it may be louder or
    softer than all before; what is ``stark_db`` over all may stand where it likes.
    """

    over_mean_db: float
    over_others_db: float
    over_next_db: float
    over_creak_db: float
    aftermath_db: float
    rise_db: float
    fall_db: float
    stark_db: float


#: What may be a click; what can hardly be anything else; what stands in steady sound.
CANDIDATE = Margins(
    over_mean_db=7.0,
    over_others_db=4.0,
    over_next_db=7.0,
    over_creak_db=4.0,
    aftermath_db=12.0,
    rise_db=15.0,
    fall_db=99.0,
    stark_db=28.0,
)
PLAIN = Margins(
    over_mean_db=9.0,
    over_others_db=7.0,
    over_next_db=10.0,
    over_creak_db=4.0,
    aftermath_db=6.0,
    rise_db=15.0,
    fall_db=15.0,
    stark_db=28.0,
)
STEADY = Margins(
    over_mean_db=7.0,
    over_others_db=4.0,
    over_next_db=7.0,
    over_creak_db=4.0,
    aftermath_db=2.0,
    rise_db=2.0,
    fall_db=2.0,
    stark_db=99.0,
)


@functools.cache
def _times(db: float) -> float:
    """`power_gain` of a margin: one is asked for again with every block."""
    return float(power_gain(db))


_OVER_MEAN, _OVER_NEXT = _times(CANDIDATE.over_mean_db), _times(CANDIDATE.over_next_db)
_OVER_OTHERS = _times(CANDIDATE.over_others_db)


def step_of(sample_rate_hz: int) -> int:
    """The step of the second difference, in samples."""
    return max(1, round(sample_rate_hz / DIFFERENCE_HZ))


@dataclass(frozen=True)
class Candidates:
    """Rows that may hold a click, in order, and what the rows around say; shape (rows,) each.

    ``steady`` is where the sound around is as loud behind as before.
    """

    rows: Indices
    plain: npt.NDArray[np.bool_]
    steady: npt.NDArray[np.bool_]


def candidates(sharp: Energies, first: int, last: int) -> Candidates:
    """Rows from *first* to *last* that may hold a click, at most `MOST_PER_S` a second."""
    total = np.concatenate([[0.0], np.cumsum(sharp)])

    def mean(begin: int, end: int) -> Energies:
        span = total[first + end : last + end] - total[first + begin : last + begin]
        return span / (end - begin) + 1e-20

    here = sharp[first:last]
    before = mean(-AROUND_ROWS, 1 - BEFORE_ROWS)
    after = mean(AFTER_ROWS, AROUND_ROWS + 1)
    alone = here > _OVER_MEAN * np.maximum(before, after)
    # Nearly all rows end here, before anything is looked at row by row.
    for beside in (-4, -2, 3, 5):
        alone &= here > _OVER_NEXT * sharp[first + beside : last + beside]
    at = np.flatnonzero(alone)
    around = sharp[at[:, None] + first + np.arange(-CREAK_ROWS, CREAK_ROWS + 1)]
    top = around[:, CREAK_ROWS] > _OVER_OTHERS * _beside(around, BEFORE_ROWS, AROUND_ROWS)
    if not top.any():
        return Candidates(at[:0], top[:0], top[:0])
    at, near = at[top], _Near(around[top])
    wide, plain, steady = (
        _standing_out(near, before[at], after[at], margins)
        for margins in (CANDIDATE, PLAIN, STEADY)
    )
    # A sharp row further off is no pulse of a creaky voice by itself, but it leaves a doubt.
    plain &= near.here > _times(PLAIN.over_creak_db) * near.far
    most = MOST_PER_S * max(1, (last - first) // ROWS_PER_S)
    best = np.flatnonzero(wide)[np.argsort(-near.prominence[wide])[:most]]
    best.sort()
    return Candidates(at[best] + first, plain[best], steady[best])


def _most(around: Energies, begin: int, end: int) -> Energies:
    """The sharpest row from *begin* to *end*, counted from the middle one, both included."""
    return around[:, CREAK_ROWS + begin : CREAK_ROWS + end + 1].max(axis=1, initial=0.0)


def _beside(around: Energies, least: int, most: int) -> Energies:
    """The sharpest row that lies *least* to *most* rows off, on either side."""
    return np.maximum(_most(around, -most, -least), _most(around, least, most))


def _pulses(around: Energies) -> Energies:
    """The sharpest row further off that is a pulse: noise has rows as sharp beside."""
    rows = np.lib.stride_tricks.sliding_window_view(around, 2 * PULSE_ROWS + 1, axis=1)
    beside = np.maximum(rows[:, :, :2].max(axis=2), rows[:, :, -2:].max(axis=2))
    middle = rows[:, :, PULSE_ROWS]
    alone = np.where(middle > _times(PULSE_DB) * beside, middle, 0.0)
    reach = CREAK_ROWS - PULSE_ROWS
    side = reach - AROUND_ROWS + 1
    return np.maximum(alone[:, :side].max(axis=1), alone[:, -side:].max(axis=1))


class _Near:
    """The rows around some rows, shape (rows, 2 * CREAK_ROWS + 1), and what stands there."""

    def __init__(self, around: Energies) -> None:
        self.here = around[:, CREAK_ROWS]
        self.others = _beside(around, BEFORE_ROWS, AROUND_ROWS)
        self.next_to = np.maximum(_most(around, -4, -2), _most(around, 3, 5))
        self.far = _beside(around, AROUND_ROWS, CREAK_ROWS)
        self.pulses = _pulses(around)
        self.top = _most(around, -2, 2)
        self.aftermath = around[:, CREAK_ROWS + 3 : CREAK_ROWS + 9].mean(axis=1)
        self.prominence = self.here / (self.others + 1e-20)


def _standing_out(
    near: _Near, before: Energies, after: Energies, margins: Margins
) -> npt.NDArray[np.bool_]:
    """Which rows stand out by some margins; *before* and *after* are the means around them."""
    here, m = near.here, margins
    alike = near.aftermath < _times(m.aftermath_db) * before
    alike &= (before < _times(m.fall_db) * after) & (after < _times(m.rise_db) * before)
    stark = here > _times(m.stark_db) * np.maximum(near.others, near.next_to)
    return (
        (here >= near.top)
        & (here > _times(LEAST_SHARPNESS_DB))
        & (here > _times(m.over_mean_db) * np.maximum(before, after))
        & (here > _times(m.over_others_db) * near.others)
        & (here > _times(m.over_next_db) * near.next_to)
        & (here > _times(m.over_creak_db) * near.pulses)
        & (alike | stark)
    )

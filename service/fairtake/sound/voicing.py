"""Whether the voice's cords swing: how periodic each frame is between 62 and 330 Hz.

The table's ``low`` column is the take heard through 1,000 samples a second: enough for pitch. The
measure is the greatest normalised autocorrelation over the lags of that range in windows of 64 ms,
1 for a perfect tone and about 0.3 for noise. It is textbook short-time autocorrelation.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fairtake.sound.levels import Rows
from fairtake.sound.loops import lag_sums

WINDOW_ROWS = 64
SHORTEST_LAG, LONGEST_LAG = 3, 16
#: What is slower than 50 Hz is taken off first: rumble is periodic too, in its way.
_MEAN_ROWS = 20
_CHUNK = 4_000

Values = npt.NDArray[np.float64]


def periodicity(low: Rows, frames: int, frame_rows: int) -> npt.NDArray[np.float32]:
    """Greatest normalised autocorrelation around each frame, 0 to 1, shape (frames,).

    Some frames at a time: copies of a long take's column are more than a worker has memory for.
    """
    lead, wide = (WINDOW_ROWS - frame_rows) // 2, WINDOW_ROWS + frame_rows
    found = []
    for begin in range(0, frames, _CHUNK):
        count = min(_CHUNK, frames - begin)
        first = begin * frame_rows - lead
        around = _without_rumble(low, first, first + count * frame_rows + wide)
        found.append(_periodicity(around, count, frame_rows))
    return np.concatenate(found) if found else np.zeros(0, np.float32)


def _without_rumble(low: Rows, first: int, last: int) -> Values:
    """Rows *first* to *last* of *low* less the mean around each; zeros beyond its ends."""
    half = _MEAN_ROWS // 2
    rows = np.arange(first - half, last + half)
    around = low[np.clip(rows, 0, len(low) - 1)]
    total = np.concatenate([[0.0], np.cumsum(around, dtype=np.float64)])
    clean = around[half:-half] - (total[_MEAN_ROWS:] - total[:-_MEAN_ROWS])[:-1] / _MEAN_ROWS
    clean[: max(-first, 0)] = 0
    clean[len(low) - first :] = 0
    return clean


def _periodicity(low: Values, frames: int, frame_rows: int) -> npt.NDArray[np.float32]:
    """The same of the windows that begin with each of the first *frames* frames of *low*."""
    lags = range(SHORTEST_LAG - 1, LONGEST_LAG + 2)
    # Fewer products overlap at longer lags: weigh them up to the same count.
    weights = WINDOW_ROWS / (WINDOW_ROWS - np.array(lags))
    fair = lag_sums(low, frames, frame_rows, WINDOW_ROWS, lags) * weights[:, None]
    energy = lag_sums(low, frames, frame_rows, WINDOW_ROWS, range(1))[0]
    # Only a peak speaks of a period: dull noise is alike at all short lags.
    inner = fair[1:-1]
    peak = (inner >= fair[:-2]) & (inner >= fair[2:])
    best = np.where(peak, inner, 0).max(axis=0)
    return (best / np.maximum(energy, 1e-20)).astype(np.float32)

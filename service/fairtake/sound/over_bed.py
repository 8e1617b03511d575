"""How far a voice stands over what lies under it, while somebody speaks.

Conventions: K-weighted energy after ITU-R BS.1770, over the rows in which speech may be heard, as a
distance in LU. The least is that of any 3 s of which at least a third is speech, every half second.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fairtake.sound.levels import ROWS_PER_S, Rows
from fairtake.sound.runs import Mask
from fairtake.units import power_db

WINDOW_ROWS, HOP_ROWS = 3 * ROWS_PER_S, ROWS_PER_S // 2
LEAST_SPOKEN_ROWS = ROWS_PER_S
_NOTHING = 1e-12  # a bed this soft, -120 LUFS, is none


def over_bed_lu(voice: Rows, bed: Rows, spoken: Mask) -> tuple[float | None, float | None]:
    """The distance over the whole, and the least; None where nothing lies under any speech.

    *voice* and *bed* are K-weighted powers of the rows, shape (rows,).
    """
    if not spoken.any() or float(bed[spoken].mean(dtype=np.float64)) < _NOTHING:
        return None, None
    sums = [np.where(spoken, power, 0).astype(np.float64) for power in (voice, bed)]
    whole = float(power_db(sums[0].sum()) - power_db(sums[1].sum()))
    counts = _windowed(spoken.astype(np.float64))
    voices, beds = map(_windowed, sums)
    heard = (counts >= LEAST_SPOKEN_ROWS) & (beds > _NOTHING * np.maximum(counts, 1))
    if not heard.any():
        return whole, whole
    return whole, float((power_db(voices[heard]) - power_db(beds[heard])).min())


def _windowed(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """The sum of each whole window."""
    total = np.concatenate([[0.0], np.cumsum(values)])
    starts = np.arange(0, max(len(values) - WINDOW_ROWS, 0) + 1, HOP_ROWS)
    return total[np.minimum(starts + WINDOW_ROWS, len(values))] - total[starts]

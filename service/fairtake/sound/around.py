"""What lies around each value: the mean or a percentile of a window with it in the middle.

Conventions: a window of an even size reaches one value further back than ahead. Beyond the ends the last
value goes on.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fairtake.sound.runs import Indices

Values = npt.NDArray[np.float64]
#: So many windows are sorted at a time: a long take's would not fit into memory.
_AT_ONCE = 4096


def mean_around(values: Values, size: int) -> Values:
    """The mean of the *size* values around each, shape (values,)."""
    total = np.cumsum(np.pad(_padded(values, size), (1, 0)))
    return (total[size:] - total[:-size]) / size


def percentile_around(
    values: Values, percent: float, size: int, places: Indices | None = None
) -> Values:
    """The value that *percent* of the *size* values around each lie under, or of those at *places*."""
    windows = np.lib.stride_tricks.sliding_window_view(_padded(values, size), size)
    places = np.arange(len(values)) if places is None else places
    rank = min(int(size * percent / 100), size - 1)
    found = [
        np.partition(windows[places[begin : begin + _AT_ONCE]], rank, axis=1)[:, rank]
        for begin in range(0, len(places), _AT_ONCE)
    ]
    return np.concatenate(found) if found else np.zeros(0)


def _padded(values: Values, size: int) -> Values:
    return np.pad(values, (size // 2, size - size // 2 - 1), mode="edge")

"""Loudness range after EBU Tech 3342: the spread of short-term loudness.

3 s windows every 0.1 s, absolute gate -70 LUFS, relative gate 20 LU below the mean of what passes
it, then the distance from the 10th to the 95th percentile. Little meaning under 60 s.
"""

from __future__ import annotations

import numpy as np

from fairtake.sound.levels import Rows
from fairtake.sound.loudness import ABSOLUTE_GATE_LUFS, SHORT_TERM_S, lufs, window_powers

RELATIVE_GATE_LU = -20.0


def loudness_range_lu(k_power: Rows) -> float | None:
    """Loudness range, or None when no window passes the gates."""
    powers = window_powers(k_power, SHORT_TERM_S, 0.1)
    loud = powers[lufs(powers) > ABSOLUTE_GATE_LUFS]
    if not len(loud):
        return None
    levels = np.sort(lufs(loud[lufs(loud) > lufs(loud.mean()) + RELATIVE_GATE_LU]))
    low, high = (levels[round((len(levels) - 1) * p)] for p in (0.10, 0.95))
    return float(high - low)

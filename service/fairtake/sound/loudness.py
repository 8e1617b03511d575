"""Loudness after ITU-R BS.1770-5, from the millisecond table.

K-weighting at any rate is the bilinear transform of the standard's filters with the parameters that B. De
Man published: at 48 kHz it reproduces the standard's table. Blocks are 400 ms every 100 ms, no partial
block; the gates are -70 LUFS and 10 LU below the mean of what passes it.
Momentary and short-term windows (400 ms, 3 s) are those of EBU Tech 3341.
"""

from __future__ import annotations

import functools
import math
from typing import Any

import numpy as np
import numpy.typing as npt

from fairtake.sound.filters import Sections, poles
from fairtake.sound.levels import ROWS_PER_S, Rows
from fairtake.sound.loops import filtered_energies
from fairtake.units import power_db

#: The standard's analogue prototypes.
SHELF_DB, SHELF_Q, SHELF_HZ = 3.99984385397, 0.7071752369554193, 1681.9744509555319
HIGHPASS_Q, HIGHPASS_HZ = 0.5003270373253953, 38.13547087613982
BLOCK_S = 0.4
SHORT_TERM_S = 3.0
ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0


@functools.cache
def k_weighting(sample_rate_hz: int) -> Sections:
    """The two K-weighting filters as second-order sections, shape (2, 6)."""
    k = math.tan(math.pi * SHELF_HZ / sample_rate_hz)
    high = 10 ** (SHELF_DB / 20)
    damping, middle = k / SHELF_Q, high**0.499666774155 * k / SHELF_Q
    b, a = [high + middle + k * k, 2 * (k * k - high), high - middle + k * k], poles(k, damping)
    shelf = np.concatenate([b, a]) / a[0]
    k = math.tan(math.pi * HIGHPASS_HZ / sample_rate_hz)
    a = poles(k, k / HIGHPASS_Q)
    # The standard does not scale this one to 0 dB.
    return np.array([shelf, np.concatenate([[1.0, -2.0, 1.0], a / a[0]])])


class KWeighting:
    """K-weights a stream of blocks, shape (samples, channels), whose rows begin at *starts*."""

    def __init__(self, sample_rate_hz: int, channels: int) -> None:
        self._sections = k_weighting(sample_rate_hz)
        self._state = np.zeros((channels, len(self._sections), 2))

    def energies(
        self, block: npt.NDArray[np.float64], starts: npt.NDArray[np.intp]
    ) -> npt.NDArray[np.float64]:
        """The sum of squares of each weighted row, over all channels; shape (rows,)."""
        return filtered_energies(self._sections, self._state, block, starts)


def lufs(k_power: Any) -> Any:
    """Loudness of a K-weighted mean square summed over channels."""
    return -0.691 + power_db(k_power)


def window_powers(k_power: Rows, window_s: float, hop_s: float) -> npt.NDArray[np.float64]:
    """K-weighted mean square of each whole window, shape (windows,)."""
    hop = round(hop_s * ROWS_PER_S)
    hops = len(k_power) // hop
    per_hop = k_power[: hops * hop].reshape(hops, hop).mean(axis=1, dtype=np.float64)
    width = round(window_s / hop_s)
    if hops < width:
        return np.zeros(0)
    total = np.concatenate([[0.0], np.cumsum(per_hop)])
    return np.maximum(total[width:] - total[:-width], 0.0) / width


def gated_lufs(block_powers: npt.NDArray[np.float64]) -> float | None:
    """Integrated loudness of blocks, or None when every block lies under the absolute gate."""
    loud = block_powers[lufs(block_powers) > ABSOLUTE_GATE_LUFS]
    if not len(loud):
        return None
    gate_lufs = lufs(loud.mean()) + RELATIVE_GATE_LU
    return float(lufs(loud[lufs(loud) > gate_lufs].mean()))


def integrated_lufs(k_power: Rows) -> float | None:
    """Integrated loudness, or None for silence and for less than one block."""
    return gated_lufs(window_powers(k_power, BLOCK_S, 0.1))


def max_momentary_lufs(k_power: Rows) -> float | None:
    """Greatest momentary loudness. 10 ms hop: 100 ms misses case 13 of Tech 3341 by 0.45 LU."""
    return _greatest(window_powers(k_power, BLOCK_S, 0.01))


def max_short_term_lufs(k_power: Rows) -> float | None:
    """Greatest short-term loudness, or None under 3 s."""
    return _greatest(window_powers(k_power, SHORT_TERM_S, 0.1))


def _greatest(powers: npt.NDArray[np.float64]) -> float | None:
    return float(lufs(powers.max())) if len(powers) and powers.max() > 0 else None

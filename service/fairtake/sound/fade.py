"""fade: how a sound comes in and goes.

Conventions: one factor a millisecond. ``smooth`` is half a raised cosine, ``straight`` a line, both in
amplitude: half way through, either is at one half.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt

Factors = npt.NDArray[np.float64]


def fade_factors(
    rows: int, fade_in: int, fade_out: int, shape: Literal["smooth", "straight"]
) -> Factors:
    """Factors for *rows* with fades of so many rows at the ends, shape (rows,).

    Fades longer than the sound share it in proportion.
    """
    if fade_in + fade_out > rows:
        share = rows / (fade_in + fade_out)
        fade_in, fade_out = int(fade_in * share), int(fade_out * share)
    factors = np.ones(rows)
    factors[:fade_in] = _rising(fade_in, shape)
    if fade_out:
        factors[rows - fade_out :] *= _rising(fade_out, shape)[::-1]
    return factors


def _rising(rows: int, shape: str) -> Factors:
    line = np.arange(rows) / max(rows, 1)
    return line if shape == "straight" else 0.5 - 0.5 * np.cos(np.pi * line)

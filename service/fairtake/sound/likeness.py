"""Likeness: how far two stretches of speech are the same words, whatever their speed.

Conventions: a stretch is told by the shape of its spectrum in the ear's bands, every 20 ms, its mean
taken off; only what changes says which words. The *distance* is the mean Euclidean distance, in dB, along the
best path that begins with both stretches and uses up the first; the second may go on.
Each may run up to twice as fast as the other.

Source: dynamic time warping with the slope constraint P = 1 of Sakoe and Chiba, IEEE Trans. ASSP
26(1), 1978.
"""

from __future__ import annotations

import functools
import itertools

import numpy as np
import numpy.typing as npt

#: 20 ms: two of the ear's frames.
TOGETHER = 2
#: Of a spectrum's shape, so many coefficients; the first tells loudness and is left out.
SHAPES = slice(1, 13)
#: The softest sounds are all alike: what lies further under the loudest than this is taken for so soft.
DEPTH_DB = 45.0
#: The second stretch may begin so many steps later or earlier.
BEGINS_LATER = 10

Shapes = npt.NDArray[np.float64]


def shapes(bands_db: npt.NDArray[np.floating]) -> Shapes:
    """The shape of the spectrum of a stretch, shape (steps, coefficients)."""
    steps = len(bands_db) // TOGETHER
    whole = bands_db[: steps * TOGETHER].astype(np.float64).reshape(steps, TOGETHER, -1)
    level = np.maximum(whole.mean(axis=1), whole.max(initial=-200.0) - DEPTH_DB)
    found = level @ _cosines(level.shape[1])
    mean: Shapes = found - found.mean(axis=0) if steps else found
    return mean


@functools.cache
def _cosines(bands: int) -> Shapes:
    """The cosine transform that tells the shape of *bands* values, orthonormal, a column each."""
    place, order = np.arange(bands)[:, None] + 0.5, np.arange(bands)[None, SHAPES]
    return np.sqrt(2 / bands) * np.cos(np.pi * place * order / bands)


def distance_db(first: Shapes, second: Shapes) -> float:
    """How far *first* is from what *second* begins with; infinite where *second* is too short."""
    if not len(first) or len(second) < len(first) / 2:
        return float("inf")
    apart = np.sqrt(((first[:, None] - second[None]) ** 2).sum(axis=2))
    column = np.arange(len(second))
    # Cost and length of the best path that ends in each column; a path may skip a row or a column.
    cost, length = np.where(column < BEGINS_LATER, apart[0], np.inf), np.ones(len(second))
    cost_before, length_before = np.full(len(second), np.inf), np.ones(len(second))
    for above, here in itertools.pairwise(apart):
        ways = np.stack(
            [
                _later(cost, 1) + here,
                _later(cost, 2) + _later(here, 1, 0.0) + here,
                _later(cost_before, 1) + above + here,
            ]
        )
        lengths = np.stack(
            [_later(length, 1, 1) + 1, _later(length, 2, 1) + 2, _later(length_before, 1, 1) + 2]
        )
        best = np.argmin(ways / lengths, axis=0)
        cost_before, length_before = cost, length
        cost, length = ways[best, column], lengths[best, column]
    return float(np.min(cost / length))


def _later(
    values: npt.NDArray[np.float64], by: int, lead: float = np.inf
) -> npt.NDArray[np.float64]:
    """*values* so many places later, *lead* before them."""
    return np.concatenate([np.full(by, lead), values[:-by]])[: len(values)]

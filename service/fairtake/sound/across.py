"""What a block of samples, shape (samples, channels), is across its channels, shape (samples,), and along.

Column by column: a reduction along an axis as short as this costs twenty times as much.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fairtake.sound.source import Samples

Values = npt.NDArray[np.float64]


def loudest(block: Samples) -> Values:
    """The greatest size of each sample."""
    most = np.abs(block[:, 0])
    for channel in block.T[1:]:
        np.maximum(most, np.abs(channel), out=most)
    return most


def middle(block: Samples) -> Values:
    """The mean of each sample; a view where there is one channel."""
    if block.shape[1] == 1:
        return block[:, 0]
    total = block[:, 0] + block[:, 1]
    for channel in block.T[2:]:
        total += channel
    return total / block.shape[1]


def first_difference(block: Samples, last: Samples) -> Samples:
    """Each sample's step from the one before it; *last* is the sample before the block."""
    steps = np.empty_like(block)
    np.subtract(block[1:], block[:-1], out=steps[1:])
    np.subtract(block[:1], last, out=steps[:1])
    return steps


def row_energy(block: Samples, starts: npt.NDArray[np.intp]) -> Values:
    """The sum of squares of each row, which begin at *starts*, over all channels; shape (rows,)."""
    total = row_squares(block[:, 0], starts)
    for channel in block.T[1:]:
        total += row_squares(channel, starts)
    return total


def row_squares(values: Values, starts: npt.NDArray[np.intp]) -> Values:
    """The sum of squares of each row; rows of one length are summed at once, which is faster."""
    width, rest = divmod(len(values), len(starts))
    if not rest and (np.diff(starts) == width).all():
        rows = values.reshape(-1, width)
        return np.einsum("ij,ij->i", rows, rows)
    return np.add.reduceat(np.square(values), starts)  # type: ignore[no-any-return]

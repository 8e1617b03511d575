"""What a block of samples, shape (samples, channels), is across its channels, shape (samples,).

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


def squares(block: Samples) -> Values:
    """The sum of the squares of each sample."""
    total = np.square(block[:, 0])
    for channel in block.T[1:]:
        total += np.square(channel)
    return total


def middle(block: Samples) -> Values:
    """The mean of each sample; a view where there is one channel."""
    if block.shape[1] == 1:
        return block[:, 0]
    total = block[:, 0] + block[:, 1]
    for channel in block.T[2:]:
        total += channel
    return total / block.shape[1]

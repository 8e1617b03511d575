"""The two sides of a stereo take, and how to make one voice of them.

A voice is often recorded into one side only, or with one side's polarity reversed by a wrong
cable: adding such sides up halves or cancels it. Both are told from three sums over the take.
The limits below are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from fairtake.sound.source import Samples, Source
from fairtake.units import power_db

DEAD_SIDE_DB = 25.0
REVERSED_CORRELATION = -0.6

Fold = Literal["keep", "middle", "left", "right", "difference"]


@dataclass
class Sides:
    """Sums over a stereo take: energy left, energy right, product of both."""

    left: float = 0.0
    right: float = 0.0
    product: float = 0.0

    def add(self, block: npt.NDArray[np.float64]) -> None:
        left, right = block[:, 0], block[:, 1]
        self.left += float(left @ left)
        self.right += float(right @ right)
        self.product += float(left @ right)

    @property
    def dead(self) -> Literal["left", "right"] | None:
        """The side that holds next to nothing, if one does."""
        distance = float(power_db(self.left) - power_db(self.right))
        if abs(distance) < DEAD_SIDE_DB:
            return None
        return "right" if distance > 0 else "left"

    @property
    def reversed(self) -> bool:
        """Whether one side's polarity is reversed."""
        both = (self.left * self.right) ** 0.5
        return both > 0 and self.product / both < REVERSED_CORRELATION

    @property
    def fold(self) -> Fold:
        """The way to one channel that keeps the voice."""
        if self.dead:
            return "left" if self.dead == "right" else "right"
        return "difference" if self.reversed else "middle"


def folded(block: npt.NDArray[np.float64], fold: Fold) -> npt.NDArray[np.float64]:
    """A block of shape (samples, 2) as (samples, 1), or as it is for ``keep``."""
    match fold:
        case "keep":
            return block
        case "left":
            return block[:, :1]
        case "right":
            return block[:, 1:]
        case "middle":
            return (block[:, :1] + block[:, 1:]) / 2
        case "difference":
            return (block[:, :1] - block[:, 1:]) / 2


class Folded:
    """A stereo source heard as one channel."""

    channels = 1

    def __init__(self, source: Source, fold: Fold) -> None:
        self._source, self._fold = source, fold
        self.sample_rate_hz, self.frames = source.sample_rate_hz, source.frames

    def blocks(self, start: int = 0, stop: int | None = None) -> Iterator[Samples]:
        return (folded(block, self._fold) for block in self._source.blocks(start, stop))

    def read(self, start: int, stop: int) -> Samples:
        return folded(self._source.read(start, stop), self._fold)

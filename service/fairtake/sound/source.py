"""What everything below the files layer takes sound from."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.float64]

#: Blocks are whole seconds, so that rows never straddle two of them.
BLOCK_S = 2


class Source(Protocol):
    """Sound that can be read from its start, as often as wanted."""

    sample_rate_hz: int
    channels: int
    frames: int

    def blocks(self, start: int = 0, stop: int | None = None) -> Iterator[Samples]:
        """Samples *start* up to *stop* in blocks of `BLOCK_S`, shape (samples, channels)."""
        ...

    def read(self, start: int, stop: int) -> Samples:
        """A short stretch from anywhere; near it where the format does not seek exactly."""
        ...

"""Overs: where an encoded file stands over its ceiling, and how much lower the limiter is to keep there.

An encoder adds to peaks here and there, and not where one would guess. The ceiling is lowered in those places
alone; lowered for the whole take, one moment would cost all of it level.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from fairtake.sound.levels import Rows
from fairtake.sound.phases import CLOSE
from fairtake.sound.runs import runs, widened
from fairtake.sound.source import Samples
from fairtake.sound.true_peak import RowPeaks
from fairtake.units import amplitude_db, gain

#: What is pressed lies within so many rows of the peak: a frame of the encoder spreads its error.
REACH_ROWS = 8


@dataclass(frozen=True, order=True)
class Over:
    """Rows from *start* up to *stop*, which stand so many dB over what they may."""

    start: int
    stop: int
    db: float


def overs_of(
    stream: Iterator[Samples], sample_rate_hz: int, channels: int, most_dbtp: float
) -> tuple[Over, ...]:
    """The places of *stream*, blocks of shape (samples, channels), that stand over *most_dbtp*, by the
    standard's filter or the closer one."""
    meter, most = RowPeaks(sample_rate_hz, channels, CLOSE), float(gain(most_dbtp))
    found = [np.zeros(0), *(meter.add(block, most) for block in stream)]
    over_db = amplitude_db(np.concatenate(found)) - most_dbtp
    starts, stops = runs(widened(over_db > 0, REACH_ROWS, REACH_ROWS))
    return tuple(
        Over(start, stop, float(over_db[start:stop].max()))
        for start, stop in zip(starts.tolist(), stops.tolist(), strict=True)
    )


def lowered_db(overs: Sequence[Over], rows: int) -> Rows | None:
    """How much lower the limiter keeps in each of *rows*, dB; None where nowhere. Places that were told twice
    were still over: they count twice."""
    if not overs:
        return None
    lower = np.zeros(rows, np.float32)
    for over in overs:
        lower[over.start : over.stop] += over.db
    return lower

"""phase: turn the whole take in phase, so that less of its peaks has to be pressed.

Conventions: one angle for the take, the one of `ANGLES_DEG` with which limiting it costs the least level;
none where the best of them is not worth `WORTH_DB`. Through all-passes it goes only where the profile's
level is not reached otherwise, and through no more of them than the profile allows. What the filter is,
`fairtake.sound.phase` says; which angle, is told where limit and normalise are solved, whose level it is.

Source: the filter's, see there; that an angle is chosen by what limiting would cost is our own.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from pydantic import Field

from fairtake.sound.levels import Levels, Rows, row_starts, widest_row
from fairtake.sound.phase import (
    NO_PHASE,
    Phase,
    convolved,
    kernel,
    turned,
    with_neighbours,
    with_reach,
)
from fairtake.sound.source import Samples
from fairtake.sound.stage import Work
from fairtake.typed_file import Settings
from fairtake.units import amplitude_db, gain

#: Half a turn is all there is: the other half is the same upside down.
ANGLES_DEG = tuple(15.0 * n for n in range(-5, 7))
#: Rows of all-passes that are tried, one after the other.
ALL_PASSES = (0, 8, 12)
#: Turning is for what it brings, in dB of level that limiting does not take.
WORTH_DB = 0.03
#: A row whose peak is so far under where the limiter begins stays under it at any angle.
TURNED_UP_DB = 4.0

Peaks = npt.NDArray[np.float32]


class PhaseSettings(Settings):
    most_all_passes: int = Field(
        12,
        ge=0,
        le=12,
        description="Where the level cannot be reached otherwise, the voice goes through so many "
        "all-passes at most; 0 for none.",
    )

    @property
    def tried(self) -> tuple[int, ...]:
        """The rows of all-passes that may be tried, the fewest first."""
        return tuple(n for n in ALL_PASSES if n <= self.most_all_passes)


@dataclass(frozen=True)
class TurnedPeaks:
    """The greatest sample of some *rows* of a take at each of `ANGLES_DEG`, shape (rows, angles)."""

    rows: npt.NDArray[np.intp]
    peaks: Peaks

    def over_db(self, least: Rows, angle: int) -> Rows:
        """How far each row of the take stands over *least* at one angle; those not told, far under it."""
        over = np.full(len(least), -200.0, np.float32)
        over[self.rows] = amplitude_db(self.peaks[:, angle] / least[self.rows])
        return over


def turned_peaks(
    stream: Iterator[Samples], all_passes: int, sample_rate_hz: int, least: Rows
) -> TurnedPeaks:
    """What turning makes of the peaks of *stream*, where they may come over *least*, an amplitude a row."""
    quarter = kernel(Phase(90.0), sample_rate_hz)
    radians = np.radians(ANGLES_DEG)
    width, row = widest_row(sample_rate_hz), 0
    rows, peaks = [np.zeros(0, np.intp)], [np.zeros((0, len(ANGLES_DEG)), np.float32)]
    near = least * np.float32(gain(-TURNED_UP_DB))
    stream = turned(stream, Phase(0.0, all_passes), sample_rate_hz)
    for before, block, after in with_neighbours(stream):
        starts = row_starts(len(block), sample_rate_hz)
        # Pieces are rounded to samples one by one: a take may outlast its last row by a few.
        here = np.minimum(np.arange(row, row + len(starts)), len(least) - 1)
        row += len(starts)
        greatest = np.maximum.reduceat(np.abs(block).max(axis=1), starts)
        hot = np.flatnonzero(greatest > near[here])
        if len(hot):
            other = convolved(with_reach(before, block, after, len(quarter) // 2), quarter)
            places = np.minimum(starts[hot][:, None] + np.arange(width), len(block) - 1)
            rows.append(here[hot])
            peaks.append(_peaks_at(block[places], other[places], radians))
    return TurnedPeaks(np.concatenate(rows), np.concatenate(peaks))


def _peaks_at(plain: Samples, other: Samples, radians: Iterable[float]) -> Peaks:
    """The greatest sample of each row, shape (rows, samples, channels), at each angle."""
    found = [np.abs(np.cos(a) * plain + np.sin(a) * other).max(axis=(1, 2)) for a in radians]
    return np.stack(found, axis=1).astype(np.float32)


def phase(levels: Levels, settings: PhaseSettings) -> Work:
    """Nothing by itself: which angle is worth it shows where limit and normalise are solved."""
    return Work(note=phase_note(NO_PHASE, 0.0))


def phase_note(phase: Phase, won_db: float) -> dict[str, float]:
    """For the receipt: what was turned, and by how much less level limiting takes for it."""
    return {
        "angle_deg": phase.angle_deg,
        "won_db": round(won_db, 2) if phase else 0.0,
        "all_passes": phase.all_passes,
    }

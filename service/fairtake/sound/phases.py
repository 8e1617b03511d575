"""Filters for what a signal does between its samples: some phases, the later half mirror images of the first.

`PRINTED` is the one that ITU-R BS.1770-5 prints in its Annex 2, four phases of twelve taps: what true peaks are
told by. It reads a tone at a sixth of the sample rate 0.3 dB too low. `CLOSE` is for whoever has to keep under
a ceiling by that filter and by a better one: besides the printed phases it has eight of sixteen taps, at the
odd sixteenths between two samples, with the least squares of the error up to `CLOSE_SHARE` of the sample rate.
What it misses is what lies between its places, 0.05 dB at 12 kHz and 48,000 samples a second.

Source of the design: Laakso, Välimäki, Karjalainen and Laine, "Splitting the unit delay", IEEE Signal
Processing Magazine 13(1), 1996, section on the least squares.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Values = npt.NDArray[np.float64]

CLOSE_TAPS, CLOSE_SHARE = 16, 0.43

# Printed table, one column a phase; phases 2 and 3 are phases 1 and 0 reversed.
_PHASE_0 = (
    0.0017089843750, 0.0109863281250, -0.0196533203125, 0.0332031250000, -0.0594482421875,
    0.1373291015625, 0.9721679687500, -0.1022949218750, 0.0476074218750, -0.0266113281250,
    0.0148925781250, -0.0083007812500,
)  # fmt: skip
_PHASE_1 = (
    -0.0291748046875, 0.0292968750000, -0.0517578125000, 0.0891113281250, -0.1665039062500,
    0.4650878906250, 0.7797851562500, -0.2003173828125, 0.1015625000000, -0.0582275390625,
    0.0330810546875, -0.0189208984375,
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Interpolator:
    """``phases`` has the shape (phases, taps); the last is the first turned round, and so on inwards."""

    phases: Values

    @property
    def taps(self) -> int:
        return self.phases.shape[1]

    @property
    def reach(self) -> int:
        """So many samples before one does it reach back."""
        return self.taps - 1

    @functools.cached_property
    def bound(self) -> float:
        """No output exceeds so many times the greatest sample."""
        return float(np.abs(self.phases).sum(axis=1).max())

    @functools.cached_property
    def bound_of_peak(self) -> float:
        """The greatest sum of a phase."""
        return float(np.abs(self.phases.sum(axis=1)).max())

    @functools.cached_property
    def bound_of_steps(self) -> float:
        """The greatest length of a phase's running sums, from both ends up to the tap for which it is least."""
        return max(_of_steps(phase) for phase in self.phases)

    @functools.cached_property
    def halves(self) -> Values:
        """Half the sums and half the differences of the taps of each phase and of its mirror image; taps come last first, as samples are met."""
        half = self.taps // 2
        pairs = [
            (p[:half] + turn * p[: half - 1 : -1]) / 2
            for p in self.phases[: len(self.phases) // 2, ::-1]
            for turn in (1, -1)
        ]
        return np.stack(pairs)


def _of_steps(phase: Values) -> float:
    onward, back = np.cumsum(phase)[:-1], np.cumsum(phase[::-1])[::-1][1:]
    return min(
        float(np.hypot(np.linalg.norm(onward[:c]), np.linalg.norm(back[c:])))
        for c in range(len(phase))
    )


def _least_squares(away: float) -> Values:
    """The taps whose sum is the signal *away* samples from their middle, for frequencies up to `CLOSE_SHARE`."""
    places = np.arange(CLOSE_TAPS) - (CLOSE_TAPS - 1) / 2
    apart = 2 * CLOSE_SHARE * (places[:, None] - places)
    solved: Values = np.linalg.solve(np.sinc(apart), np.sinc(2 * CLOSE_SHARE * (places - away)))
    return solved


_PRINTED = np.array([_PHASE_0, _PHASE_1, _PHASE_1[::-1], _PHASE_0[::-1]])
PRINTED = Interpolator(_PRINTED)
_WIDER = np.pad(_PRINTED, ((0, 0), ((CLOSE_TAPS - PRINTED.taps) // 2,) * 2))
_BETWEEN = [_least_squares(sixteenths / 16) for sixteenths in range(-7, 8, 2)]
CLOSE = Interpolator(np.array([*_WIDER[:2], *_BETWEEN, *_WIDER[2:]]))

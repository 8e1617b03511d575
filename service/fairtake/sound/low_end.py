"""What the rest of a table becomes when its ``low`` column is changed.

Filters that only touch what is slow change a row's samples by what ``low`` shows of them: so a row's
energy changes by the difference of the energies of its slow part, and its peak by the difference of
their sizes. Two forms of that energy serve two ends, both by algebra:

* `slow_power`, for DC, rumble and thumps: the square of the row's mean, and what a slope adds to it.
  It is exact for DC, which may stand 40 dB over the room it hides.
* `line_power`, for lines of hum up to 450 Hz, which a row's mean weakens by sinc(f), f in cycles a
  row: over one row a sine of amplitude 1 has the power (1 + sinc(2f)·cos 2φ) / 2, where φ is its phase
  in the row's middle. Two short filters, one even and one odd, make that of the column.

In stereo ``low`` is the middle of both sides: rumble on one side only is not seen in full, and
*prove* settles what is left.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from fairtake.sound.filters import averaged, response, run
from fairtake.sound.levels import ROWS_PER_S, Levels, Rows
from fairtake.sound.loops import weigh
from fairtake.sound.loudness import k_weighting

Low = npt.NDArray[np.float64]
Power = Callable[[Low, int, bool], Low]

#: No row is left with less of its energy than this: it never becomes exact silence.
LEAST_SHARE = 1e-9
#: What little a row keeps is told from its neighbours too: a line and the noise beside it beat.
SMOOTH_ROWS = 24
_REACH = 31
_GRID = 1024


#: Rows that are worked on at a time, so that a long take needs little memory, and what a stretch
#: has to know of its neighbours: the high-pass has settled and every filter reaches less far.
STRETCH_ROWS, NEIGHBOUR_ROWS = 100_000, 2_000


def with_low(levels: Levels, low: Low, power: Power) -> Levels:
    """*levels* as they are once the slow part of the sound has become *low*."""
    parts = []
    for begin in range(0, levels.rows, STRETCH_ROWS):
        lead = min(begin, NEIGHBOUR_ROWS)
        around = slice(begin - lead, begin + STRETCH_ROWS + NEIGHBOUR_ROWS)
        length = min(STRETCH_ROWS, levels.rows - begin)
        columns = _stretch(levels, low, power, around)
        parts.append([column[lead : lead + length] for column in columns])
    peak, energy, k_energy = (np.concatenate(column) for column in zip(*parts, strict=True))
    return replace(
        levels,
        heard_peak=peak,
        heard_energy=energy,
        heard_k_energy=k_energy,
        heard_low=low.astype(np.float32),
    )


def _stretch(levels: Levels, low: Low, power: Power, rows: slice) -> tuple[Rows, Rows, Rows]:
    """Peak, energy and K-weighted energy of *rows* once their slow part has become that of *low*."""
    before, after = levels.heard_low[rows].astype(np.float64), low[rows]
    rate = levels.sample_rate_hz
    samples = _samples_per_row(levels, rows)
    taken = samples * (power(before, rate, False) - power(after, rate, False))
    k_before, k_after = _k_highpassed(before), _k_highpassed(after)
    k_taken = samples * (power(k_before, rate, True) - power(k_after, rate, True))
    return (
        _peak(levels.heard_peak[rows], before, after),
        _less(levels.heard_energy[rows], taken),
        _less(levels.heard_k_energy[rows], k_taken * levels.channels),
    )


def slow_power(low: Low, sample_rate_hz: int, weighted: bool) -> Low:
    """Mean square within each row of a sound slower than about 150 Hz."""
    steps = np.diff(low, prepend=low[:1], append=low[-1:]) ** 2
    return low**2 + (steps[:-1] + steps[1:]) / 24


def line_power(low: Low, sample_rate_hz: int, weighted: bool) -> Low:
    """Mean square within each row of a sound up to 450 Hz; of one that is to be K-weighted, after that."""
    padded = np.pad(low, _REACH, mode="edge")
    even, odd = _row_filters(sample_rate_hz, weighted)
    power: Low = averaged(padded, even) ** 2 + averaged(padded, odd) ** 2
    return power


def _less(energy: Rows, taken: Low) -> Rows:
    """*energy* without what was taken; smoothed so far as little is left of it."""
    left = energy - taken
    smooth = _smooth(left)
    share = np.clip(smooth / np.maximum(_smooth(energy.astype(np.float64)), 1e-30), 0, 1)
    left = share * left + (1 - share) * smooth
    return np.maximum(left, energy * LEAST_SHARE).astype(np.float32)  # type: ignore[no-any-return]


def _smooth(rows: Low) -> Low:
    weights = np.hanning(SMOOTH_ROWS + 3)[1:-1]
    padded = np.pad(rows, SMOOTH_ROWS // 2, mode="edge")
    return weigh(padded, weights / weights.sum())


def _peak(peak: Rows, before: Low, after: Low) -> Rows:
    """The row swings about its mean as far as it did, and its mean has moved."""
    moved = np.abs(after) + np.maximum(peak - np.abs(before), peak * LEAST_SHARE)
    return moved.astype(np.float32)  # type: ignore[no-any-return]


def _samples_per_row(levels: Levels, rows: slice) -> Low:
    last = min(rows.stop, levels.rows)
    edges = np.rint(np.arange(rows.start, last + 1) * levels.sample_rate_hz / ROWS_PER_S)
    return np.diff(edges)


def _k_highpassed(low: Low) -> Low:
    return run(_highpass(), low)[0]


@functools.cache
def _highpass() -> Low:
    """The high-pass of K-weighting at the table's rate, 0 dB where it passes."""
    section = k_weighting(ROWS_PER_S)[1:].copy()
    # The standard does not scale this filter to 0 dB, which is felt at a rate as low as this.
    b, a = section[0, :3], section[0, 3:]
    section[0, :3] = b * (a[0] - a[1] + a[2]) / (b[0] - b[1] + b[2])
    return section


@functools.cache
def _row_filters(sample_rate_hz: int, weighted: bool) -> tuple[Low, Low]:
    """The even and the odd filter of `line_power`, of 2·`_REACH` + 1 taps each."""
    f = np.arange(_GRID // 2 + 1) / _GRID
    wanted = _weight(f, sample_rate_hz) if weighted else np.ones(len(f))
    taper = np.hanning(2 * _REACH + 3)[1:-1]
    taps = []
    for turn, share in ((1, 1 + np.sinc(2 * f)), (1j, 1 - np.sinc(2 * f))):
        impulse = np.fft.irfft(turn * wanted * np.sqrt(share / 2) / np.sinc(f), _GRID)
        taps.append(np.roll(impulse, _REACH)[: 2 * _REACH + 1] * taper)
    return taps[0], taps[1]


def _weight(f: Low, sample_rate_hz: int) -> npt.NDArray[np.complex128]:
    """What K-weighting at the take's rate does beyond its high-pass at the table's.

    Its phase matters: where in a row a line of hum crosses zero decides what is left of the row.
    """
    hz = np.clip(f * ROWS_PER_S, 1.0, ROWS_PER_S / 2 - 1)
    whole = response(k_weighting(sample_rate_hz), hz, sample_rate_hz)
    return whole / response(_highpass(), hz, ROWS_PER_S)

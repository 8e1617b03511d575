"""True peak after ITU-R BS.1770-5, Annex 2: four-times oversampling by the printed 48-tap filter.

The filter alone under-reads where a peak falls on a sample, so a true peak is the greater of the
filter's output and the samples themselves. At 192 kHz and above the samples are taken as they are.

What the filter puts out is bounded by what lies under its taps, so that looking only where it matters
is exact: a row that cannot reach what was already found cannot change the answer. By algebra: no output
exceeds `BOUND` times the greatest sample. And with S the sum of a phase h, and t its running sums from
both ends up to any one tap c, an output is S x[c] plus the sum of t[k] times the steps from sample to
sample, of which the latter is no greater than |t| times the root of the steps' energy (Cauchy and Schwarz).
Where a voice is smooth that says far more.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fairtake.sound.levels import row_starts, widest_row
from fairtake.sound.loops import row_sums, span_peaks
from fairtake.sound.phases import PRINTED, Interpolator

Samples = npt.NDArray[np.float64]

TOP_RATE_HZ = 192_000
#: Spans that are looked at together: where all count, and where the first may rule out the others.
AT_ONCE, FIRST_ONES = 256, 64


def hot_rows(
    history: Samples, peaks: Samples, step_energies: Samples, least: float | Samples,
    by: Interpolator = PRINTED,
) -> tuple[npt.NDArray[np.intp], Samples]:  # fmt: skip
    """The rows of a block whose true peaks can come over *least*, one amplitude or one a row, and how high
    they can be at most.

    Told from each row's greatest sample and the energy of its first difference, and from those of the
    row before, which holds all that the taps reach back to; before the first, that is *history*.
    """
    first = float(np.abs(history).max(initial=0.0))
    before = float(np.square(np.diff(history, axis=0)).sum())
    greatest = np.maximum(peaks, np.concatenate([[first], peaks[:-1]]))
    steps = step_energies + np.concatenate([[before], step_energies[:-1]])
    most = by.bound_of_peak * greatest + by.bound_of_steps * np.sqrt(steps)
    most = np.minimum(by.bound * greatest, most)
    hot = np.flatnonzero(most > least)
    return hot, most[hot]


def history_after(history: Samples, block: Samples) -> Samples:
    """The samples that the filter still holds behind *block*."""
    reach = len(history)
    return np.concatenate([history, block[-reach:]])[-reach:]


def no_history(channels: int, by: Interpolator = PRINTED) -> Samples:
    """The history before a take's first sample."""
    return np.zeros((by.reach, channels))


def true_peaks_of(
    history: Samples, block: Samples, starts: npt.NDArray[np.intp], width: int,
    by: Interpolator = PRINTED,
) -> Samples:  # fmt: skip
    """True peak of spans of *width* samples, shape (spans,).

    Span *i* covers the samples of *block* from ``starts[i]``; behind *history* it stands in the
    stream. The filter's delay of about six samples is left in: a peak may be reported by the span
    after the one it lies in.
    """
    width = min(width, len(block))
    starts = np.minimum(starts, len(block) - width)
    early, reach = starts < by.reach, by.reach
    if not early.any():
        return span_peaks(block, starts - reach, width, by)
    peaks = np.empty(len(starts))
    # The first ones alone need the two joined.
    peaks[early] = span_peaks(
        np.concatenate([history, block[: width + reach]]), starts[early], width, by
    )
    if not early.all():
        peaks[~early] = span_peaks(block, starts[~early] - reach, width, by)
    return peaks


def needs_filter(sample_rate_hz: int) -> bool:
    """Whether the standard oversamples at this rate."""
    return sample_rate_hz < TOP_RATE_HZ


class RowPeaks:
    """True peaks of the rows of a stream of blocks, looked for only where they may matter."""

    def __init__(self, sample_rate_hz: int, channels: int, by: Interpolator = PRINTED) -> None:
        self._rate, self._by = sample_rate_hz, by
        self._history = no_history(channels, by)
        self._before = np.zeros((channels, 2))

    def add(self, block: Samples, least: float | Samples) -> Samples:
        """The true peak of each row that may come over *least*, the greatest sample of the others.

        *least* is one amplitude, or one a row. A peak may be reported one row late.
        """
        starts = row_starts(len(block), self._rate)
        sums = row_sums(block, self._before, starts)
        peaks = sums.peaks
        history, self._history = self._history, history_after(self._history, block)
        width = widest_row(self._rate)
        hot, _ = hot_rows(history, peaks, sums.step_energies, least, self._by)
        if not len(hot):
            return peaks
        for begin in range(0, len(hot), AT_ONCE):
            some = hot[begin : begin + AT_ONCE]
            found = true_peaks_of(history, block, starts[some], width, self._by)
            peaks[some] = np.maximum(peaks[some], found)
        return peaks


class TruePeakMeter:
    """Greatest true peak of a stream of blocks, shape (samples, channels)."""

    def __init__(self, sample_rate_hz: int, channels: int) -> None:
        self.peak = 0.0
        self._width = widest_row(sample_rate_hz)
        self._filter = needs_filter(sample_rate_hz)
        self._history = no_history(channels)

    def add(
        self,
        block: Samples,
        row_peaks: Samples,
        step_energies: Samples,
        starts: npt.NDArray[np.intp],
    ) -> None:
        """Take in a block whose rows begin at *starts*: their greatest samples, and the energies of
        their first differences."""
        self.peak = max(self.peak, float(row_peaks.max(initial=0.0)))
        if not self._filter:
            return
        history, self._history = self._history, history_after(self._history, block)
        hot, most = hot_rows(history, row_peaks, step_energies, self.peak)
        if not len(hot):
            return
        # Loudest first: what they hold rules most of the others out.
        order = np.argsort(-most)
        for begin in range(0, len(order), FIRST_ONES):
            first = order[begin : begin + FIRST_ONES]
            some = hot[first[most[first] > self.peak]]
            if not len(some):
                break
            found = true_peaks_of(history, block, starts[some], self._width)
            self.peak = max(self.peak, float(found.max()))

    def flush(self) -> None:
        """Take in the filter's tail: what rings after the last sample."""
        if self._filter:
            tail = np.zeros_like(self._history)
            found = true_peaks_of(self._history, tail, np.array([0]), len(tail))
            self.peak = max(self.peak, float(found.max()))

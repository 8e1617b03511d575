"""Blemishes: clicks and clipped runs, found while a take streams by and rebuilt where they stand.

Conventions: a blemish is told in samples of the take. Each file says one thing: which rows may hold
a click (`fairtake.sound.sharpness`), whether one does (`fairtake.sound.clicks`), what was clipped
(`fairtake.sound.clipping`), and what sound is rebuilt by (`fairtake.sound.autoregression`). Here
the stream is walked: what is decided about a row needs `REACH_ROWS` on both sides of it.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fairtake.sound import clipping
from fairtake.sound.clicks import REACH_MS, rebuilt_click
from fairtake.sound.levels import ROWS_PER_S, Blemish, sample_of
from fairtake.sound.sharpness import REACH_ROWS, Candidates, candidates
from fairtake.sound.source import Samples

Energies = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]


class BlemishFinder:
    """Finds blemishes in a stream of blocks; all but the last begin and end on whole seconds."""

    def __init__(self, sample_rate_hz: int, channels: int) -> None:
        self.found: list[Blemish] = []
        self.clipped_runs = 0
        self._rate = sample_rate_hz
        self._samples = np.zeros((0, channels))
        self._sharpness = np.zeros(0)
        self._first_row = 0
        self._clips = False

    def add(self, block: Samples, sharpness: Energies, starts: Indices, peaks: Energies) -> None:
        """Take in a block: how sharp its rows are, where they begin and how high they reach.

        Decides about all rows that have `REACH_ROWS` behind them.
        """
        self._sharpness = np.concatenate([self._sharpness, sharpness])
        first, last = REACH_ROWS, len(self._sharpness) - REACH_ROWS
        if last > first:
            clips = clipping.may_clip(block, starts, peaks)
            taken = self._clipped(block, first, last) if clips or self._clips else []
            self._clicks(block, candidates(self._sharpness, first, last), taken)
            self._clips = clips
        self._keep_tail(block)

    def _keep_tail(self, block: Samples) -> None:
        """Let go of all rows but those that the next block still needs."""
        cut = max(len(self._sharpness) - 2 * REACH_ROWS, 0)
        self._samples = self._heard(block, self._place(cut)).copy()
        self._sharpness = self._sharpness[cut:]
        self._first_row += cut

    def _heard(self, block: Samples, start: int, stop: int | None = None) -> Samples:
        """Samples *start* to *stop* of the tail and *block*; no more is joined than need be."""
        seam = len(self._samples)
        if start >= seam:
            return block[start - seam : None if stop is None else stop - seam]
        if stop is not None and stop <= seam:
            return self._samples[start:stop]
        return np.concatenate([self._samples[start:], self._heard(block, seam, stop)])

    def _place(self, row: int) -> int:
        """Where a row of the tail and the block begins in their samples."""
        begin = sample_of(self._first_row, self._rate)
        return sample_of(self._first_row + row, self._rate) - begin

    def _keep(self, blemish: Blemish, offset: int = 0) -> None:
        begin = sample_of(self._first_row, self._rate) + offset
        moved = Blemish(blemish.kind, begin + blemish.start, blemish.rebuilt, blemish.over_db)
        self.found.append(moved)

    def _clicks(self, block: Samples, some: Candidates, taken: list[slice]) -> None:
        """Keep the clicks in some rows, but for those in samples *taken* already."""
        reach = round(REACH_MS * self._rate / ROWS_PER_S)
        for row, plain, steady in zip(some.rows, some.plain, some.steady, strict=True):
            start, stop = self._place(int(row)), self._place(int(row) + 1)
            begin = max(start - reach, 0)
            around = self._heard(block, begin, stop + reach)
            place = slice(start - begin, stop - begin)
            click = rebuilt_click(around, place, self._rate, bool(plain), bool(steady))
            if click is None:
                continue
            first, last = begin + click.start, begin + click.start + len(click.rebuilt)
            if not any(span.start < last and first < span.stop for span in taken):
                self._keep(click, begin)

    def _clipped(self, block: Samples, first: int, last: int) -> list[slice]:
        """Rebuild the clipped runs that begin in some rows; where they lie."""
        joined = self._heard(block, 0)
        begin, end = self._place(first), self._place(last)
        spans = [s for s in clipping.clipped_spans(joined) if begin <= s.start < end]
        self.clipped_runs += len(spans)
        most = clipping.MOST_PER_S * max(1, (last - first) // ROWS_PER_S)
        rounded = clipping.rounded_off(joined, spans[: 3 * most])
        for span in spans[:most]:
            blemish = clipping.rebuilt_clipping(joined, rounded, span, self._rate)
            if blemish is not None:
                self._keep(blemish)
        return spans

"""A source with its blemishes replaced and its filters applied, before anything is cut."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from fairtake.sound.filters import Sections, State, run, settled
from fairtake.sound.levels import Blemish
from fairtake.sound.source import Samples, Source

#: Filters run over this much sound ahead of what is asked for, so that they have settled.
WARM_UP_S = 1.0
#: At first they take the sound before it for as steady as the mean of this: DC makes no thump.
STILL_S = 0.1


class Treated:
    """*source* as a source again: repaired, then filtered."""

    def __init__(
        self, source: Source, repairs: Sequence[Blemish], filters: Sequence[Sections]
    ) -> None:
        self._source = source
        self._repairs = sorted(repairs, key=lambda blemish: blemish.start)
        self._starts = np.array([blemish.start for blemish in self._repairs])
        self._longest = max((len(blemish.rebuilt) for blemish in self._repairs), default=0)
        self._sections = np.concatenate(filters) if filters else None
        self.sample_rate_hz, self.channels = source.sample_rate_hz, source.channels
        self.frames = source.frames

    def blocks(self, start: int = 0, stop: int | None = None) -> Iterator[Samples]:
        begin = self._begin(start)
        state = self._still(begin)
        # By themselves, so that blocks begin where they are asked to: nobody has to join them anew.
        if begin < start:
            for block in self._source.blocks(begin, start):
                _, state = self._treat(block, begin, state)
                begin += len(block)
        for block in self._source.blocks(start, stop):
            treated, state = self._treat(block, begin, state)
            begin += len(block)
            yield treated

    def read(self, start: int, stop: int) -> Samples:
        begin = self._begin(start)
        treated, _ = self._treat(self._source.read(begin, stop), begin, self._still(begin))
        return treated[start - begin :]

    def _begin(self, start: int) -> int:
        if self._sections is None:
            return start
        return max(start - round(WARM_UP_S * self.sample_rate_hz), 0)

    def _still(self, begin: int) -> State | None:
        """The filters' state after long stillness."""
        if self._sections is None:
            return None
        stop = min(begin + round(STILL_S * self.sample_rate_hz), self.frames)
        level = self._source.read(begin, stop).mean(axis=0) if stop > begin else 0.0
        return settled(self._sections, level)

    def _treat(self, block: Samples, at: int, state: State | None) -> tuple[Samples, State | None]:
        block = self._repaired(block, at)
        if self._sections is None or not len(block):
            return block, state
        return run(self._sections, block, state)

    def _repaired(self, block: Samples, at: int) -> Samples:
        """*block*, which begins at sample *at*, with every blemish in it replaced."""
        first, last = np.searchsorted(self._starts, (at - self._longest, at + len(block)))
        if first == last:
            return block
        block = block.copy()
        for blemish in self._repairs[first:last]:
            begin, end = blemish.start - at, blemish.start - at + len(blemish.rebuilt)
            inside = slice(max(begin, 0), max(min(end, len(block)), 0))
            block[inside] = blemish.rebuilt[inside.start - begin : inside.stop - begin]
        return block

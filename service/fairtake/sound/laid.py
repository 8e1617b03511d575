"""Sounds laid on one time axis, and their sum: a source like any other.

Conventions: places are samples of the axis at its own rate, exact to the sample. A sound's gain has one
value for each millisecond from its own first sample on. Nothing is held but a block of each.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fairtake.sound.edit import reblocked
from fairtake.sound.levels import ROWS_PER_S, Rows
from fairtake.sound.render import amplified, resampled
from fairtake.sound.source import BLOCK_S, Samples, Source

#: Where a loop begins anew, its end and its beginning are cross-faded over this.
SEAM_S = 0.02


@dataclass(frozen=True)
class Laid:
    """*source*'s samples from ``part[0]`` to ``part[1]``, from *begin* on for *frames* of the axis."""

    source: Source
    begin: int
    frames: int
    part: tuple[int, int]
    gain_db: Rows
    loop: bool = False

    @property
    def end(self) -> int:
        return self.begin + self.frames

    def samples(self, rate: int) -> Iterator[Samples]:
        """Its *frames* samples at *rate*, under its gain, in blocks."""
        stream = self._played()
        if self.source.sample_rate_hz != rate:
            stream = resampled(stream, self.source, rate, self.frames)
        return amplified(
            _exactly(stream, self.frames, self.source.channels, rate), self.gain_db, rate
        )

    def _played(self) -> Iterator[Samples]:
        if not self.loop:
            yield from self.source.blocks(*self.part)
            return
        source, (begin, end) = self.source, self.part
        rate = source.sample_rate_hz
        seam = min(round(SEAM_S * rate), (end - begin) // 2)
        fade = (np.arange(seam)[:, None] + 0.5) / max(seam, 1)
        if end - begin <= BLOCK_S * rate:  # or a file would be opened thousands of times an hour
            source, begin, end = _Held(source, begin, end), 0, end - begin
        kept = np.zeros((0, source.channels))
        while True:
            head = source.read(begin, begin + seam)
            if len(kept):
                head = head * np.sqrt(fade) + kept * np.sqrt(1 - fade)
            yield head
            yield from source.blocks(begin + seam, end - seam)
            kept = source.read(end - seam, end)


class _Held:
    """A stretch of *source* that is short enough to be held."""

    def __init__(self, source: Source, begin: int, end: int) -> None:
        self.sample_rate_hz, self.channels = source.sample_rate_hz, source.channels
        self._samples = np.concatenate(list(source.blocks(begin, end)))
        self.frames = len(self._samples)

    def blocks(self, start: int = 0, stop: int | None = None) -> Iterator[Samples]:
        yield self._samples[start:stop]

    def read(self, start: int, stop: int) -> Samples:
        return self._samples[start:stop]


class Mixed:
    """The sum of *parts* as a source of its own, from sample 0 of the axis to the last end, or as many
    *frames* as it is told."""

    def __init__(
        self, parts: Sequence[Laid], sample_rate_hz: int, channels: int, frames: int | None = None
    ) -> None:
        self._parts = parts
        self.sample_rate_hz, self.channels = sample_rate_hz, channels
        last = max((part.end for part in parts), default=0)
        self.frames = last if frames is None else frames

    def blocks(self, start: int = 0, stop: int | None = None) -> Iterator[Samples]:
        stop = self.frames if stop is None else stop
        at = 0
        for block in self._summed():
            begin, end = max(start - at, 0), min(stop - at, len(block))
            if begin < end:
                yield block[begin:end]
            at += len(block)
            if at >= stop:
                return

    def read(self, start: int, stop: int) -> Samples:
        blocks = list(self.blocks(start, stop))
        return np.concatenate(blocks) if blocks else np.zeros((0, self.channels))

    def _summed(self) -> Iterator[Samples]:
        size = BLOCK_S * self.sample_rate_hz
        feeds = [_Feed(part, self.sample_rate_hz) for part in self._parts]
        for begin in range(0, self.frames, size):
            block = np.zeros((min(size, self.frames - begin), self.channels))
            for feed in feeds:
                feed.add_to(block, begin)
            yield block


class _Feed:
    """One part, taken block by block of the axis."""

    def __init__(self, part: Laid, rate: int) -> None:
        self._part = part
        self._stream: Iterator[Samples] = part.samples(rate)
        self._waiting: Samples = np.zeros((0, part.source.channels))

    def add_to(self, block: Samples, begin: int) -> None:
        """Add what lies between *begin* of the axis and the end of *block*."""
        if begin >= self._part.end:
            self._stream = iter(())  # its file is closed: many sounds may follow one another
            return
        first = max(self._part.begin - begin, 0)
        last = min(self._part.end - begin, len(block))
        if first >= last:
            return
        samples = self._next(last - first)
        block[first : first + len(samples)] += samples  # one channel goes to all

    def _next(self, count: int) -> Samples:
        have = [self._waiting]
        missing = count - len(self._waiting)
        while missing > 0:
            more = next(self._stream, None)
            if more is None:
                break
            have.append(more)
            missing -= len(more)
        joined = np.concatenate(have)
        self._waiting = joined[count:]
        return joined[:count]


def _exactly(stream: Iterator[Samples], frames: int, channels: int, rate: int) -> Iterator[Samples]:
    """*frames* samples of *stream* in blocks of `BLOCK_S`; zeros where it ends before."""

    def cut() -> Iterator[Samples]:
        left = frames
        for block in stream:
            yield block[:left]
            left -= len(block[:left])
            if not left:
                return
        while left:
            zeros = np.zeros((min(left, BLOCK_S * rate), channels))
            yield zeros
            left -= len(zeros)

    return reblocked(cut(), BLOCK_S * rate)


def rows_of(frames: int, rate: int) -> int:
    """How many rows so many samples touch."""
    return -(-frames * ROWS_PER_S // rate)


def gain_rows(level_db: float, *curves: npt.NDArray[np.floating]) -> Rows:
    """The gain of a sound: its level, and curves of factors or dB already in dB, added up."""
    total = np.sum(curves, axis=0) if curves else np.zeros(0)
    return (total + level_db).astype(np.float32)

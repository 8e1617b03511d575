"""The pieces of a take, joined into one stream.

A join never costs a sample of the take itself: where room tone is laid before or behind, the
cross-fade lies inside the tone. What fades in or out of the take is its neighbourhood on the other
side of the cut, or its mirror image where the file ends.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from fairtake.sound.levels import JOIN_ROWS, ROWS_PER_S, Piece, sample_of
from fairtake.sound.source import BLOCK_S, Samples, Source


def frames_of(pieces: Sequence[Piece], sample_rate_hz: int, frames: int) -> int:
    """Samples that the edited take will have."""
    return sum(b - a for a, b in (_span(p, sample_rate_hz, frames) for p in pieces))


def edited(source: Source, pieces: Sequence[Piece]) -> Iterator[Samples]:
    """The pieces of *source* in order, in blocks of `BLOCK_S` and a rest."""
    return reblocked(_joined(source, pieces), BLOCK_S * source.sample_rate_hz)


def _joined(source: Source, pieces: Sequence[Piece]) -> Iterator[Samples]:
    join = JOIN_ROWS * source.sample_rate_hz // ROWS_PER_S
    for n, piece in enumerate(pieces):
        if not piece.tone:
            yield from source.blocks(*_span(piece, source.sample_rate_hz, source.frames))
            continue
        tone = _tone(source, piece)
        if n > 0:
            _fade(tone[:join], _after(source, pieces[n - 1], join), out=False)
        if n + 1 < len(pieces) and not pieces[n + 1].tone:
            _fade(tone[-join:], _before(source, pieces[n + 1], join), out=True)
        yield tone


def _span(piece: Piece, rate: int, frames: int) -> tuple[int, int]:
    start = sample_of(piece.start or 0, rate)
    return start, min(
        sample_of(piece.stop, rate), frames
    ) if piece.start is not None else sample_of(piece.rows, rate)


def _tone(source: Source, piece: Piece) -> Samples:
    start, stop = _span(piece, source.sample_rate_hz, source.frames)
    if piece.start is None:
        return np.zeros((stop - start, source.channels))
    return source.read(start, stop).copy()


def _fade(tone: Samples, other: Samples, out: bool) -> None:
    """Cross-fade *tone* with *other* in place, at equal power: the two are not alike."""
    angle = np.linspace(0, np.pi / 2, len(tone))[:, None]
    rising, falling = np.sin(angle), np.cos(angle)
    other = other[-len(tone) :] if out else other[: len(tone)]
    tone *= falling if out else rising
    tone += other * (rising if out else falling)


def _after(source: Source, piece: Piece, count: int) -> Samples:
    """*count* samples that follow *piece* in the source, mirrored at the source's end."""
    if piece.start is None:
        return np.zeros((count, source.channels))
    stop = _span(piece, source.sample_rate_hz, source.frames)[1]
    there = source.read(stop, min(stop + count, source.frames))
    mirrored = source.read(max(stop - count, 0), stop)[::-1]
    return _filled(np.concatenate([there, mirrored]), count)


def _before(source: Source, piece: Piece, count: int) -> Samples:
    """*count* samples that lead to *piece* in the source, mirrored at the source's start."""
    start = _span(piece, source.sample_rate_hz, source.frames)[0]
    there = source.read(max(start - count, 0), start)
    mirrored = source.read(start, min(start + count, source.frames))[::-1]
    return _filled(np.concatenate([mirrored, there])[::-1], count)[::-1]


def _filled(samples: Samples, count: int) -> Samples:
    """Exactly *count* samples, with zeros behind where there are fewer."""
    samples = samples[:count]
    return np.pad(samples, ((0, count - len(samples)), (0, 0)))


def reblocked(stream: Iterator[Samples], size: int) -> Iterator[Samples]:
    """The same samples in blocks of *size*, the last one shorter."""
    waiting: list[Samples] = []
    count = 0
    for block in stream:
        if not count and len(block) == size:
            yield block
            continue
        waiting.append(block)
        count += len(block)
        if count < size:
            continue
        joined = np.concatenate(waiting)
        whole = count - count % size
        for begin in range(0, whole, size):
            yield joined[begin : begin + size]
        waiting, count = [joined[whole:]] if count > whole else [], count - whole
    rest = np.concatenate(waiting) if waiting else np.zeros((0, 1))
    if len(rest):
        yield rest

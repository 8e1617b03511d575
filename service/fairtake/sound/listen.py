"""listen: the take once through, block by block, into the millisecond table."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fairtake.errors import NotFinite
from fairtake.sound.blemishes import BlemishFinder
from fairtake.sound.ear.bands import FRAMES_PER_S, BandMeter, bands_db
from fairtake.sound.ear.hear import hear
from fairtake.sound.levels import Levels, Rows, row_lengths, row_starts
from fairtake.sound.loops import RowSums, row_sums
from fairtake.sound.loudness import KWeighting
from fairtake.sound.sharpness import step_of
from fairtake.sound.sides import Sides
from fairtake.sound.source import Samples, Source
from fairtake.sound.true_peak import TruePeakMeter
from fairtake.units import clock

#: A sample beyond this is no sound but a broken file; energies still fit the table under it.
WILDEST = 1e4
#: So much of the take's beginning is kept in bands: a false start lies there, and what it is held against.
KEPT_S = 180

Progress = Callable[[float], None]


@dataclass(frozen=True)
class Heard:
    """What one pass over a source found."""

    levels: Levels
    frames: int
    true_peak: float
    sample_peak: float
    dc: float
    sides: Sides | None

    @property
    def duration_s(self) -> float:
        return self.frames / self.levels.sample_rate_hz


def listen(
    source: Source,
    progress: Progress | None = None,
    blemishes: bool = True,
    true_peak: bool = True,
    voice: bool = True,
) -> Heard:
    """Hear *source* from end to end, looking for *blemishes* on the way, and for its *true_peak*, which
    is 0 where it is not wanted: in steady noise nearly every sample may be the greatest. Where no
    *voice* is to be found in it, the ear does not listen, and the columns that only tell of a voice
    are left empty.

    Raises `NotFinite` where a sample is not a number, with its place.
    """
    rate, channels = source.sample_rate_hz, source.channels
    weighting = KWeighting(rate, channels)
    peak_meter = TruePeakMeter(rate, channels)
    finder = BlemishFinder(rate, channels)
    bands = BandMeter(rate, channels)
    table: list[tuple[Rows, ...]] = []
    sides = Sides() if channels == 2 else None
    total = np.zeros(channels)
    before = np.zeros((channels, step_of(rate) + 1))
    frames = 0
    for block in source.blocks():
        starts = row_starts(len(block), rate)
        sums = row_sums(block, before, starts)
        if not sums.peaks.max() < WILDEST:  # true also of what is not a number
            raise NotFinite(_where_not_finite(block, frames, rate))
        columns = _rows(sums, weighting.energies(block, starts), channels)
        lengths = row_lengths(len(block), rate)
        table.append(columns + (_voice_rows(sums, lengths, channels) if voice else _NO_VOICE))
        if true_peak:
            peak_meter.add(block, sums.peaks, sums.step_energies, starts)
        if voice:
            bands.add(block)
        if blemishes:
            finder.add(block, sums.sharpness, starts, sums.peaks)
        total += sums.sums.sum(axis=1)
        frames += len(block)
        if sides is not None:
            sides.add(block)
        if progress and source.frames:
            progress(frames / source.frames)
    peak_meter.flush()
    columns = tuple(np.concatenate(c) for c in zip(*table, strict=True)) if table else _NO_ROWS
    powers = bands.finish()
    sounds = hear(powers, columns[3], len(columns[0])) if voice else _NO_SOUNDS
    return Heard(
        levels=replace(
            Levels(rate, channels, *columns, heard_sound=sounds),  # type: ignore[arg-type,misc]
            blemishes=tuple(finder.found),
            clipped_runs=finder.clipped_runs,
            bands_db=bands_db(powers[: KEPT_S * FRAMES_PER_S]),
        ),
        frames=frames,
        true_peak=peak_meter.peak,
        sample_peak=float(columns[0].max(initial=0.0)),
        dc=float(np.abs(total).max(initial=0.0)) / max(frames, 1),
        sides=sides,
    )


_NO_ROWS = tuple(np.zeros(0, np.float32) for _ in range(5))
_NO_VOICE = _NO_ROWS[3:]
_NO_SOUNDS = np.zeros(0, np.uint8)


def _rows(sums: RowSums, k_energy: npt.NDArray[np.float64], channels: int) -> tuple[Rows, ...]:
    """The first columns of the table for one block, in the order of `Levels`."""
    columns = sums.peaks, sums.energies / channels, k_energy
    return tuple(column.astype(np.float32) for column in columns)


def _voice_rows(sums: RowSums, lengths: npt.NDArray[np.intp], channels: int) -> tuple[Rows, ...]:
    """The columns that tell of a voice, of rows of such *lengths* in samples."""
    low, high_energy = sums.sums.sum(axis=0) / (channels * lengths), sums.step_energies / channels
    return low.astype(np.float32), high_energy.astype(np.float32)


def _where_not_finite(block: Samples, before: int, rate: int) -> str:
    bad = np.flatnonzero(~np.isfinite(block).all(axis=1))
    if not len(bad):
        return f"At {clock(before / rate)} they are far beyond full scale."
    return f"The first one is at {clock((before + int(bad[0])) / rate)}."

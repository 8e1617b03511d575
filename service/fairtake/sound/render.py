"""render: the take once more, block by block, and the plan, into finished samples.

repaired -> filtered -> cut and joined -> turned in phase -> resampled -> bands -> gain -> room tone -> true-peak
limited. Integers are made where they are written.
Every step is a generator over blocks of whole seconds at the rate of the finished files.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from fairtake.sound.edit import edited, frames_of, reblocked
from fairtake.sound.envelope import GRID_ROWS
from fairtake.sound.filters import both_ways, butterworth
from fairtake.sound.levels import ROWS_PER_S, Rows, row_starts
from fairtake.sound.loops import ramp
from fairtake.sound.phase import NO_PHASE, turned, with_neighbours
from fairtake.sound.phases import CLOSE
from fairtake.sound.plan import Chained, Plan
from fairtake.sound.room_tone import room_tone
from fairtake.sound.source import BLOCK_S, Samples, Source
from fairtake.sound.stage import BandGain
from fairtake.sound.stages.limit import WIDE_ROWS, LimitSettings, aim_dbtp, limiter_db
from fairtake.sound.stages.phase import TurnedPeaks, turned_peaks
from fairtake.sound.treated import Treated
from fairtake.sound.true_peak import RowPeaks
from fairtake.units import amplitude_db, gain

_NEVER_DB = -200.0
#: A row so far under the ceiling needs no limiter, whatever the gain becomes at last.
NEAR_DB = 2.0
#: Blocks that are limited together.
TOGETHER = 8


class Rendering:
    """The finished samples of *source* under *plan*; iterate once, then ask for the rest.

    *down_db* is taken from everything, behind the limiter.

    ``limited_db`` is the limiter's reduction, dB, one value a row of the finished take, and
    ``peak_dbtp`` what came to the limiter: the true peak of each row that may matter, the greatest
    sample of the others.
    """

    def __init__(
        self, source: Source, plan: Plan, sample_rate_hz: int, down_db: float = 0.0
    ) -> None:
        self._source, self._plan, self._down = source, plan, float(gain(-down_db))
        self.sample_rate_hz = sample_rate_hz
        self.channels = source.channels
        self.frames = staged_frames(source, plan, sample_rate_hz)
        self._limiter = Limiter(
            plan.limit, sample_rate_hz, source.channels, plan.slow, plan.lower_db
        )

    def __iter__(self) -> Iterator[Samples]:
        stream = staged(self._source, self._plan, self.sample_rate_hz, self.frames)
        for block in self._limiter.limited(stream):
            yield block if self._down == 1.0 else block * self._down

    @property
    def limited_db(self) -> Rows:
        return self._limiter.reduction_db

    @property
    def peak_dbtp(self) -> Rows:
        return self._limiter.peak_dbtp


def staged_frames(source: Source, plan: Plan | Chained, sample_rate_hz: int) -> int:
    """Samples that *source* will have under *plan*."""
    cut_frames = frames_of(plan.pieces, source.sample_rate_hz, source.frames)
    return round(cut_frames * sample_rate_hz / source.sample_rate_hz)


def staged(
    source: Source, plan: Plan | Chained, sample_rate_hz: int, frames: int
) -> Iterator[Samples]:
    """What the stages make of *source*, without the limiter: *frames* samples, in blocks."""
    source, stream = treated_and_edited(source, plan)
    stream = resampled(stream, source, sample_rate_hz, frames)
    for band in plan.bands:
        stream = turned_down(stream, band, sample_rate_hz)
    if plan.gain_db is not None:
        stream = amplified(stream, plan.gain_db, sample_rate_hz)
    if plan.tone_db is not None:
        stream = toned(stream, plan.tone_db, sample_rate_hz)
    return stream


def treated_and_edited(source: Source, plan: Plan | Chained) -> tuple[Source, Iterator[Samples]]:
    """*source*, repaired and filtered, and its pieces, joined and turned."""
    if plan.repairs or plan.filters:
        source = Treated(source, plan.repairs, plan.filters)
    return source, turned(edited(source, plan.pieces), plan.phase, source.sample_rate_hz)


def angles_of(source: Source, done: Chained, all_passes: int, least: Rows) -> TurnedPeaks:
    """What each angle makes of the peaks that the chain gives, before any gain; see `turned_peaks`."""
    source, stream = treated_and_edited(source, replace(done, phase=NO_PHASE))
    return turned_peaks(stream, all_passes, source.sample_rate_hz, least)


def peaks_without_gain(
    source: Source, done: Chained, least: Rows, near_db: float = NEAR_DB
) -> Rows:
    """True peaks of the rows that the chain gives, amplitudes before any gain, shape (rows,).

    *least* is where the limiter begins in each row, as an amplitude before the gain; true peaks are
    looked for only where they come within *near_db* of it. With them a plan foresees what the limiter will do. Bands and room tone
    are left out: they make no peaks.
    """
    _, stream = treated_and_edited(source, done)
    meter = RowPeaks(source.sample_rate_hz, source.channels, CLOSE)
    near = least.astype(np.float64) * gain(-near_db)
    found: list[Rows] = []
    row = 0
    for block in stream:
        rows = np.arange(row, row + len(row_starts(len(block), source.sample_rate_hz)))
        # Pieces are rounded to samples one by one: a take may outlast its last row by a few.
        peaks = meter.add(block, near[np.minimum(rows, len(near) - 1)])
        found.append(peaks.astype(np.float32))
        row += len(rows)
    return np.concatenate(found) if found else np.zeros(0, np.float32)


def resampled(
    stream: Iterator[Samples], source: Source, rate: int, frames: int
) -> Iterator[Samples]:
    """*stream* at *rate*, exactly *frames* samples of it."""
    if rate == source.sample_rate_hz:
        return stream
    return reblocked(_exactly(_converted(stream, source, rate), frames), BLOCK_S * rate)


def _converted(stream: Iterator[Samples], source: Source, rate: int) -> Iterator[Samples]:
    import soxr  # only where rates differ

    converter = soxr.ResampleStream(source.sample_rate_hz, rate, source.channels, dtype="float64")
    for block in stream:
        yield converter.resample_chunk(np.ascontiguousarray(block))
    yield converter.resample_chunk(np.zeros((0, source.channels)), last=True)


def _exactly(stream: Iterator[Samples], frames: int) -> Iterator[Samples]:
    channels = 1
    for block in stream:
        channels = block.shape[1]
        yield block[:frames]
        frames -= len(block[:frames])
        if not frames:
            return  # a loop would go on for ever
    if frames:
        yield np.zeros((frames, channels))


def turned_down(stream: Iterator[Samples], band: BandGain, rate: int) -> Iterator[Samples]:
    """*stream* with one band under a gain curve of its own; untouched where the curve is 0.

    The band is taken out forwards and backwards: without delay, so that taking it away really
    takes it away, and -6 dB at its corner. One block is held back for what follows it.
    """
    sections = butterworth(2, band.corner_hz, band.side, rate)
    reach = rate // 4
    row = 0
    for before, block, after in with_neighbours(stream):
        rows = -(-len(block) * ROWS_PER_S // rate) + 1
        here = band.gain_db[min(row, len(band.gain_db) - 1) : row + rows]
        row += BLOCK_S * ROWS_PER_S
        if here.any():
            around = np.concatenate([before[-reach:], block, after[:reach]])
            lead = len(before[-reach:])
            part = both_ways(sections, around, reach)
            inside = part[lead : lead + len(block)]
            block = block + (under_gain(inside, here, rate) - inside)
        yield block


def amplified(stream: Iterator[Samples], gain_db: Rows, rate: int) -> Iterator[Samples]:
    """*stream* under the plan's gain curve."""
    row = 0
    for block in stream:
        rows = -(-len(block) * ROWS_PER_S // rate) + 1
        # Pieces are rounded to samples one by one: a take may outlast its last row by a few.
        here = gain_db[min(row, len(gain_db) - 1) : row + rows]
        yield under_gain(block, here, rate)
        row += BLOCK_S * ROWS_PER_S


def toned(stream: Iterator[Samples], tone_db: Rows, rate: int) -> Iterator[Samples]:
    """*stream* with room tone added, *tone_db* in dBFS RMS; untouched where there is none."""
    row = at = 0
    for block in stream:
        rows = -(-len(block) * ROWS_PER_S // rate) + 1
        here = tone_db[min(row, len(tone_db) - 1) : row + rows]
        if here.max() > _NEVER_DB:
            tone = room_tone(at, len(block), rate)[:, None]
            block = block + under_gain(tone, here, rate)
        yield block
        row += BLOCK_S * ROWS_PER_S
        at += len(block)


def under_gain(block: Samples, gain_db: Rows, rate: int) -> Samples:
    """*block* under a gain that goes in straight lines from row to row; the last value goes on."""
    corners = -(-len(block) * ROWS_PER_S // rate) + 1
    factors = gain(gain_db[:corners].astype(np.float64))
    if len(factors) < corners:
        factors = np.pad(factors, (0, corners - len(factors)), mode="edge")
    return ramp(block, factors, rate)


class Limiter:
    """The true-peak limiter of `fairtake.sound.stages.limit`, on the samples themselves.

    Blocks are held back: what a row needs depends on the rows around it. Those around some blocks
    `TOGETHER` are looked at once for all.
    """

    def __init__(
        self, settings: LimitSettings, rate: int, channels: int, slow_share: Rows | None = None,
        lower_db: Rows | None = None,
    ) -> None:  # fmt: skip
        self._settings, self._rate = settings, rate
        self._slow_share, self._lower_db = slow_share, lower_db
        self._rows = 0
        self._aim = float(gain(aim_dbtp(settings)))
        self._row_peaks = RowPeaks(rate, channels, CLOSE)
        # Rows whose release may still be felt: after 8 time constants, 0.03 % is left.
        # The slow part of the curve looks one and a half times its width, in both directions.
        felt = round(8 * settings.release_ms) + 2 * round(settings.look_ahead_ms) + 4
        reach = felt + 3 * max(WIDE_ROWS, round(settings.slow_ms)) // 2
        self._reach = reach + -reach % GRID_ROWS  # the same grid as in plan
        self._past = np.full(self._reach, _NEVER_DB, np.float32)
        self._done: list[Rows] = []
        self._peaks: list[Rows] = []

    @property
    def reduction_db(self) -> Rows:
        return np.concatenate(self._done) if self._done else np.zeros(0, np.float32)

    @property
    def peak_dbtp(self) -> Rows:
        peaks = np.concatenate(self._peaks) if self._peaks else np.zeros(0, np.float32)
        return peaks + np.float32(aim_dbtp(self._settings))

    def limited(self, stream: Iterator[Samples]) -> Iterator[Samples]:
        held: list[Samples] = []
        overs: list[Rows] = []
        for block in stream:
            over = self._over_db(block)
            # What follows a group has to be as long as its curve looks ahead: a short last block joins it.
            if len(held) >= TOGETHER and len(block) == len(held[0]):
                yield from self._apply(held, overs, over)
                held, overs = [], []
            held.append(block)
            overs.append(over)
        if held:
            # What rings after the last sample is a peak too.
            ringing = np.zeros((CLOSE.reach, held[0].shape[1]))
            yield from self._apply(held, overs, self._over_db(ringing))

    def _over_db(self, block: Samples) -> Rows:
        """How far each row's true peak stands over the aim, in dB; only rows that may matter."""
        peaks = self._row_peaks.add(block, self._aim)
        return amplitude_db(peaks / self._aim).astype(np.float32)  # type: ignore[no-any-return]

    def _apply(
        self, blocks: list[Samples], overs: list[Rows], following: Rows
    ) -> Iterator[Samples]:
        over = np.concatenate(overs)
        known = np.concatenate([self._past, over, following[: self._reach]])
        lower_db = self._near(self._lower_db, len(known))
        met = known if lower_db is None else known + lower_db
        slow_share = self._near(self._slow_share, len(known))
        amount = limiter_db(met, self._settings, slow_share)[self._reach :]
        self._rows += len(over)
        self._past = known[len(over) : len(over) + self._reach]
        self._done.append(amount[: len(over)])
        self._peaks.append(over)
        row = 0
        for block, rows in zip(blocks, map(len, overs), strict=True):
            # The corner after the last row belongs to the next block, and is known by its look-ahead.
            corners = amount[row : row + rows + 1]
            yield under_gain(block, -corners, self._rate) if corners.any() else block
            row += rows

    def _near(self, curve: Rows | None, rows: int) -> Rows | None:
        """*rows* rows of *curve* from where the past begins; 0 beyond the take's ends."""
        if curve is None:
            return None
        begin = self._rows - self._reach
        here = curve[max(begin, 0) : max(begin + rows, 0)]
        here = np.pad(here, (max(-begin, 0), 0))
        return np.pad(here, (0, rows - len(here)))

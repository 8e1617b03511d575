"""Features: what the net is told of each frame of 10 ms.

Conventions
-----------
* Every level is told against what is around it, so that neither the recording's gain nor the room
  matters: each band against local speech and against the floor of that band, the whole against both.
  Units of 20 dB, clipped where more says nothing more.
* *Local speech* is the level that one block of 100 ms in ten of the surrounding 12 s lies above, and
  no less than the loudest parts of the take less 15 dB. A *floor* is the level that one block in
  twelve lies under. Both are worked out once a second, with straight lines between.
* Periodicity comes from the table's ``low`` column, see `fairtake.sound.voicing`. *Sung* is how
  periodic the loud parts around are: a breath among voices and a whisper among whispers may sound alike.

Source: our own, chosen by what a net of a fixed size heard best on voices kept apart.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from fairtake.sound.ear.bands import BANDS, Table, band_powers, frames_of
from fairtake.sound.levels import Rows, row_lengths, row_starts
from fairtake.sound.voicing import periodicity

FRAME_ROWS = 10
FEATURES = 2 * BANDS + 4
#: The last features, counted from the end.
SUNG, PERIODIC, OVER_SPEECH, OVER_FLOOR = -4, -3, -2, -1
#: One unit of a feature that tells a level.
UNIT_DB = 20.0

_LEAST = np.float32(1e-11)
_BLOCK_FRAMES, _REACH_BLOCKS, _STEP_BLOCKS = 10, 60, 10
_FLOOR_PERCENT, _SPEECH_PERCENT = 8, 90
#: The loudest parts of the take: local speech is never taken for softer than so far under them.
_LOUDEST_PERCENT, _SOFTEST_UNDER_DB = 93, 15.0
#: What lies further under local speech does not tell how one speaks here.
_TELLING_UNDER_DB = 16.0


@dataclass(frozen=True)
class Surroundings:
    """Local speech and the floors, dB, and how periodic speech is, one value a block of 100 ms;
    ``floors_db`` has a column a band."""

    speech_db: Rows
    floor_db: Rows
    floors_db: Table
    sung: Rows

    def at(self, frames: slice) -> Surroundings:
        """The same with one value a frame of a slice."""
        blocks = np.arange(frames.start, frames.stop) // _BLOCK_FRAMES
        return Surroundings(*(getattr(self, field.name)[blocks] for field in fields(self)))


def level_db(powers: Table) -> Rows:
    """Level of each frame over all bands but the lowest, where rumble lies, dBFS."""
    return _db(powers[:, 1:].sum(axis=1))


def surroundings(powers: Table, periodic: Rows) -> Surroundings:
    """What lies around each block of a take with these band powers and so periodic frames; there must
    be a frame."""
    whole = _blocks(level_db(powers)[:, None])[:, :, 0]
    loud = whole.max(axis=1)
    least = np.percentile(loud, _LOUDEST_PERCENT) - _SOFTEST_UNDER_DB
    bands = np.concatenate(
        [_blocks(_db(powers[part])).mean(axis=1) for part in _parts(len(powers))]
    )
    speech_db = np.maximum(_percentile(loud[:, None], _SPEECH_PERCENT)[:, 0], np.float32(least))
    swung = np.median(_blocks(periodic[:, None])[:, :, 0], axis=1).astype(np.float32)
    swung[loud < speech_db - _TELLING_UNDER_DB] = 0
    return Surroundings(
        speech_db,
        _percentile(whole.mean(axis=1)[:, None], _FLOOR_PERCENT)[:, 0],
        _percentile(bands, _FLOOR_PERCENT),
        _percentile(swung[:, None], _SPEECH_PERCENT)[:, 0],
    )


def features(
    powers: Table, periodic: Rows, around: Surroundings, frames: slice | None = None
) -> Table:
    """The features of some *frames*, shape (frames, FEATURES)."""
    frames = frames or slice(0, len(powers))
    here = around.at(frames)
    bands_db, whole_db = _db(powers[frames]), level_db(powers[frames])
    told = np.empty((len(bands_db), FEATURES), np.float32)
    told[:, :BANDS] = np.clip(bands_db - here.speech_db[:, None], -80, 10) / UNIT_DB
    told[:, BANDS : 2 * BANDS] = np.clip(bands_db - here.floors_db, -10, 50) / UNIT_DB
    told[:, SUNG] = 2 * np.clip(here.sung, 0, 1.2)
    told[:, PERIODIC] = 2 * np.clip(periodic[frames], 0, 1.2)
    told[:, OVER_SPEECH] = np.clip(whole_db - here.speech_db, -80, 10) / UNIT_DB
    told[:, OVER_FLOOR] = np.clip(whole_db - here.floor_db, -10, 60) / UNIT_DB
    return told


def features_of(samples: npt.NDArray[np.floating], sample_rate_hz: int) -> Table:
    """The features of a whole mono sound, as the product has them: for training and for tests."""
    powers = band_powers(samples, sample_rate_hz)
    starts = row_starts(len(samples), sample_rate_hz)
    sums = np.add.reduceat(np.asarray(samples, np.float64), starts)
    low = (sums / row_lengths(len(samples), sample_rate_hz)).astype(np.float32)
    frames = frames_of(len(samples), sample_rate_hz)
    periodic = periodicity(low, frames, FRAME_ROWS)
    return features(powers, periodic, surroundings(powers, periodic))


def _db(power: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    return np.float32(10) * np.log10(power + _LEAST)


def _parts(frames: int) -> Iterator[slice]:
    """Stretches of whole blocks: a long take's bands in dB would not fit into memory."""
    step = 1000 * _BLOCK_FRAMES
    return (slice(begin, begin + step) for begin in range(0, frames, step))


def _blocks(frames: Table) -> npt.NDArray[np.float32]:
    """Blocks of 100 ms, shape (blocks, frames a block, columns); the last frame fills up the last."""
    short = -len(frames) % _BLOCK_FRAMES
    padded = np.pad(frames, ((0, short), (0, 0)), mode="edge")
    return padded.reshape(-1, _BLOCK_FRAMES, frames.shape[1])


def _percentile(blocks: Table, percent: float) -> Table:
    """A percentile of each column over the blocks around, once a second, straight lines between."""
    count = len(blocks)
    reach = min(_REACH_BLOCKS, count - 1)
    padded = np.pad(blocks, ((reach, reach), (0, 0)), mode="reflect") if reach else blocks
    centres = np.unique(np.append(np.arange(0, count, _STEP_BLOCKS), count - 1))
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1, axis=0)
    rank = int(percent / 100 * 2 * reach)
    found = np.stack([np.partition(windows[c], rank, axis=1)[:, rank] for c in centres])
    here = np.arange(count)
    lines = [np.interp(here, centres, column) for column in found.T]
    return np.stack(lines, axis=1).astype(np.float32)

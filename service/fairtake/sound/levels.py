"""Levels: what *listen* keeps of a take, one row a millisecond.

Conventions
-----------
* Row *i* covers the samples from round(i·fs/1000) up to round((i+1)·fs/1000), so that every whole
  second holds exactly 1,000 rows at any whole sample rate. The last row may be shorter.
* Energies are sums of squares over the samples of a row, so blocks add up without weights.
* ``k_energy`` is summed over the channels, as ITU-R BS.1770 has it; ``energy`` and
  ``high_energy`` are averaged over the channels, ``peak`` is the greatest of them.
* ``low`` is the row's plain average: the take as heard through 1,000 samples a second. Voice
  pitch, hum and DC live there.
* ``bands_db`` is what the ear took from the beginning of the take as it came, its level in bands
  every 10 ms.
* ``sound`` is what the ear (`fairtake.sound.ear`) heard there, once, in the take as it came.

A stage sees the levels as the stages before it left them: cut, and with their gains applied.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace
from enum import IntEnum
from typing import Literal, TypeVar

import numpy as np
import numpy.typing as npt

from fairtake.sound.runs import Mask
from fairtake.units import amplitude_db, gain, power_gain

ROWS_PER_S = 1000
#: What never rises above this is no room but the zeros of a muted track, or a filter ringing there.
SILENCE_DBFS = -110.0
#: Two pieces of a take are joined by a cross-fade over this many rows.
JOIN_ROWS = 20

Rows = npt.NDArray[np.float32]
Sounds = npt.NDArray[np.uint8]
_Value = TypeVar("_Value", bound=np.generic)


class Sound(IntEnum):
    """What a row is. Silence that is laid in is room."""

    ROOM = 0
    VOICE = 1
    BREATH = 2
    NOISE = 3
    MUSIC = 4
    UNSURE = 5


@dataclass(frozen=True)
class Piece:
    """Rows *start* up to *stop* of the source; ``None`` as *start* stands for silence.

    A ``tone`` is room tone laid in: joins to its neighbours are faded at its cost.
    """

    start: int | None
    stop: int
    tone: bool = False

    @property
    def rows(self) -> int:
        return self.stop - (self.start or 0)


def begin_s(pieces: Sequence[Piece]) -> float:
    """Where in the take the edited one begins, in seconds; less than 0 where room tone was laid first."""
    first = next(piece for piece in pieces if not piece.tone)
    laid = sum(piece.rows for piece in pieces[: pieces.index(first)])
    return ((first.start or 0) - laid) / ROWS_PER_S


@dataclass(frozen=True)
class Blemish:
    """Something short that listening found and that does not belong to the sound.

    ``start`` is its first sample in the source, ``rebuilt`` what its neighbourhood says should
    stand there, shape (samples, channels). ``over_db`` is how far it stood out.
    """

    kind: Literal["click", "clipped"]
    start: int
    rebuilt: npt.NDArray[np.float64]
    over_db: float

    def rows(self, sample_rate_hz: int) -> tuple[int, int]:
        """The first row it touches and the row after the last."""
        end = self.start + len(self.rebuilt)
        return (
            self.start * ROWS_PER_S // sample_rate_hz,
            -(-end * ROWS_PER_S // sample_rate_hz) + 1,
        )


@dataclass(frozen=True)
class Levels:
    """The millisecond table. All arrays have shape (rows,).

    The ``heard_`` columns are as the take came; the properties are what a stage reads, under the
    gains of the stages before it. ``clipped_runs`` counts also those that were not rebuilt. The columns
    that only tell of a voice, ``low``, ``high_energy`` and ``sound``, are empty where none was looked for.
    """

    sample_rate_hz: int
    channels: int
    heard_peak: Rows
    heard_energy: Rows
    heard_k_energy: Rows
    heard_low: Rows
    heard_high_energy: Rows
    heard_sound: Sounds
    gain_db: Rows | None = None
    blemishes: tuple[Blemish, ...] = ()
    clipped_runs: int = 0
    #: Shape (frames, bands), dBFS; empty behind the cut, and where no voice was looked for.
    bands_db: npt.NDArray[np.float16] = field(
        default_factory=lambda: np.zeros((0, 0), np.float16), compare=False, repr=False
    )

    @property
    def rows(self) -> int:
        return len(self.heard_peak)

    @property
    def samples_per_row(self) -> float:
        return self.sample_rate_hz / ROWS_PER_S

    def is_sound(self, *sounds: Sound) -> Mask:
        """The rows that are one of *sounds*."""
        wanted = np.zeros(len(Sound), bool)
        wanted[list(sounds)] = True
        found: Mask = wanted[self.heard_sound]
        return found

    @property
    def voice(self) -> Mask:
        """The rows in which somebody speaks."""
        return self.heard_sound == Sound.VOICE

    @property
    def kept(self) -> Mask:
        """The rows that no stage turns down by itself: voice, and music."""
        return self.is_sound(Sound.VOICE, Sound.MUSIC)

    @property
    def peak(self) -> Rows:
        """Greatest sample of each row over all channels."""
        return self.heard_peak if self.gain_db is None else self.heard_peak * gain(self.gain_db)

    @property
    def peak_dbfs(self) -> Rows:
        peak_db: Rows = amplitude_db(self.heard_peak)
        return peak_db if self.gain_db is None else peak_db + self.gain_db

    @property
    def low(self) -> Rows:
        """Plain average of each row: the take through 1,000 samples a second."""
        return self.heard_low if self.gain_db is None else self.heard_low * gain(self.gain_db)

    @property
    def energy(self) -> Rows:
        """Sum of squares of each row, averaged over channels."""
        return self._under_gain(self.heard_energy)

    @property
    def power(self) -> Rows:
        """Mean square of each row, averaged over channels."""
        return self._under_gain(self.heard_energy / np.float32(self.samples_per_row))

    @property
    def high_power(self) -> Rows:
        """Mean square of each row's first difference, averaged over channels."""
        return self._under_gain(self.heard_high_energy / np.float32(self.samples_per_row))

    @property
    def k_power(self) -> Rows:
        """K-weighted mean square of each row, summed over channels."""
        return self._under_gain(self.heard_k_energy / np.float32(self.samples_per_row))

    def _under_gain(self, energy: Rows) -> Rows:
        return energy if self.gain_db is None else energy * power_gain(self.gain_db)

    def with_gain(self, gain_db: Rows | float) -> Levels:
        """The levels after a gain in dB, one value a row or one for all."""
        before = np.zeros(self.rows, np.float32) if self.gain_db is None else self.gain_db
        return replace(self, gain_db=before + np.asarray(gain_db, np.float32))

    def with_sounds(self, sounds: Sounds) -> Levels:
        """The levels of another copy of a sound, in which the ear has heard these *sounds*."""
        fitting = np.pad(sounds, (0, max(self.rows - len(sounds), 0)))[: self.rows]
        return replace(self, heard_sound=fitting)

    def cut(self, pieces: Sequence[Piece]) -> Levels:
        """The levels of the take that consists of *pieces*, one after another."""
        columns = {
            f.name: getattr(self, f.name) for f in fields(self) if f.name.startswith("heard_")
        }
        kept = {name: cut(column, pieces) for name, column in columns.items()}
        gained = None if self.gain_db is None else cut(self.gain_db, pieces)
        return replace(self, gain_db=gained, bands_db=self.bands_db[:0], **kept)  # type: ignore[arg-type]


def cut(rows: npt.NDArray[_Value], pieces: Sequence[Piece]) -> npt.NDArray[_Value]:
    """The values of *rows* that *pieces* keep, joined; zeros where a piece is silence."""
    parts = [
        np.zeros(p.rows, rows.dtype) if p.start is None else rows[p.start : p.stop] for p in pieces
    ]
    return np.concatenate(parts) if parts else rows[:0]


@functools.lru_cache(maxsize=8)  # blocks are of one length, but for the last
def row_starts(samples: int, sample_rate_hz: int) -> npt.NDArray[np.intp]:
    """First sample of each row in a block of *samples* that begins on a whole second."""
    rows = -(-samples * ROWS_PER_S // sample_rate_hz) + 1
    starts = np.rint(np.arange(rows) * sample_rate_hz / ROWS_PER_S).astype(np.intp)
    starts = starts[starts < samples]
    starts.flags.writeable = False
    return starts


@functools.lru_cache(maxsize=8)
def row_lengths(samples: int, sample_rate_hz: int) -> npt.NDArray[np.intp]:
    """Samples of each of these rows."""
    lengths = np.diff(row_starts(samples, sample_rate_hz), append=samples)
    lengths.flags.writeable = False
    return lengths


def widest_row(sample_rate_hz: int) -> int:
    """Samples of the longest row."""
    return -(-sample_rate_hz // ROWS_PER_S)


def sample_of(row: int, sample_rate_hz: int) -> int:
    """First sample of row *row*."""
    return round(row * sample_rate_hz / ROWS_PER_S)

"""What stages ask about the voice and the room: how loud each is, and where the pauses lie.

Who speaks where the ear has decided (`fairtake.sound.ear`), once, in the take as it came; it stands
in the table. Levels here are K-weighted, so that rumble counts little, and told from the table as a
stage sees it, under the gains of those before it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fairtake.sound.around import percentile_around
from fairtake.sound.levels import SILENCE_DBFS, Levels, Sound
from fairtake.sound.loops import weigh
from fairtake.sound.loudness import lufs
from fairtake.sound.runs import Indices, Mask, runs, widened

Values = npt.NDArray[np.float64]

#: Speech counts as loud as its loud part: what lies within so much of its own mean.
LOUD_WITHIN_DB = 10.0
#: The room is told from so many rows together; what three quarters of them pass counts as an event.
ROOM_ROWS, ROOM_PERCENT = 50, 25
#: What is heard stands out of the room by this, in frames of 5 ms, smoothed over 25 ms; the room beside a
#: word is that of so many stretches around.
FRAME_ROWS, SMOOTH_FRAMES, STANDS_OUT_DB, ROOM_STRETCHES = 5, 5, 4.0, 41
#: Right beside a word its echo is in the room.
CLEAR_BEFORE_ROWS, CLEAR_AFTER_ROWS = 20, 100


def first_row(mask: Mask) -> int:
    """The first row of *mask*, which holds one."""
    return int(np.argmax(mask))


def last_row(mask: Mask) -> int:
    """The row after the last of *mask*."""
    return len(mask) - int(np.argmax(mask[::-1]))


def heard_rows(levels: Levels) -> Mask:
    """The rows of what is kept that can be heard in the room: all of it where none can."""
    heard = levels.kept & stands_out(levels)
    return heard if heard.any() else levels.kept


def voice_lufs(levels: Levels) -> float | None:
    """The level of the loud part of speech, or of music where nobody speaks; None where there is neither."""
    spoken = levels.voice if levels.voice.any() else levels.kept
    power = levels.k_power[spoken]
    if not power.any():
        return None
    loud = power[lufs(power) > lufs(power.mean(dtype=np.float64)) - LOUD_WITHIN_DB]
    return float(lufs(loud.mean(dtype=np.float64)))


@dataclass(frozen=True)
class Pauses:
    """The pauses of a take, their starts and stops, and the level of the room in each, LUFS.

    Where a pause holds no room, only breaths, it is the room of the pauses beside it.
    """

    starts: Indices
    stops: Indices
    room_lufs: Values

    @property
    def usual_lufs(self) -> float:
        """The room of the middle pause, each counting by its length."""
        order = np.argsort(self.room_lufs)
        length = np.cumsum((self.stops - self.starts)[order])
        return float(self.room_lufs[order][np.searchsorted(length, length[-1] / 2)])


def pauses(levels: Levels, quiet: Mask) -> Pauses | None:
    """The runs of *quiet*, rows that may be lowered, as pauses; None where there are none."""
    starts, stops = runs(quiet)
    if not len(starts):
        return None
    frames, level = room_frames(levels)
    first = np.searchsorted(frames, starts)
    last = np.searchsorted(frames, stops - ROOM_ROWS, side="right")
    found = np.array([
        np.percentile(level[a:b], ROOM_PERCENT) if b > a else np.nan
        for a, b in zip(first, last, strict=True)
    ])  # fmt: skip
    known = np.flatnonzero(np.isfinite(found))
    if len(known):
        found = np.interp(np.arange(len(found)), known, found[known])
    else:
        found = np.full(len(found), float(np.percentile(level, ROOM_PERCENT)) if len(level) else SILENCE_DBFS)  # fmt: skip
    return Pauses(starts, stops, np.maximum(found, SILENCE_DBFS))


def room_frames(levels: Levels) -> tuple[Indices, Values]:
    """The stretches of `ROOM_ROWS` in which nothing but the room is heard, by their first rows, and
    their levels, LUFS; of all but voice and music where the room is never alone."""
    count = levels.rows // ROOM_ROWS
    whole = slice(count * ROOM_ROWS)
    power = levels.k_power[whole].reshape(count, ROOM_ROWS).mean(axis=1, dtype=np.float64)
    away = ~widened(levels.kept, CLEAR_BEFORE_ROWS, CLEAR_AFTER_ROWS)
    for rows in (away & levels.is_sound(Sound.ROOM), levels.is_sound(Sound.ROOM), ~levels.kept):
        alone = rows[whole].reshape(count, ROOM_ROWS).all(axis=1) & (power > 0)
        if alone.any():
            break
    frames = np.flatnonzero(alone) if count else np.zeros(0, np.intp)
    return frames * ROOM_ROWS, np.maximum(lufs(power[frames]), SILENCE_DBFS)


def stands_out(levels: Levels) -> Mask:
    """The rows whose level, over 25 ms, stands out of the room around."""
    level = frame_levels(levels)
    stretches, room = room_frames(levels)
    if len(stretches):
        size = min(ROOM_STRETCHES, 2 * len(room) - 1)
        around = percentile_around(room, ROOM_PERCENT, size)
        floor = np.interp(np.arange(len(level)) * FRAME_ROWS, stretches, around)
    else:
        floor = np.full(len(level), SILENCE_DBFS)
    out = np.repeat(level > floor + STANDS_OUT_DB, FRAME_ROWS)
    return np.pad(out, (0, levels.rows - len(out)), mode="edge" if len(out) else "constant")


def frame_levels(levels: Levels) -> Values:
    """K-weighted level of each whole frame of 5 ms, smoothed over 25 ms, LUFS, shape (frames,)."""
    frames = levels.rows // FRAME_ROWS
    if not frames:
        return np.zeros(0)
    # Where the samples are exact zeros the weighting filter may still ring: that is no sound.
    k_power = np.where(levels.peak > 0, levels.k_power, np.float32(0))
    power = k_power[: frames * FRAME_ROWS].reshape(frames, FRAME_ROWS).mean(axis=1)
    weights = np.hanning(SMOOTH_FRAMES + 2)[1:-1]
    smooth = weigh(np.pad(power, SMOOTH_FRAMES // 2, mode="edge"), weights / weights.sum())
    return lufs(smooth[:frames])  # type: ignore[no-any-return]

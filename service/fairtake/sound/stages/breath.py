"""breath: lower breaths, and noises of the mouth, between and beside words, keeping them human.

Conventions: what is a breath and what another noise, the ear has heard. Each is lowered by one amount:
by as much as it stands over the room around it, and never by more than `amount_db`. The ramps lie in
the room where there is room, and inside the breath where it touches a word, so that no word is touched.

Source: common practice, no source: breaths lie near -42 dBFS beside speech near -20, and about
12 dB less is heard as calm.
"""

from __future__ import annotations

import numpy as np
from pydantic import Field

from fairtake.sound.envelope import averaged_behind, least_ahead
from fairtake.sound.levels import SILENCE_DBFS, Levels, Rows, Sound
from fairtake.sound.loudness import lufs
from fairtake.sound.runs import runs
from fairtake.sound.speech import room_frames
from fairtake.sound.stage import Work
from fairtake.typed_file import Settings

#: A breath is as loud as the part of it, in steps of so many rows, that only one in ten passes.
STEP_ROWS, LOUD_PERCENT = 20, 90
#: The room around is that of so far to either side.
AROUND_ROWS = 3000


class BreathSettings(Settings):
    amount_db: float = Field(
        12, ge=0, le=30, description="Breaths are lowered to the room, by at most this, in dB."
    )
    ramp_ms: float = Field(
        30, ge=5, le=200, description="Time over which a breath is lowered and let go."
    )


def breath(levels: Levels, settings: BreathSettings) -> Work:
    heard = levels.is_sound(Sound.BREATH, Sound.NOISE)
    amounts = over_room_db(levels, *runs(heard))
    amounts = np.clip(amounts, 0, settings.amount_db)
    ramp = round(settings.ramp_ms)
    amount = np.zeros(levels.rows, np.float32)
    free = ~levels.is_sound(Sound.VOICE, Sound.MUSIC, Sound.UNSURE)
    for start, stop, amount_db in zip(*runs(heard), amounts, strict=True):
        wide = slice(max(start - ramp, 0), stop + ramp)
        amount[wide] = np.maximum(amount[wide], np.float32(amount_db))
    amount = averaged_behind(least_ahead(np.where(free, amount, np.float32(0)), ramp), ramp)
    breaths = runs(levels.is_sound(Sound.BREATH))[0]
    return Work(
        gain_db=-amount,
        note={
            "breaths": len(breaths),
            "other_noises": len(runs(levels.is_sound(Sound.NOISE))[0]),
            "seconds": round(int(levels.is_sound(Sound.BREATH).sum()) / 1000, 2),
            "greatest_db": round(float(amount.max(initial=0.0)), 2),
        },
    )


def over_room_db(levels: Levels, starts: np.ndarray, stops: np.ndarray) -> Rows:
    """By how much the loud part of each stretch stands over the room around it, dB."""
    frames, room = room_frames(levels)
    power = levels.k_power.astype(np.float64)
    over = np.zeros(len(starts), np.float32)
    for n, (start, stop) in enumerate(zip(starts, stops, strict=True)):
        steps = np.arange(start, max(stop - STEP_ROWS // 2, start + 1), STEP_ROWS)
        means = np.add.reduceat(power[:stop], steps) / np.diff(steps, append=stop)
        own = float(lufs(np.percentile(means, LOUD_PERCENT)))
        first, last = np.searchsorted(frames, (start - AROUND_ROWS, stop + AROUND_ROWS))
        near = room[first:last] if last > first else room
        over[n] = own - (float(np.median(near)) if len(near) else SILENCE_DBFS)
    return over

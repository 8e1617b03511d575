"""tone: lay faint room tone where a take holds digital silence.

Conventions: a row is digital silence when no channel of it reaches `SILENCE_DBFS` in the take as
recorded, or when `trim` had to lay silence. The tone lies under the take's own room tone, or, where
it has none, under its speech; levels are RMS in dBFS under the gains of the stages before this one.
Those are not asked to act on the tone, so it stands at the end of the chain: only the make-up gain
still moves it, and with it the speech it is measured by. Its ramps reach out into the sound beside
the silence. All channels get the same tone, so that a voice in the middle stays in the middle.

Source: none. That listeners take zeros for a fault, and places of delivery refuse them, is common
practice; the levels are our own.
"""

from __future__ import annotations

import numpy as np
from pydantic import Field

from fairtake.sound.envelope import averaged_behind
from fairtake.sound.levels import ROWS_PER_S, SILENCE_DBFS, Levels, Rows
from fairtake.sound.runs import Mask, widened
from fairtake.sound.stage import Work
from fairtake.sound.stages.trim import fade_curve_db
from fairtake.typed_file import Settings
from fairtake.units import amplitude_db, gain, power_db

#: The tone lies between these under the speech, in dB: at -20 dBFS, from -68 to -90.
NEAREST_DB, FURTHEST_DB = 48.0, 70.0
#: What the take's own room is told by: away from speech as a meter has it, and long enough.
CLEAR_BEFORE_ROWS, CLEAR_AFTER_ROWS = 60, 250
ROOM_LEAST_ROWS = 500
ROOM_PERCENT = 25


class ToneSettings(Settings):
    under_room_db: float = Field(
        6, ge=0, le=20, description="Tone is laid this far under the take's own room tone, in dB."
    )
    under_speech_db: float = Field(
        60,
        ge=NEAREST_DB,
        le=FURTHEST_DB,
        description="Where the take has no room tone, tone is laid this far under speech, in dB.",
    )
    ramp_ms: float = Field(40, ge=5, le=200, description="Time over which the tone comes and goes.")


def tone_level_dbfs(room_dbfs: float | None, speech_dbfs: float, settings: ToneSettings) -> float:
    """Level of the tone: under the room where there is one, and never far from its place under speech."""
    if room_dbfs is None:
        return speech_dbfs - settings.under_speech_db
    wanted = room_dbfs - settings.under_room_db
    return min(max(wanted, speech_dbfs - FURTHEST_DB), speech_dbfs - NEAREST_DB)


def tone_curve_db(silent: Mask, level_dbfs: float, ramp: int) -> Rows:
    """The tone's level in each row: *level_dbfs* in the rows of *silent*, with its ramps around them.

    A ramp is a raised cosine of *ramp* rows; the tone also fades with the take at both ends.
    """
    half = ramp // 2
    wide = np.pad(widened(silent, half, half).astype(np.float32), (0, half), mode="edge")
    amplitude = averaged_behind(wide, 2 * half)[half:]
    curve: Rows = amplitude_db(amplitude) + fade_curve_db(len(silent), ramp, ramp)
    return (curve + np.float32(level_dbfs)).astype(np.float32)


def own_room_dbfs(levels: Levels, spoken: Mask, silent: Mask) -> float | None:
    """Level that a quarter of the take's own room tone lies under, or None where it has too little."""
    room = ~widened(spoken, CLEAR_BEFORE_ROWS, CLEAR_AFTER_ROWS) & ~silent
    if np.count_nonzero(room) < ROOM_LEAST_ROWS:
        return None
    return float(np.percentile(power_db(levels.power[room]), ROOM_PERCENT))


def tone(levels: Levels, settings: ToneSettings) -> Work:
    silent = levels.heard_peak < gain(SILENCE_DBFS)
    spoken = levels.kept if silent.any() else silent
    if not spoken.any():
        return Work(note={"laid_s": 0.0})
    room = own_room_dbfs(levels, spoken, silent)
    speech = float(power_db(levels.power[spoken].mean(dtype=np.float64)))
    level = tone_level_dbfs(room, speech, settings)
    return Work(
        tone_db=tone_curve_db(silent, level, round(settings.ramp_ms)),
        note={
            "laid_s": round(int(np.count_nonzero(silent)) / ROWS_PER_S, 3),
            "under_speech_db": round(speech - level, 1),
            "room_found": room is not None,
        },
    )

"""gate: lower the pauses, never to silence.

Conventions: a downward expander that works on pauses as a whole. Rows that the ear calls voice or
music keep their gain, and so does what lies within the look-ahead before and the hold after them.
What is left of a pause goes down by one amount, whatever stands in it: by what the expander's curve
says of the take's usual room, and further where a pause is louder than that, so that all end at one
level and none pumps against the next; never by more than the range. The threshold lies between the
room and the voice: a room that is near to the voice is lowered less. What the ear is unsure of is lowered by
`UNSURE_DB` at most, which no proof calls lost.

Source: downward expander with soft knee, same family as the compressor of Giannoulis, Massberg and
Reiss, JAES 60(6), 2012; the table of values it is tested against is a derivation, see the tests.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from pydantic import Field

from fairtake.sound.envelope import eased
from fairtake.sound.levels import Levels, Rows, Sound
from fairtake.sound.runs import widened
from fairtake.sound.speech import Pauses, pauses, voice_lufs
from fairtake.sound.stage import Work
from fairtake.typed_file import Settings

#: The threshold's place on the way from the room (0) up to the voice (1).
THRESHOLD_SHARE = 0.6
UNSURE_DB = 5.0


class GateSettings(Settings):
    range_db: float = Field(
        18, ge=0, le=40, description="Pauses are lowered by at most this, in dB."
    )
    ratio: float = Field(
        2.0, ge=1, le=10, description="dB lowered for each dB under the threshold, plus one."
    )
    knee_db: float = Field(6, ge=0, le=24, description="Width of the soft knee, in dB.")
    look_ahead_ms: float = Field(
        30, ge=0, le=500, description="The gate is open this long before speech."
    )
    hold_ms: float = Field(
        60, ge=0, le=2000, description="The gate stays open this long after speech."
    )
    attack_ms: float = Field(30, ge=1, le=500, description="Time over which the gate opens.")
    release_ms: float = Field(
        90, ge=1, le=2000, description="Time over which the gate closes by its range."
    )


def expander_gain_db(
    level_db: Any, threshold_db: Any, ratio: float, knee_db: float, range_db: float
) -> Any:
    """Gain of a downward expander, 0 dB and below, never under -range_db."""
    under = np.asarray(level_db) - threshold_db
    straight = (ratio - 1) * np.minimum(under, 0)
    if knee_db > 0:
        bend = (1 - ratio) * (under - knee_db / 2) ** 2 / (2 * knee_db)
        straight = np.where(2 * np.abs(under) <= knee_db, bend, straight)
    return np.maximum(straight, -range_db)


def pause_amounts_db(found: Pauses, voice_lufs: float, settings: GateSettings) -> Any:
    """By how much each pause is lowered, dB, 0 or more."""
    usual = found.usual_lufs
    threshold = usual + THRESHOLD_SHARE * (voice_lufs - usual)
    amount = -expander_gain_db(
        usual, threshold, settings.ratio, settings.knee_db, settings.range_db
    )
    louder = np.maximum(found.room_lufs - usual, 0)
    return np.minimum(amount + louder, settings.range_db)


def gate(levels: Levels, settings: GateSettings) -> Work:
    voice = voice_lufs(levels)
    quiet = ~widened(levels.kept, round(settings.look_ahead_ms), round(settings.hold_ms))
    found = pauses(levels, quiet)
    amount = np.zeros(levels.rows, np.float32)
    if voice is None or found is None:
        return Work(note=_note(amount, levels, None, None))
    amounts = pause_amounts_db(found, voice, settings)
    for start, stop, amount_db in zip(found.starts, found.stops, amounts, strict=True):
        amount[start:stop] = amount_db
    unsure = levels.is_sound(Sound.UNSURE)
    amount[unsure] = np.minimum(amount[unsure], np.float32(UNSURE_DB))
    amount = moved(amount, settings)
    return Work(gain_db=-amount, note=_note(amount, levels, found, voice))


def _note(
    amount: Rows, levels: Levels, found: Pauses | None, voice: float | None
) -> dict[str, Any]:
    note: dict[str, Any] = {
        "lowered_share": round(float(np.mean(amount > 1.0)) if len(amount) else 0.0, 4),
        "greatest_db": round(float(amount.max(initial=0.0)), 2),
        "pauses": 0 if found is None else len(found.starts),
        "music_s": round(int(levels.is_sound(Sound.MUSIC).sum()) / 1000, 2),
        "unsure_s": round(int(levels.is_sound(Sound.UNSURE).sum()) / 1000, 2),
    }
    if found is not None and voice is not None:
        note |= {"room_lufs": round(found.usual_lufs, 1), "voice_lufs": round(voice, 1)}
    return note


def moved(amount: Rows, settings: GateSettings) -> Rows:
    """*amount* as the gate opens and closes: never more than it asks for."""
    return eased(amount, round(settings.attack_ms), settings.range_db / settings.release_ms)

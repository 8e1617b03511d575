"""gate: lower the pauses, never to silence.

Conventions: a downward expander that works outside speech only. Rows that
`fairtake.sound.speech` calls speech keep their gain, and so does what lies within the look-ahead
before and the hold after them. Its hysteresis is that of the speech decision (open and close
margins over the noise floor). The threshold lies between the take's noise floor and its speech.

Source: downward expander with soft knee, same family as the compressor of Giannoulis, Massberg and
Reiss, JAES 60(6), 2012; the table of values it is tested against is a derivation, see the tests.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from pydantic import Field

from fairtake.sound.envelope import eased
from fairtake.sound.levels import Levels
from fairtake.sound.runs import widened
from fairtake.sound.speech import FRAME_ROWS, find_speech
from fairtake.sound.stage import Work
from fairtake.typed_file import Settings

#: The threshold's place on the way from the noise floor (0) up to the speech level (1).
THRESHOLD_SHARE = 0.4


class GateSettings(Settings):
    range_db: float = Field(
        18, ge=0, le=40, description="Pauses are lowered by at most this, in dB."
    )
    ratio: float = Field(
        2.0, ge=1, le=10, description="dB lowered for each dB under the threshold, plus one."
    )
    knee_db: float = Field(6, ge=0, le=24, description="Width of the soft knee, in dB.")
    look_ahead_ms: float = Field(
        60, ge=0, le=500, description="The gate is open this long before speech."
    )
    hold_ms: float = Field(
        260, ge=0, le=2000, description="The gate stays open this long after speech."
    )
    attack_ms: float = Field(30, ge=1, le=500, description="Time over which the gate opens.")
    release_ms: float = Field(
        150, ge=1, le=2000, description="Time over which the gate closes by its range."
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


def gate(levels: Levels, settings: GateSettings) -> Work:
    speech = find_speech(levels)
    if speech.speech_lufs is None:
        return Work(note={"lowered_share": 0.0, "greatest_db": 0.0})
    threshold = speech.floor_lufs + THRESHOLD_SHARE * (speech.speech_lufs - speech.floor_lufs)
    frames = expander_gain_db(
        speech.level_lufs, threshold, settings.ratio, settings.knee_db, settings.range_db
    )
    amount = np.repeat(-frames, FRAME_ROWS).astype(np.float32)
    amount = np.pad(amount, (0, levels.rows - len(amount)), mode="edge")
    attack = round(settings.attack_ms)
    before = round(settings.look_ahead_ms)
    amount[widened(speech.rows, before, round(settings.hold_ms))] = 0.0
    amount = eased(amount, attack, settings.range_db / settings.release_ms)
    return Work(
        gain_db=-amount,
        note={
            "lowered_share": round(float(np.mean(amount > 1.0)), 4),
            "greatest_db": round(float(amount.max(initial=0.0)), 2),
            "noise_floor_lufs": round(float(np.median(speech.floor_lufs)), 1),
            "speech_lufs": round(speech.speech_lufs, 1),
        },
    )

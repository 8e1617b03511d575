"""breath: lower breaths between phrases, keeping them human.

Conventions: what a breath is, `fairtake.sound.breaths` decides. Each is lowered by one amount from
the dip before it to the dip behind it, with ramps inside, so that no word is touched.

Source: common practice, no source: breaths lie near -42 dBFS beside speech near -20, and about
12 dB less is heard as calm.
"""

from __future__ import annotations

import numpy as np
from pydantic import Field

from fairtake.sound.envelope import averaged_behind, least_ahead
from fairtake.sound.levels import Levels, Rows
from fairtake.sound.runs import Mask, runs
from fairtake.sound.speech import find_speech
from fairtake.sound.stage import Work
from fairtake.typed_file import Settings


class BreathSettings(Settings):
    amount_db: float = Field(12, ge=0, le=30, description="Breaths are lowered by this, in dB.")
    ramp_ms: float = Field(
        40, ge=5, le=200, description="Time over which a breath is lowered and let go."
    )


def lowered(mask: Mask, amount_db: float, ramp: int) -> Rows:
    """Reduction of *amount_db* inside the runs of *mask*, with ramps of *ramp* rows inside them."""
    amount = np.where(mask, np.float32(amount_db), np.float32(0))
    return averaged_behind(least_ahead(amount, ramp), ramp)


def breath(levels: Levels, settings: BreathSettings) -> Work:
    breaths = find_speech(levels).breaths
    amount = lowered(breaths, settings.amount_db, round(settings.ramp_ms))
    starts, stops = runs(breaths)
    return Work(
        gain_db=-amount,
        note={
            "breaths": len(starts),
            "breath_s": round(float((stops - starts).sum()) / 1000, 2),
            "greatest_db": round(float(amount.max(initial=0.0)), 2),
        },
    )

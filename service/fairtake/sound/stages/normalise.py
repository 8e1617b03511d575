"""normalise: bring the take to the profile's level.

Conventions: one make-up gain for the whole take. By ``loudness`` the level is the integrated
loudness of ITU-R BS.1770-5; a mono file counts as one channel and may have a target of its own,
3 LU lower where it should play as loud as stereo. By ``rms`` it is the plain root mean square of
the whole file, ungated and unweighted, in dBFS.

Source: the targets are the profiles', see there.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from pydantic import Field

from fairtake.sound.levels import Levels
from fairtake.sound.loudness import integrated_lufs
from fairtake.sound.stage import Work
from fairtake.typed_file import Settings
from fairtake.units import power_db


class NormaliseSettings(Settings):
    by: Literal["loudness", "rms"] = Field(
        "loudness", description="What is brought to the target: loudness or rms."
    )
    target: float = Field(
        -18.0, ge=-40, le=-8, description="The level to meet: LUFS by loudness, dBFS by rms."
    )
    mono_target: float | None = Field(
        None,
        ge=-40,
        le=-8,
        description="The level to meet when the finished file is mono, where it differs.",
    )
    when_out_of_reach: Literal["nearest", "quarantine"] = Field(
        "nearest",
        description="When limiting does not get there: write the nearest level, or quarantine.",
    )

    def target_for(self, channels: int) -> float:
        """The level to meet with *channels* channels."""
        return self.mono_target if channels == 1 and self.mono_target is not None else self.target

    @property
    def unit(self) -> str:
        return "LUFS" if self.by == "loudness" else "dBFS RMS"


def level_of(levels: Levels, by: str) -> float | None:
    """The level in the target's unit, or None where nothing can be measured."""
    if by == "loudness":
        return integrated_lufs(levels.k_power)
    mean = float(levels.power.mean(dtype=np.float64)) if levels.rows else 0.0
    return float(power_db(mean)) if mean > 0 else None


def normalise(levels: Levels, settings: NormaliseSettings) -> Work:
    level = level_of(levels, settings.by)
    target = settings.target_for(levels.channels)
    makeup_db = 0.0 if level is None else target - level
    gain_db = np.full(levels.rows, makeup_db, np.float32)
    return Work(gain_db=gain_db, note={"makeup_db": round(makeup_db, 3)})

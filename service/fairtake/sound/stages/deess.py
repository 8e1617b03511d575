"""deess: turn harsh sibilants down, in their own band, where a take has them.

Conventions: sibilants are frames of speech whose mean frequency lies high. Their level in the upper
band is told from the energy of the first difference, as if it all lay at `BAND_HZ`. They are harsh
when they come nearer to the level of the speech than `threshold_db`; what stands above is lowered,
above `corner_hz` only. A take whose loudest sibilants stay under that is left alone. The range is
small by default: a word's first consonant that lost 3 dB would be dulled.

Source: common practice, no source.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from pydantic import Field

from fairtake.sound.envelope import averaged_behind, greatest_ahead
from fairtake.sound.levels import Levels
from fairtake.sound.stage import BandGain, Work
from fairtake.typed_file import Settings
from fairtake.units import power_db

Frames = npt.NDArray[np.float64]

BAND_HZ = 6500.0
SIBILANT_HZ = 4000.0
FRAME_ROWS = 5
RAMP_ROWS = 20


class DeessSettings(Settings):
    threshold_db: float = Field(
        -2.0,
        ge=-20,
        le=10,
        description="Sibilants louder than this against the speech, in dB, are harsh.",
    )
    range_db: float = Field(
        2.5, ge=0, le=20, description="Sibilants are lowered by at most this, in dB."
    )
    corner_hz: float = Field(
        4500, ge=2000, le=10000, description="Only what lies above this is lowered."
    )


def harsh_db(sibilant_dbfs: Frames, speech_dbfs: float, settings: DeessSettings) -> Frames:
    """By how much sibilants of these levels are lowered, in dB, 0 or more."""
    over = sibilant_dbfs - (speech_dbfs + settings.threshold_db)
    return np.clip(over, 0, settings.range_db)


def brightness_hz(levels: Levels) -> Frames:
    """Mean frequency of each whole frame, told from the energy of its first difference.

    The difference of two samples weighs a frequency f by 2 sin(pi f / fs); the ratio of energies
    turned back into a frequency is exact for a tone and a fair middle for noise.
    """
    frames = levels.rows // FRAME_ROWS
    whole = slice(frames * FRAME_ROWS)
    energy = levels.heard_energy[whole].reshape(frames, -1).sum(axis=1, dtype=np.float64)
    high = levels.heard_high_energy[whole].reshape(frames, -1).sum(axis=1, dtype=np.float64)
    half = np.sqrt(high / np.maximum(energy, 1e-20)) / 2
    return levels.sample_rate_hz / np.pi * np.arcsin(np.clip(half, 0, 1))


def sibilant_levels(levels: Levels) -> Frames:
    """Level of each frame in the upper band, dBFS, or nothing where it is no sibilant."""
    frames = levels.rows // FRAME_ROWS
    weight = 2 * np.sin(np.pi * BAND_HZ / levels.sample_rate_hz)
    power = levels.high_power[: frames * FRAME_ROWS].reshape(frames, -1).mean(axis=1)
    hiss = brightness_hz(levels) > SIBILANT_HZ
    return power_db(np.where(hiss, power / weight**2, 0))  # type: ignore[no-any-return]


def deess(levels: Levels, settings: DeessSettings) -> Work:
    spoken = levels.voice
    if not spoken.any() or levels.sample_rate_hz / 2 <= BAND_HZ:
        return Work(note={"sibilants_lowered_share": 0.0, "greatest_db": 0.0})
    speech_dbfs = float(power_db(levels.power[spoken].mean(dtype=np.float64)))
    frames = harsh_db(sibilant_levels(levels), speech_dbfs, settings)
    amount = np.repeat(frames, FRAME_ROWS).astype(np.float32)
    amount = np.where(spoken, np.pad(amount, (0, levels.rows - len(amount))), np.float32(0))
    amount = averaged_behind(greatest_ahead(amount, RAMP_ROWS), RAMP_ROWS)
    note = {
        "sibilants_lowered_share": round(float((amount > 0.5).sum() / spoken.sum()), 4),
        "greatest_db": round(float(amount.max(initial=0.0)), 2),
    }
    if not amount.any():
        return Work(note=note)
    return Work(bands=(BandGain("high", settings.corner_hz, -amount),), note=note)

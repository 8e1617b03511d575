"""rumble: take away what lies below speech: DC, rumble, mains hum, plosive thumps.

Conventions: the take is looked at through its ``low`` column, 1,000 samples a second. A high-pass
of 4th order, -3 dB at 0.7 times the voice's lowest pitch, runs over the whole take: that pitch loses
0.24 dB. Its step response dies away with a time constant of 6 ms at 70 Hz, less than a period of
the voice. Lines of mains hum that stand out of the pauses are notched. A thump is a burst below
120 Hz, 10 dB above what this voice has there and more than the rest of the sound; it is brought
down to the voice where it happens, in the low band only.

Source: Butterworth's |H|² = 1 / (1 + (fc/f)^8), by algebra; placing, widths and limits are common
practice, no source. See `fairtake.sound.pitch` and `fairtake.sound.hum`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from pydantic import Field

from fairtake.memory import give_memory_back
from fairtake.sound.envelope import averaged_behind, greatest_ahead
from fairtake.sound.filters import Sections, both_ways, butterworth, notch, run, settled
from fairtake.sound.hum import Hum, find_hum
from fairtake.sound.levels import ROWS_PER_S, Levels, Rows
from fairtake.sound.loops import weigh
from fairtake.sound.low_end import Low, line_power, slow_power, with_low
from fairtake.sound.pitch import lowest_pitch_hz
from fairtake.sound.runs import Mask, mask_of, runs, widened
from fairtake.sound.stage import BandGain, Work
from fairtake.typed_file import Settings
from fairtake.units import gain, power_db

ORDER = 4
BELOW_PITCH = 0.7
#: Room tone is what lies this far from speech: its echo has died away.
CLEAR_BEFORE_ROWS, CLEAR_AFTER_ROWS = 60, 200
#: A notch's frequency over its width, at the mains frequency and from 300 Hz on.
NARROW_LOW, NARROW_HIGH, NARROW_FROM_HZ = 25.0, 70.0, 300.0

THUMP_HZ = 120.0
#: The corner of what is lowered lies higher, so that 80 Hz still falls by nearly all of the amount.
LOWERED_HZ = 150.0
THUMP_OVER_DB = 10.0
THUMP_ROWS = (10, 150)
#: In a thump the low band holds at least this share of the sound's power.
THUMP_SHARE = 0.4
THUMP_NEAR_ROWS = 100
VOICE_PERCENT = 95
SMOOTH_ROWS = 20
RAMP_ROWS = 15
#: What the filters are taken to have heard before the take began: its first tenth of a second.
STILL_ROWS = 100


class RumbleSettings(Settings):
    lowest_corner_hz: float = Field(
        40, ge=20, le=60, description="The high-pass never lies below this, in Hz."
    )
    highest_corner_hz: float = Field(
        90, ge=60, le=120, description="The high-pass never lies above this, in Hz."
    )
    notch_hum: bool = Field(
        True, description="Whether mains hum is taken out where it stands out of the noise."
    )
    thump_range_db: float = Field(
        12, ge=0, le=24, description="Plosive thumps are lowered by at most this, in dB."
    )


def corner_hz(pitch_hz: float | None, settings: RumbleSettings) -> float:
    """Where the high-pass lies; as low as it may where no pitch is known, as in a whisper."""
    wanted = 0.0 if pitch_hz is None else BELOW_PITCH * pitch_hz
    return max(min(wanted, settings.highest_corner_hz), settings.lowest_corner_hz)


def highpass(corner: float, sample_rate_hz: int) -> Sections:
    return butterworth(ORDER, corner, "high", sample_rate_hz)


def notches(lines_hz: tuple[float, ...], sample_rate_hz: int) -> Sections:
    """One section for each line, narrower in proportion the higher it lies."""
    sections = []
    for hz in lines_hz:
        place = min(max(hz - 50, 0) / (NARROW_FROM_HZ - 50), 1.0)
        narrow = NARROW_LOW + place * (NARROW_HIGH - NARROW_LOW)
        sections.append(notch(hz, narrow, sample_rate_hz))
    return np.array(sections).reshape(-1, 6)


def filtered(low: Low, sections: Sections) -> Low:
    """*low* through *sections* that were made for its rate, settled on its beginning."""
    if not len(low) or not len(sections):
        return low
    return run(sections, low, settled(sections, low[:STILL_ROWS].mean()))[0]


def thump_amounts(low: Low, power: Rows, spoken: Mask, range_db: float) -> Rows:
    """By how much the low band is lowered in each row, in dB, 0 or more, with its ramps."""
    nothing = np.zeros(len(low), np.float32)
    if not spoken.any() or not range_db:
        return nothing
    # A long take's columns are short of memory: one wide one at a time.
    band = _smooth(_low_band(low, THUMP_HZ) ** 2).astype(np.float32)
    out = band >= THUMP_SHARE * _smooth(power)
    voice_db = np.float32(np.percentile(power_db(band[spoken]), VOICE_PERCENT))
    over = power_db(band) - voice_db
    del band
    out &= (over >= THUMP_OVER_DB) & widened(spoken, THUMP_NEAR_ROWS, THUMP_NEAR_ROWS)
    starts, stops = runs(out)
    short = (stops - starts >= THUMP_ROWS[0]) & (stops - starts <= THUMP_ROWS[1])
    around = mask_of(starts[short] - SMOOTH_ROWS, stops[short] + SMOOTH_ROWS, len(low))
    amount = np.where(around, np.clip(over, 0, range_db), nothing).astype(np.float32)
    return averaged_behind(greatest_ahead(amount, RAMP_ROWS), RAMP_ROWS)


def _low_band(low: Low, corner: float) -> Low:
    """What lies below *corner*, without delay, as `fairtake.sound.render` takes it apart."""
    return both_ways(butterworth(2, corner, "low", ROWS_PER_S), low, 100)


def _smooth(power: Low | Rows) -> Low:
    weights = np.hanning(SMOOTH_ROWS + 2)[1:-1]
    padded = np.pad(power.astype(np.float64), (SMOOTH_ROWS // 2, SMOOTH_ROWS // 2 - 1), mode="edge")
    return np.maximum(weigh(padded, weights / weights.sum()), 0)


def rumble(levels: Levels, settings: RumbleSettings) -> Work:
    if not levels.rows:
        return Work(note=_note(None, 0.0, None, np.zeros(0, np.float32), settings))
    spoken = levels.kept
    low = levels.heard_low.astype(np.float64)
    hum = find_hum(low, ~widened(spoken, CLEAR_BEFORE_ROWS, CLEAR_AFTER_ROWS))
    lines_hz = hum.lines_hz if hum and settings.notch_hum else ()
    pitch_hz = lowest_pitch_hz(filtered(low, notches(lines_hz, ROWS_PER_S)), spoken)
    give_memory_back()
    corner = corner_hz(pitch_hz, settings)

    low = filtered(low, highpass(corner, ROWS_PER_S))
    after = with_low(levels, low, slow_power)
    if lines_hz:
        low = filtered(low, notches(lines_hz, ROWS_PER_S))
        after = with_low(after, low, line_power)
    power = after.heard_energy / np.float32(after.samples_per_row)
    amount = thump_amounts(low, power, spoken, settings.thump_range_db)
    bands: tuple[BandGain, ...] = ()
    if amount.any():
        bands = (BandGain("low", LOWERED_HZ, -amount),)
        low = low + _low_band(low, LOWERED_HZ) * (gain(-amount.astype(np.float64)) - 1)
        after = with_low(after, low, slow_power)
    rate = levels.sample_rate_hz
    return Work(
        filters=(np.concatenate([highpass(corner, rate), notches(lines_hz, rate)]),),
        bands=bands,
        levels=after,
        note=_note(pitch_hz, corner, hum, amount, settings),
    )


def _note(
    pitch_hz: float | None, corner: float, hum: Hum | None, amount: Rows, settings: RumbleSettings
) -> dict[str, Any]:
    note: dict[str, Any] = {
        "lowest_pitch_hz": None if pitch_hz is None else round(pitch_hz, 1),
        "high_pass_hz": round(corner, 1),
        "thumps": len(runs(amount > 0)[0]),
        "greatest_thump_db": round(float(amount.max(initial=0.0)), 2),
    }
    if hum is not None:
        note["hum_hz"] = round(hum.hz, 2)
        note["hum_dbfs"] = round(hum.level_dbfs, 1)
        note["hum_harmonics"] = list(hum.harmonics)
        note["hum_notched"] = settings.notch_hum
    return note

"""Measures of a file from one pass over it.

* ``noise_floor_dbfs``: level of room tone. RMS of 50 ms frames at least 60 ms before and 250 ms
  behind speech, exact zeros left out; the level that a quarter of them lie under.
* ``speech_level_dbfs``: RMS of what is speech.
* ``head_s``, ``tail_s``: from the file's edge to the first, from the last speech.
"""

from __future__ import annotations

import numpy as np

from fairtake.receipt import Measures
from fairtake.sound.levels import ROWS_PER_S, Levels
from fairtake.sound.listen import Heard
from fairtake.sound.loudness import (
    BLOCK_S,
    SHORT_TERM_S,
    integrated_lufs,
    max_momentary_lufs,
    max_short_term_lufs,
)
from fairtake.sound.loudness_range import loudness_range_lu
from fairtake.sound.runs import Mask, widened
from fairtake.sound.speech import first_row, heard_rows, last_row
from fairtake.units import amplitude_db, power_db

FRAME_ROWS = 50
MEANINGFUL_RANGE_S = 60.0
CLEAR_BEFORE_ROWS, CLEAR_AFTER_ROWS = 60, 250


def measures(heard: Heard) -> Measures:
    """All figures of a file; those that cannot be measured are null with a reason."""
    levels = heard.levels
    kept = heard_rows(levels)
    duration_s = heard.duration_s
    short = (
        f"shorter than {BLOCK_S} s" if duration_s < BLOCK_S else "no block is louder than -70 LUFS"
    )
    shorter = f"shorter than {SHORT_TERM_S:g} s" if duration_s < SHORT_TERM_S else short
    no_speech = "no speech was found"
    silent = "every sample is zero"
    found = {
        "loudness_lufs": (integrated_lufs(levels.k_power), short),
        "loudness_range_lu": (loudness_range_lu(levels.k_power), shorter),
        "max_momentary_lufs": (max_momentary_lufs(levels.k_power), short),
        "max_short_term_lufs": (max_short_term_lufs(levels.k_power), shorter),
        "true_peak_dbtp": (_db(heard.true_peak), silent),
        "sample_peak_dbfs": (_db(heard.sample_peak), silent),
        "rms_dbfs": (rms_dbfs(heard), silent),
        "noise_floor_dbfs": (
            noise_floor_dbfs(levels, levels.kept),
            "there is no room tone outside speech",
        ),
        "speech_level_dbfs": (speech_level_dbfs(levels, kept), no_speech),
        "dc_offset_dbfs": (_db(heard.dc), "there is none"),
        "duration_s": (duration_s, ""),
        "head_s": (first_row(kept) / ROWS_PER_S if kept.any() else None, no_speech),
        "tail_s": (
            (levels.rows - last_row(kept)) / ROWS_PER_S if kept.any() else None,
            no_speech,
        ),
    }
    return Measures(
        **{name: value for name, (value, _) in found.items()},
        not_measurable={name: why for name, (value, why) in found.items() if value is None},
        doubtful=_doubts(duration_s, found["loudness_range_lu"][0]),
    )


def _doubts(duration_s: float, loudness_range: float | None) -> dict[str, str]:
    """Figures that were measured and mean little. EBU Tech 3341 has meters flag a short range."""
    if loudness_range is None or duration_s >= MEANINGFUL_RANGE_S:
        return {}
    return {"loudness_range_lu": f"of little meaning under {MEANINGFUL_RANGE_S:g} s"}


def _db(amplitude: float) -> float | None:
    return float(amplitude_db(amplitude)) if amplitude > 1e-9 else None


def rms_dbfs(heard: Heard) -> float | None:
    """RMS of the whole file, all channels, ungated and unweighted."""
    energy = float(heard.levels.energy.sum(dtype=np.float64))
    return float(power_db(energy / heard.frames)) if energy > 0 else None


def noise_floor_dbfs(levels: Levels, kept: Mask) -> float | None:
    """Level of room tone, away from what is *kept*, or None where there is none."""
    frames = levels.rows // FRAME_ROWS
    if not frames:
        return None
    clear = ~widened(kept, CLEAR_BEFORE_ROWS, CLEAR_AFTER_ROWS)
    cut = slice(frames * FRAME_ROWS)
    whole = clear[cut].reshape(frames, -1).all(axis=1)
    power = levels.power[cut].reshape(frames, -1)
    room = power.mean(axis=1, dtype=np.float64)[whole & (power > 0).all(axis=1)]
    return float(np.percentile(power_db(room), 25)) if len(room) else None


def speech_level_dbfs(levels: Levels, heard: Mask) -> float | None:
    """RMS of what is speech among the rows *heard*, or of music where nobody speaks; None without either."""
    spoken = heard & levels.voice if levels.voice.any() else heard
    if not spoken.any():
        return None
    return float(power_db(levels.power[spoken].mean(dtype=np.float64)))

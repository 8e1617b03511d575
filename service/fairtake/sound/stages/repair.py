"""repair: take out clicks and rebuild short clipped peaks.

Conventions: listening has found the blemishes and rebuilt them (`fairtake.sound.blemishes`); this
stage chooses among them. They count from the take's first sample, so it stands before anything
cuts. A click's *over_db* is how far its greatest prediction error exceeds all errors around it, of
a clipped run how far the rebuilt peak rises.

In the levels, rows of a removed click are drawn as a line between the rows beside it, but never
above what was heard; the K-weighted column somewhat further, because its filter rings.

Source: Godsill and Rayner, "Digital Audio Restoration", Springer 1998; defaults are measured.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from pydantic import Field

from fairtake.sound.levels import Blemish, Levels, Rows
from fairtake.sound.runs import Mask, mask_of, widened
from fairtake.sound.stage import Work
from fairtake.typed_file import Settings

#: The K-weighting's high-pass rings for about so long after a click (its corner is 38 Hz).
RINGING_ROWS = 25


class RepairSettings(Settings):
    clicks: bool = Field(True, description="Take out mouth clicks, pops and single wrong samples.")
    click_over_db: float = Field(
        15,
        ge=12,
        le=40,
        description="A click stands out of what is around it by at least this, in dB.",
    )
    clipping: bool = Field(True, description="Rebuild short clipped peaks.")


def chosen(blemishes: Sequence[Blemish], settings: RepairSettings) -> tuple[Blemish, ...]:
    """Those of *blemishes* that the settings want repaired."""
    return tuple(
        b
        for b in blemishes
        if (settings.clipping if b.kind == "clipped" else settings.clicks)
        and (b.kind == "clipped" or b.over_db >= settings.click_over_db)
    )


def repaired(levels: Levels, blemishes: Sequence[Blemish]) -> Levels:
    """The levels after *blemishes* have been replaced by what they were rebuilt as."""
    rate, size = levels.sample_rate_hz, levels.rows
    spans = [b.rows(rate) for b in blemishes if b.kind == "click"]
    starts, stops = np.array(spans, np.intp).reshape(-1, 2).T
    changed = mask_of(starts, stops, size)
    ringing = widened(changed, 0, RINGING_ROWS)
    peak = bridged(levels.heard_peak, changed)
    for blemish in blemishes:
        first, stop = blemish.rows(rate)
        if blemish.kind == "clipped":
            top = np.float32(np.abs(blemish.rebuilt).max(initial=0.0))
            peak[first : stop - 1] = np.maximum(peak[first : stop - 1], top)
    return replace(
        levels,
        heard_peak=peak,
        heard_energy=bridged(levels.heard_energy, changed),
        heard_k_energy=bridged(levels.heard_k_energy, ringing),
        heard_high_energy=bridged(levels.heard_high_energy, changed),
    )


def bridged(column: Rows, changed: Mask) -> Rows:
    """*column* with every changed row at most on the line between its unchanged neighbours."""
    kept = np.flatnonzero(~changed)
    if not len(kept):
        return column.copy()
    line = np.interp(np.flatnonzero(changed), kept, column[kept])
    out = column.copy()
    out[changed] = np.minimum(column[changed], line)
    return out


def repair(levels: Levels, settings: RepairSettings) -> Work:
    found = chosen(levels.blemishes, settings)
    after = repaired(levels, found) if found else levels
    return Work(repairs=found, levels=after, note=_note(found, after))


def _note(found: Sequence[Blemish], levels: Levels) -> dict[str, Any]:
    clicks = [b for b in found if b.kind == "click"]
    rows = [b.rows(levels.sample_rate_hz)[0] for b in clicks]
    spoken = levels.kept[rows] if clicks else np.zeros(0, bool)
    return {
        "clicks_in_pauses": int((~spoken).sum()),
        "clicks_in_speech": int(spoken.sum()),
        "clipped_runs_found": levels.clipped_runs,
        "clipped_runs_rebuilt": len(found) - len(clicks),
    }

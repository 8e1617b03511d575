"""The proof of speech: was any syllable turned down that its neighbours were not?

Conventions: what counts as speech is drawn wider here than for the gate, so that the gate cannot
prove itself: every row near speech that stands out of the room at all, breaths left out. A row is
lost when its gain lies more than 6 dB under the median of the speech rows around it, and an edge is
dulled when the first 40 ms or the last 60 ms of a phrase lie more than 2.5 dB under the phrase's own
median, weighed by what is heard in them: a burst counts more than the closure before it. The gain is
what all stages and the limiter did together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fairtake.sound.levels import Levels, Rows
from fairtake.sound.runs import Mask, runs, widened
from fairtake.sound.speech import FRAME_ROWS, find_speech, on_rows
from fairtake.units import power_db, power_gain

STANDS_OUT_DB = 4.0
NEAR_ROWS = 100
LOST_DB = 6.0
MEDIAN_ROWS = 1000
DULLED_DB = 2.5
FIRST_ROWS, LAST_ROWS = 40, 60
PHRASE_PAUSE_ROWS = 80
#: More lost speech than this, and the plan is made again, gentler.
LOST_SHARE_MOST = 0.002
LEAST_POWER = 1e-20


@dataclass(frozen=True)
class Proof:
    """What became of the speech."""

    lost_share: float
    longest_lost_ms: int
    dulled_edges: int

    @property
    def kept(self) -> bool:
        return self.lost_share <= LOST_SHARE_MOST and self.dulled_edges == 0


def spoken_power(levels: Levels) -> Rows:
    """K-weighted power of every row that may be speech, drawn wide; 0 elsewhere."""
    speech = find_speech(levels)
    out = on_rows(speech.level_lufs > speech.floor_lufs + STANDS_OUT_DB, levels.rows)
    near = widened(speech.rows, NEAR_ROWS, NEAR_ROWS)
    spoken = (speech.rows | (near & out)) & ~speech.breaths
    return np.where(spoken, np.maximum(levels.k_power, LEAST_POWER), 0).astype(np.float32)


def prove_speech(power: Rows, gain_db: Rows) -> Proof:
    """Hold the gain curve against its own neighbourhood, where *power* is spoken, not 0."""
    from scipy.ndimage import median_filter

    spoken = power > 0
    # Frames are fine enough, and five times fewer.
    frames = len(spoken) // FRAME_ROWS
    whole = slice(frames * FRAME_ROWS)
    inside: Mask = np.asarray(spoken[whole].reshape(frames, -1).all(axis=1))
    gains = gain_db[whole].reshape(frames, -1).mean(axis=1)
    if not inside.any():
        return Proof(0.0, 0, 0)
    # Pauses take the gain of the speech nearest to them, so that the median is one over time.
    told = gains[_nearest(inside)]
    around = median_filter(told, size=MEDIAN_ROWS // FRAME_ROWS + 1, mode="nearest")
    lost = inside & (gains < around - LOST_DB)
    starts, stops = runs(lost)
    longest = int((stops - starts).max(initial=0)) * FRAME_ROWS
    return Proof(float(lost.sum() / inside.sum()), longest, _dulled_edges(power, gain_db))


def _nearest(inside: Mask) -> npt.NDArray[np.intp]:
    """The index of the nearest True for each place of *inside*, which holds at least one."""
    places = np.flatnonzero(inside)
    after = np.clip(np.searchsorted(places, np.arange(len(inside))), 0, len(places) - 1)
    before = np.maximum(after - 1, 0)
    here = np.arange(len(inside))
    nearer = here - places[before] < places[after] - here
    return places[np.where(nearer, before, after)]


def _dulled_edges(power: Rows, gain_db: Rows) -> int:
    """Phrases' first and last moments that lie under the phrase's own gain."""
    starts, stops = runs(power > 0)
    if not len(starts):
        return 0
    near = starts[1:] - stops[:-1] < PHRASE_PAUSE_ROWS
    starts, stops = starts[np.append(True, ~near)], stops[np.append(~near, True)]
    dulled = 0
    for start, stop in zip(starts, stops, strict=True):
        if stop - start < FIRST_ROWS + LAST_ROWS:
            continue
        middle = float(np.median(gain_db[start:stop]))
        edges = (slice(start, start + FIRST_ROWS), slice(stop - LAST_ROWS, stop))
        dulled += sum(_heard_gain_db(power[e], gain_db[e]) < middle - DULLED_DB for e in edges)
    return dulled


def _heard_gain_db(power: Rows, gain_db: Rows) -> float:
    """The gain of the energy of some rows."""
    return float(power_db(np.average(power_gain(gain_db), weights=power)))

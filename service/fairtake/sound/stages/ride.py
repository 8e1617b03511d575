"""ride: the hand on the fader. Brings phrases and sections to one level, slowly.

Conventions: the level of a phrase is the K-weighted mean power of its speech, in LUFS. A phrase ends
where nobody speaks for `PAUSE_ROWS`; a very long one is cut into parts. Phrases near in time and
near in level share their level, so that a section recorded elsewhere keeps its own edge while single
words keep their stress. What is short and soft, a murmur or a breath taken for one, is lifted no further
than the phrases beside it. Gain moves from phrase to phrase inside the pause between them. A pause is
never lifted: there the gain is 0 dB or less.

Source: none; the method is our own, its figures common practice.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from pydantic import Field

from fairtake.sound.envelope import averaged_behind
from fairtake.sound.levels import Levels, Rows
from fairtake.sound.loudness import lufs
from fairtake.sound.runs import Mask, mask_of, runs
from fairtake.sound.stage import Work
from fairtake.typed_file import Settings

Values = npt.NDArray[np.float64]

PAUSE_ROWS = 300
LONGEST_PHRASE_ROWS = 6000
#: Phrases further apart in level than this were not recorded under the same conditions.
ALIKE_DB = 4.0
#: Less speech than this, softer by this than what is beside it, is no phrase to be brought to a level.
SHORT_ROWS, SOFT_DB = 800, 10.0
#: A phrase keeps its gain this long before and after itself.
HOLD_BEFORE_ROWS, HOLD_AFTER_ROWS = 60, 150


class RideSettings(Settings):
    range_db: float = Field(
        12, ge=0, le=20, description="Phrases are raised or lowered by at most this, in dB."
    )
    spare_db: float = Field(
        0.5, ge=0, le=6, description="Differences up to this, in dB, are left alone."
    )
    reach_s: float = Field(
        6, ge=1, le=60, description="Phrases so near in time, in seconds, are levelled together."
    )
    ramp_ms: float = Field(
        150, ge=20, le=2000, description="Time over which the gain moves in a pause."
    )


def ride_gain_db(
    levels_db: Values, middles_s: Values, weights: Values, settings: RideSettings
) -> Values:
    """Gain of each phrase in dB, from the phrases' levels, middles and lengths."""
    if not len(levels_db):
        return levels_db
    shared = np.array(
        [
            _shared_level(levels_db, weights * (np.abs(middles_s - at) <= settings.reach_s), own)
            for at, own in zip(middles_s, levels_db, strict=True)
        ]
    )
    away = _target_db(shared, weights, settings.range_db) - shared
    wanted = np.sign(away) * np.maximum(np.abs(away) - settings.spare_db, 0)
    return _murmurs_left(np.clip(wanted, -settings.range_db, settings.range_db), levels_db, weights)


def _murmurs_left(gains: Values, levels_db: Values, weights: Values) -> Values:
    """*gains*, but for what is short and soft: the greater one of the phrases beside it at most."""
    left = gains.copy()
    phrase = np.flatnonzero(weights >= SHORT_ROWS)
    for n in np.flatnonzero(weights < SHORT_ROWS) if len(phrase) else ():
        after = np.searchsorted(phrase, n)
        beside = phrase[max(after - 1, 0) : after + 1]
        if levels_db[n] < levels_db[beside].min() - SOFT_DB:
            left[n] = min(gains[n], gains[beside].max())
    return left


def _shared_level(levels_db: Values, weights: Values, own: float) -> float:
    """Mean level of the phrases that weigh, as far as they are like *own*."""
    alike = weights * (np.abs(levels_db - own) <= ALIKE_DB)
    return float(np.average(levels_db, weights=alike)) if alike.any() else own


def _target_db(levels_db: Values, weights: Values, range_db: float) -> float:
    """The middle level, moved as far as it takes to have the softest and the loudest in range."""
    low, middle, high = (_weighted(levels_db, weights, share) for share in (0.05, 0.5, 0.95))
    if high - low > 2 * range_db:
        return (low + high) / 2
    return min(max(middle, high - range_db), low + range_db)


def _weighted(values: Values, weights: Values, share: float) -> float:
    """The value that *share* of the weight lies under."""
    order = np.argsort(values)
    reached = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(reached, reached[-1] * share)])


def phrases(spoken: Mask) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Starts and stops of phrases: speech with its short gaps, cut where it goes on too long."""
    gap_starts, gap_stops = runs(~spoken)
    short = gap_stops - gap_starts < PAUSE_ROWS
    starts, stops = runs(spoken | mask_of(gap_starts[short], gap_stops[short], len(spoken)))
    parts = [
        np.linspace(a, b, max(1, round((b - a) / LONGEST_PHRASE_ROWS)) + 1).astype(np.intp)
        for a, b in zip(starts, stops, strict=True)
    ]
    if not parts:
        return starts, stops
    return np.concatenate([p[:-1] for p in parts]), np.concatenate([p[1:] for p in parts])


def ride(levels: Levels, settings: RideSettings) -> Work:
    spoken = levels.kept
    starts, stops = phrases(spoken)
    # Edges of the file are no phrases of their own.
    counts = np.concatenate([[0], np.cumsum(spoken)])
    energies = np.concatenate(
        [[0.0], np.cumsum(np.where(spoken, levels.k_power, 0), dtype=np.float64)]
    )
    lengths = counts[stops] - counts[starts]
    kept = lengths > 0
    starts, stops, lengths = starts[kept], stops[kept], lengths[kept]
    level = lufs((energies[stops] - energies[starts]) / np.maximum(lengths, 1))
    gains = ride_gain_db(level, (starts + stops) / 2000, lengths.astype(float), settings)
    curve = ride_curve_db(gains, starts, stops, levels.rows, round(settings.ramp_ms))
    return Work(
        gain_db=curve,
        note={
            "phrases": len(gains),
            "greatest_rise_db": round(float(gains.max(initial=0.0)), 2),
            "greatest_fall_db": round(abs(float(gains.min(initial=0.0))), 2),
            "spread_before_db": round(_spread(level), 2),
            "spread_after_db": round(_spread(level + gains), 2),
        },
    )


def _spread(levels_db: Values) -> float:
    """Distance from the 10th to the 90th percentile."""
    return float(np.subtract(*np.percentile(levels_db, (90, 10)))) if len(levels_db) else 0.0


def ride_curve_db(
    gains: Values, starts: npt.NDArray[np.intp], stops: npt.NDArray[np.intp], rows: int, ramp: int
) -> Rows:
    """The gain over time: each phrase at its own, a pause at the lowest of its neighbours' and 0 dB."""
    if not len(gains):
        return np.zeros(rows, np.float32)
    gaps = starts[1:] - stops[:-1]
    before, after = HOLD_BEFORE_ROWS + ramp // 2, HOLD_AFTER_ROWS + ramp // 2
    share = after / (before + after)
    # What a phrase holds of the pauses around it; the first and the last have the file's edges.
    begins = starts - np.minimum(before, np.append(starts[0], (gaps * (1 - share)).astype(int)))
    ends = stops + np.minimum(after, np.append((gaps * share).astype(int), rows - stops[-1]))
    lower = np.minimum(np.append(gains[0], gains), np.append(gains, gains[-1]))
    values = np.empty(2 * len(gains) + 1)
    values[0::2], values[1::2] = np.minimum(lower, 0), gains
    corners = np.stack([begins, ends], axis=1).ravel()
    lengths = np.diff(corners, prepend=0, append=rows)
    return _eased(np.repeat(values, lengths).astype(np.float32), ramp)


def _eased(curve: Rows, ramp: int) -> Rows:
    """*curve* without steps: a raised-cosine average centred on each row."""
    padded = np.pad(curve, (0, ramp // 2), mode="edge")
    return averaged_behind(padded, ramp)[ramp // 2 :]

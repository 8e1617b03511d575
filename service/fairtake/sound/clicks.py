"""Clicks: whether a row that may hold one does, where it begins and ends, and the sound without it.

Conventions
-----------
* A model fitted to 20 ms on either side cannot predict a click. How far its greatest prediction
  error exceeds the greatest one around is what a click stands out by, *over_db*.
* Three kinds of evidence do, each for itself: the rows around say plainly that it is a click; or
  the errors do, far higher and closer together than those of any stop or glottal pulse; or all
  around it is steady noise, out of which nothing rises and falls within a millisecond or so.
* What is rebuilt is the least-squares interpolation under the model. What begins within
  `fairtake.sound.sharpness.REACH_ROWS` of the take's ends is left.

Source: detection by prediction errors, Godsill and Rayner, "Digital Audio Restoration", Springer
1998, chapter 5.3. The margins are measured, no source.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fairtake.sound.autoregression import Errors, interpolated, prediction_errors
from fairtake.sound.levels import ROWS_PER_S, Blemish
from fairtake.sound.source import Samples
from fairtake.units import amplitude_db, gain

CONTEXT_MS = 20.0
#: A click may begin this much before its sharpest row, and end this much after it.
AHEAD_MS, BEHIND_MS = 3.0, 6.0
REACH_MS = CONTEXT_MS + BEHIND_MS + 1.0
ORDER_MS, MOST_ORDER = 1.0, 64

LEAST_PEAK_DBFS = -66.0
LONGEST_MS = 5.0
#: Where the rows are plain: how far the errors stand out, and how close together they lie.
PLAIN_OVER_DB, PLAIN_WITHIN_MS = 12.0, 2.4
#: The same where only the errors speak.
CLEAR_OVER_DB, CLEAR_WITHIN_MS = 20.0, 1.5
#: The same in steady noise. Its errors reach at most so far over their RMS, and the noise itself: a
#: voice is predicted far better. What lies less far over it inside, the noise may have made, and
#: does not count.
NOISE_OVER_DB, NOISE_WITHIN_MS = 16.0, 1.3
NOISE_CREST_DB, NOISE_PREDICTED_DB, NOISE_OFF_DB = 12.0, 20.0, 6.0
#: An error is the click's own when it is this many times the RMS of the errors around; where the
#: click dies away, fewer.
OWN_ERROR, OWN_LATE_ERROR = 4.5, 3.8
GAP_MS = 0.5

Values = npt.NDArray[np.float64]


def rebuilt_click(
    joined: Samples, row: slice, sample_rate_hz: int, plain: bool, steady: bool
) -> Blemish | None:
    """The click in the samples of a *row*, rebuilt in each channel that has it, or None.

    *plain* and *steady* are what the rows around say, as in `Candidates`.
    """
    ms = sample_rate_hz / ROWS_PER_S
    context, order = round(CONTEXT_MS * ms), min(round(ORDER_MS * ms), MOST_ORDER)
    left = max(row.start - round(AHEAD_MS * ms), 0)
    right = min(row.stop + round(BEHIND_MS * ms), len(joined))
    begin = max(left - context, 0)
    stretch = joined[begin : right + context]
    errors = [prediction_errors(c, left - begin, right - begin, order) for c in stretch.T]
    clear = max(errors, key=lambda e: e.over_db)
    if not is_click(clear, plain, steady, ms):
        return None
    first, last = extent(clear, round(GAP_MS * ms))
    if last - first > LONGEST_MS * ms:
        return None
    return Blemish("click", begin + first, _rebuilt(stretch, errors, first, last), clear.over_db)


def _rebuilt(stretch: Samples, errors: list[Errors], first: int, last: int) -> Samples:
    """Samples *first* to *last* of *stretch* without the click; channels free of it as they are."""
    rebuilt = stretch[first:last].copy()
    for n, error in enumerate(errors):
        if np.abs(error.onward[first:last]).max() > 2 * error.around:
            rebuilt[:, n] = interpolated(stretch[:, n], first, last, error.model)
    # What is rebuilt never stands out more than what stood there.
    most = np.abs(stretch[first:last]).max(axis=0)
    return np.clip(rebuilt, -most, most)


def is_click(errors: Errors, plain: bool, steady: bool, ms: float) -> bool:
    """Whether the errors inside are a click's; *ms* is a millisecond in samples."""
    over_db = errors.over_db
    if errors.greatest < gain(LEAST_PEAK_DBFS) or over_db < PLAIN_OVER_DB:
        return False
    least_db = PLAIN_OVER_DB if plain else CLEAR_OVER_DB
    within_ms = PLAIN_WITHIN_MS if plain else CLEAR_WITHIN_MS
    energy = np.minimum(errors.onward[errors.inside] ** 2, errors.backward[errors.inside] ** 2)
    if over_db >= least_db and spread(energy) <= within_ms * ms:
        return True
    if not steady or over_db < NOISE_OVER_DB or not in_noise(errors):
        return False
    own = np.maximum(energy - (errors.rms * gain(NOISE_OFF_DB)) ** 2, 0.0)
    return spread(own) <= NOISE_WITHIN_MS * ms


def in_noise(errors: Errors) -> bool:
    """Whether all around is noise."""
    crest_db = amplitude_db(errors.around / errors.rms)
    predicted_db = amplitude_db(errors.sound_rms / errors.rms)
    return bool(crest_db <= NOISE_CREST_DB and predicted_db <= NOISE_PREDICTED_DB)


def spread(energy: Values) -> int:
    """Within how many samples nearly all of some energy lies."""
    share = np.cumsum(energy) / (energy.sum() + 1e-30)
    return int(np.searchsorted(share, 0.95) - np.searchsorted(share, 0.03))


def extent(errors: Errors, gap: int) -> tuple[int, int]:
    """First sample of a click and the one after its last.

    Predicting onward, nothing goes wrong before the click begins; predicting backward, nothing
    after it has ended. So each direction gives one end to the sample.
    """
    onward, backward = np.abs(errors.onward[errors.inside]), np.abs(errors.backward[errors.inside])
    first = errors.start + _first_error(onward, OWN_ERROR * errors.rms, gap)
    last = errors.stop - 1 - _first_error(backward[::-1], OWN_LATE_ERROR * errors.rms, gap)
    return min(first, last), max(first, last) + 1


def _first_error(size: Values, limit: float, gap: int) -> int:
    """Where the errors that lead up to the greatest begin, with no pause longer than *gap*."""
    top = int(np.argmax(size))
    own = np.append(np.flatnonzero(size[:top] > limit), top)
    breaks = np.flatnonzero(np.diff(own) > gap)
    return int(own[breaks[-1] + 1] if len(breaks) else own[0])

"""Mains hum: whether a take's pauses hold it, at which frequency, how loud, in which harmonics.

Conventions: hum is a comb of narrow lines on 50 or 60 Hz, give or take 1 Hz, and their multiples
up to 450 Hz. It is looked for in pauses only, where a voice at 100 Hz cannot be taken for it, in
spans of 8 s; the middle spectrum of all spans counts, so that a line has to be there all the time.
A line stands out when it is 10 dB above the median of what lies 6 to 16 Hz beside it, and 13 dB
where there is one span only, in which noise alone has peaks. Hum needs the fundamental, or two
lines of which one is the second or third: rectifiers hum at twice the mains.
``level_dbfs`` is the RMS of all lines found.

Source: common practice, no source; the limits are our own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fairtake.sound.filters import butterworth, run
from fairtake.sound.levels import ROWS_PER_S
from fairtake.sound.runs import Mask, mask_of, runs
from fairtake.units import power_db

MAINS_HZ = (50.0, 60.0)
OFF_BY_HZ, STEP_HZ = 1.0, 0.02
HIGHEST_HZ = 451.0
BESIDE_HZ = (6.0, 16.0)
STANDS_OUT_DB, ALONE_STANDS_OUT_DB = 10.0, 13.0
LEAST_PAUSE_S = 2.0
SPAN_ROWS, SPAN_LEAST_ROWS, MOST_SPANS = 8000, 400, 64
EASE_ROWS = 50
#: Slow rumble is taken off first: it would leak over everything else.
RUMBLE_HZ = 30.0
_SIZE = 2**15

Spectrum = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Hum:
    """What was found. ``harmonics`` are the numbers of the lines that stand out, 1 the first."""

    hz: float
    level_dbfs: float
    harmonics: tuple[int, ...]

    @property
    def lines_hz(self) -> tuple[float, ...]:
        return tuple(self.hz * k for k in self.harmonics)


def find_hum(low: npt.NDArray[np.float64], pauses: Mask) -> Hum | None:
    """The hum in *pauses* of the ``low`` column, or None without any."""
    spectra = pause_spectra(low, pauses)
    if not len(spectra) or pauses.sum() < LEAST_PAUSE_S * ROWS_PER_S:
        return None
    power = np.median(spectra, axis=0)
    limit_db = STANDS_OUT_DB if len(spectra) > 1 else ALONE_STANDS_OUT_DB
    combs = [comb for mains in MAINS_HZ if (comb := _comb(power, mains, limit_db))]
    return max(combs, key=lambda comb: comb[0])[1] if combs else None


def pause_spectra(low: npt.NDArray[np.float64], pauses: Mask) -> Spectrum:
    """Power of each span's pauses: a sine shows its mean square. Shape (spans, bins)."""
    weight = _eased(pauses)
    count = -(-len(low) // SPAN_ROWS)
    full = [n for n in range(count) if weight[_span(n)].sum() >= SPAN_LEAST_ROWS]
    sections = butterworth(4, RUMBLE_HZ, "high", ROWS_PER_S)
    found = []
    for n in full[:: -(-len(full) // MOST_SPANS) or 1]:
        here = weight[_span(n)]
        ahead = min(n * SPAN_ROWS, ROWS_PER_S)
        sound = low[n * SPAN_ROWS - ahead : (n + 1) * SPAN_ROWS]
        sound = run(sections, sound - sound[: ROWS_PER_S // 10].mean())[0][ahead:]
        found.append(2 * np.abs(np.fft.rfft(sound * here, _SIZE)) ** 2 / here.sum() ** 2)
    # A row is an average over a millisecond, which weakens what is fast.
    seen = np.sinc(np.fft.rfftfreq(_SIZE)) ** 2
    return np.array(found).reshape(len(found), -1) / seen if found else np.zeros((0, 0))


def _span(n: int) -> slice:
    return slice(n * SPAN_ROWS, (n + 1) * SPAN_ROWS)


def _eased(pauses: Mask) -> npt.NDArray[np.float64]:
    """1 inside pauses, 0 outside, eased within them at both ends."""
    starts, stops = runs(pauses)
    long = stops - starts > 4 * EASE_ROWS
    inner = mask_of(starts[long] + EASE_ROWS, stops[long] - EASE_ROWS, len(pauses))
    ease = np.hanning(2 * EASE_ROWS + 1)
    return np.convolve(inner, ease / ease.sum(), "same")[: len(pauses)]


def _comb(power: Spectrum, mains_hz: float, limit_db: float) -> tuple[float, Hum] | None:
    """The best comb near *mains_hz*, after how far it stands out in all; None without one."""
    trial = mains_hz + np.arange(-OFF_BY_HZ, OFF_BY_HZ + STEP_HZ / 2, STEP_HZ)
    numbers = np.arange(1, int(HIGHEST_HZ // mains_hz) + 1)
    level_db = power_db(power)
    bins = _SIZE / ROWS_PER_S
    lines = np.interp(numbers * trial[:, None] * bins, np.arange(len(power)), level_db)
    over = lines - np.array([_beside_db(level_db, k * mains_hz) for k in numbers])
    score = np.maximum(over - limit_db, 0).sum(axis=1)
    best = int(np.argmax(score))
    out = over[best] >= limit_db
    if not (out[0] or (out[1:3].any() and out.sum() >= 2)):
        return None
    total = float((10 ** (lines[best][out] / 10)).sum())
    found = Hum(float(trial[best]), float(power_db(total)), tuple(int(k) for k in numbers[out]))
    return float(score[best]), found


def _beside_db(level_db: Spectrum, hz: float) -> float:
    """Median level of what lies beside a line."""
    away = np.abs(np.arange(len(level_db)) * ROWS_PER_S / _SIZE - hz)
    beside = (away >= BESIDE_HZ[0]) & (away <= BESIDE_HZ[1])
    return float(np.median(level_db[beside]))

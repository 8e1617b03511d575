"""The lowest pitch of a voice, from the millisecond table's ``low`` column.

Conventions: windows of 80 ms inside speech, Hann-weighted; pitch between 50 and 330 Hz. A window
is voiced where its autocorrelation has a peak of 0.75 or more; of several peaks nearly as high the
shortest period counts, which keeps the octave below from being taken for the pitch.

Source: short-time autocorrelation divided by that of the window, after P. Boersma, "Accurate
short-term analysis of the fundamental frequency and the harmonics-to-noise ratio of a sampled
sound", IFA Proceedings 17, 1993. The limits are our own.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fairtake.sound.levels import ROWS_PER_S
from fairtake.sound.runs import Mask

WINDOW_ROWS, STEP_ROWS = 80, 40
#: So many windows, spread over the take, tell as much as all of them.
MOST_WINDOWS, LEAST_VOICED = 3000, 8
LOWEST_HZ, HIGHEST_HZ = 50.0, 330.0
#: The three lowest partials of a low voice; above 500 Hz the table folds back.
BAND_HZ = (40.0, 330.0)
VOICED, NEARLY = 0.75, 0.9
#: A tenth of the voiced windows may be creaks, and octaves taken for the pitch.
LOW_PERCENT = 10
_FINER = 4
_SIZE = 256


def lowest_pitch_hz(low: npt.NDArray[np.float64], spoken: Mask) -> float | None:
    """The lowest pitch this voice uses in *spoken* rows, or None where it has too little."""
    windows = spoken_windows(low, spoken)
    found = pitches_hz(windows)
    voiced = found[found > 0]
    return float(np.percentile(voiced, LOW_PERCENT)) if len(voiced) >= LEAST_VOICED else None


def spoken_windows(low: npt.NDArray[np.float64], spoken: Mask) -> npt.NDArray[np.float64]:
    """Windows that lie in speech from end to end, shape (windows, `WINDOW_ROWS`)."""
    if len(low) < WINDOW_ROWS:
        return np.zeros((0, WINDOW_ROWS))
    count = np.concatenate([[0], np.cumsum(spoken)])
    starts = np.arange(0, len(low) - WINDOW_ROWS + 1, STEP_ROWS)
    starts = starts[count[starts + WINDOW_ROWS] - count[starts] == WINDOW_ROWS]
    starts = starts[:: -(-len(starts) // MOST_WINDOWS) or 1]
    return np.lib.stride_tricks.sliding_window_view(low, WINDOW_ROWS)[starts]


def pitches_hz(windows: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Pitch of each window, 0 where it has none."""
    if not len(windows):
        return np.zeros(0)
    taper = np.hanning(WINDOW_ROWS + 2)[1:-1]
    level = windows.mean(axis=1, keepdims=True)
    alike = _autocorrelation((windows - level) * taper, BAND_HZ)
    # Longer lags overlap less: what the window does to any sound is divided out.
    fair = _autocorrelation(taper[None, :], (0.0, ROWS_PER_S))
    lags = np.arange(alike.shape[1]) / (ROWS_PER_S * _FINER)  # seconds
    inside = slice(
        np.searchsorted(lags, 1 / HIGHEST_HZ), np.searchsorted(lags, 1 / LOWEST_HZ, "right")
    )
    ratio = alike / fair
    middle = ratio[:, 1:-1]
    peaks = np.zeros_like(ratio)
    peaks[:, 1:-1] = np.where((middle >= ratio[:, :-2]) & (middle > ratio[:, 2:]), middle, 0)
    peaks = peaks[:, inside]
    best = peaks.max(axis=1)
    first = np.argmax(peaks >= NEARLY * np.maximum(best, VOICED)[:, None], axis=1)
    return np.where(best >= VOICED, 1 / lags[inside][first], 0.0)


def _autocorrelation(
    windows: npt.NDArray[np.float64], band_hz: tuple[float, float]
) -> npt.NDArray[np.float64]:
    """Normalised autocorrelation of what lies in *band_hz*, up to the window's half."""
    spectrum = np.abs(np.fft.rfft(windows, _SIZE, axis=1)) ** 2
    hz = np.fft.rfftfreq(_SIZE, 1 / ROWS_PER_S)
    spectrum[:, (hz < band_hz[0]) | (hz > band_hz[1])] = 0
    products = np.fft.irfft(spectrum, _SIZE * _FINER, axis=1)[:, : WINDOW_ROWS * _FINER // 2]
    strength: npt.NDArray[np.float64] = np.maximum(products[:, :1], 1e-30)
    return products / strength

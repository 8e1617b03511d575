"""Other people from the same recordings.

The free voices are few, and a net learns by heart what it hears often: whoever is not among them is
then music to it. So in each take every speaker gets another throat: resonances moved against the
pitch, another balance of tones and hisses, another colour, another melody, now and then an effect.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from clips import Clip
from numpy.random import Generator
from scipy import ndimage, signal
from tools import Samples, gain_of, resampled, rms

#: Spectra of this many bins, their envelope from this many cepstral coefficients.
WINDOW, COEFFICIENTS = 512, 28
COLOUR_HZ = np.array([60, 150, 300, 600, 1200, 2400, 4800, 9600, 24_000])


@dataclass(frozen=True)
class Throat:
    """What makes a speaker of one take another person than the recorded one."""

    speed: float
    resonances: float
    balance: float
    colour_db: npt.NDArray[np.float64]
    melody: float
    effect: str


def some_throat(rng: Generator) -> Throat:
    """One speaker in five stays as recorded, but for colour."""
    changed = rng.random() < 0.8
    colour_db = np.cumsum(rng.normal(0, 2.5, len(COLOUR_HZ)))
    return Throat(
        speed=float(np.exp(rng.uniform(-0.22, 0.22))) if changed else 1.0,
        resonances=float(np.exp(rng.uniform(-0.2, 0.2))) if rng.random() < 0.5 else 1.0,
        balance=float(rng.uniform(0.65, 1.35)) if changed else 1.0,
        colour_db=colour_db - colour_db[4],
        melody=float(rng.uniform(0.01, 0.12)) if rng.random() < 0.4 else 0.0,
        effect=str(rng.choice(["", "doubled", "pressed"], p=[0.84, 0.08, 0.08])),
    )


def through(rng: Generator, clip: Clip, throat: Throat, rate_hz: int) -> Samples:
    """The clip as this speaker says it, at the take's rate and the clip's level."""
    x = clip.samples
    if throat.melody:
        x = _sung(rng, x, clip.rate_hz, throat.melody)
    x = _balanced(x, clip.rate_hz, throat.balance)
    x = _coloured(x, clip.rate_hz, throat)
    x = resampled(x, clip.rate_hz * throat.speed, rate_hz)
    if throat.effect == "doubled":
        late = int(rng.uniform(0.004, 0.03) * rate_hz)
        x = x + 0.7 * np.pad(x, (late, 0))[: len(x)]
    elif throat.effect == "pressed":
        x = np.tanh(x * rng.uniform(5, 25))
    return (x * rms(clip.samples) / max(rms(x), 1e-6)).astype(np.float32)


def _sung(rng: Generator, x: Samples, rate_hz: int, depth: float) -> Samples:
    """Played at a wandering speed: the melody rises and falls more than it did."""
    points = max(4, int(len(x) / rate_hz * 3))
    speed = np.exp(rng.normal(0, depth, points))
    times = np.cumsum(np.interp(np.arange(len(x)), np.linspace(0, len(x), points), speed))
    return np.interp(times[times < len(x) - 1], np.arange(len(x)), x).astype(np.float32)


def _balanced(x: Samples, rate_hz: int, power: float) -> Samples:
    """Soft sounds softer or louder against the loud ones: the envelope to some power."""
    if power == 1:
        return x
    envelope = np.sqrt(ndimage.uniform_filter1d(np.square(x), max(1, rate_hz // 50)) + 1e-9)
    gain = np.clip(envelope / max(rms(x), 1e-4), 0.01, 4) ** (power - 1)
    return (x * gain).astype(np.float32)


def _coloured(x: Samples, rate_hz: int, throat: Throat) -> Samples:
    """With another tone colour, and the envelope of each spectrum moved along the frequencies."""
    _, _, spectrum = signal.stft(x, rate_hz, nperseg=WINDOW, noverlap=WINDOW // 2)
    frequencies = np.linspace(0, rate_hz / 2, WINDOW // 2 + 1)
    colour_db = np.interp(np.log(frequencies + 30), np.log(COLOUR_HZ), throat.colour_db)
    gain_db = np.clip(colour_db, -18, 18)[:, None]
    if throat.resonances != 1:
        gain_db = gain_db + _moved_db(spectrum, throat.resonances)
    _, y = signal.istft(spectrum * gain_of(gain_db), rate_hz, nperseg=WINDOW, noverlap=WINDOW // 2)
    return np.pad(y, (0, max(0, len(x) - len(y))))[: len(x)].astype(np.float32)


def _moved_db(
    spectrum: npt.NDArray[np.complexfloating], factor: float
) -> npt.NDArray[np.floating]:  # fmt: skip
    """The gain that moves the envelopes of spectra, shape (bins, frames), by a factor."""
    level_db = 20 * np.log10(np.abs(spectrum) + 1e-6)
    mirrored = np.concatenate([level_db, level_db[-2:0:-1]])
    cepstrum = np.fft.rfft(mirrored, axis=0)
    cepstrum[COEFFICIENTS:] = 0
    envelope_db = np.fft.irfft(cepstrum, len(mirrored), axis=0)[: len(level_db)]
    bins = np.clip(np.arange(len(level_db)) / factor, 0, len(level_db) - 1)
    low = bins.astype(int)
    share = (bins - low)[:, None]
    high = np.minimum(low + 1, len(level_db) - 1)
    moved_db = envelope_db[low] * (1 - share) + envelope_db[high] * share
    return np.clip(moved_db - envelope_db, -20, 20)

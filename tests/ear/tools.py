"""Small tools that all generators share.

Conventions: sounds are mono float32 of shape (samples,), levels are 20 log10 of an RMS value, and
all chance comes from the generator that is handed in.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soxr
from numpy.random import Generator
from scipy import fft, signal

# The features of the recipe are the product's own: there is no second version of them.
sys.path.insert(0, str(Path(__file__).parents[2] / "service"))

Samples = npt.NDArray[np.float32]


def gain_of(db: float | npt.NDArray[np.floating]) -> npt.NDArray[np.float32]:
    """The factor of a gain in dB."""
    return np.asarray(10.0 ** (np.asarray(db) / 20.0), np.float32)


def rms(x: Samples) -> float:
    """Root of the mean square, never zero."""
    return float(np.sqrt(np.mean(np.square(x, dtype=np.float64)) + 1e-20)) if len(x) else 1e-10


def resampled(x: Samples, from_hz: float, to_hz: float) -> Samples:
    """The same sound at another rate; fractions of a hertz are well too."""
    if from_hz == to_hz or not len(x):
        return x
    return soxr.resample(x.astype(np.float32), from_hz, to_hz, quality="MQ").astype(np.float32)


def coloured(rng: Generator, count: int, rate_hz: int, response: object) -> Samples:
    """Noise whose spectrum is white noise times *response*, a function of the frequencies in Hz."""
    size = fft.next_fast_len(count + 64, real=True)
    spectrum = fft.rfft(rng.standard_normal(size, dtype=np.float32))
    frequencies = np.fft.rfftfreq(size, 1 / rate_hz).astype(np.float32)
    shape = response(np.maximum(frequencies, 1)).astype(np.float32)  # type: ignore[operator]
    return fft.irfft(spectrum * shape, size)[:count].astype(np.float32)


def band(x: npt.NDArray[np.floating], low_hz: float, high_hz: float, rate_hz: int) -> Samples:
    """A band-pass of second order, wherever the rate leaves room for it."""
    high_hz = min(high_hz, 0.47 * rate_hz)
    low_hz = min(low_hz, 0.8 * high_hz)
    sections = signal.butter(2, [low_hz, high_hz], "bandpass", fs=rate_hz, output="sos")
    return signal.sosfilt(sections, x).astype(np.float32)


def wandering(rng: Generator, count: int, low: float, high: float, points: int) -> Samples:
    """A line through some random values, as long as *count*."""
    places = np.linspace(0, count, points)
    return np.interp(np.arange(count), places, rng.uniform(low, high, points)).astype(np.float32)


def grains(
    rng: Generator, count: int, rate_hz: int, per_s: float, low_hz: float, high_hz: float
) -> Samples:  # fmt: skip
    """Many tiny clicks at random places: cloth, paper, rain, spittle."""
    places = np.zeros(count, np.float32)
    drops = rng.poisson(per_s * count / rate_hz)
    loud = rng.exponential(1, drops) * rng.choice([-1, 1], drops)
    places[rng.integers(0, count, drops)] = loud
    decay = int(rng.uniform(0.0005, 0.006) * rate_hz) + 2
    one = np.exp(-np.arange(4 * decay) / decay) * rng.standard_normal(4 * decay)
    return band(
        signal.fftconvolve(places, one.astype(np.float32))[:count], low_hz, high_hz, rate_hz
    )


def loudest_is_one(x: npt.NDArray[np.floating], rate_hz: int, window_s: float) -> Samples:
    """Scaled so that the RMS of the loudest stretch of *window_s* is 1."""
    width = max(1, int(window_s * rate_hz))
    sums = np.cumsum(np.concatenate([[0.0], np.square(x, dtype=np.float64)]))
    width = min(width, len(x))
    most = float((sums[width:] - sums[:-width]).max()) / width
    return (x / np.sqrt(most + 1e-20)).astype(np.float32)


def faded(x: Samples, count_in: int, count_out: int) -> Samples:
    """With straight fades at both ends, never longer than a half of the sound."""
    y = np.array(x, np.float32)
    count_in, count_out = min(count_in, len(y) // 2), min(count_out, len(y) // 2)
    y[:count_in] *= np.linspace(0, 1, count_in, dtype=np.float32)
    y[len(y) - count_out :] *= np.linspace(1, 0, count_out, dtype=np.float32)
    return y


def added(into: Samples, x: Samples, start: int) -> None:
    """Adds a sound to a layer in place; what would stick out is cut off."""
    start = max(0, start)
    part = x[: max(0, len(into) - start)]
    into[start : start + len(part)] += part


def runs(mask: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Starts and ends of the stretches where a mask holds."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]

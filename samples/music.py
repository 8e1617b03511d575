"""Music and a bell for the sample mix: plucked strings and struck metal, made of sines.

No tune that anybody knows: steps of a five-note scale, chosen by a generator with a seed.
"""

from __future__ import annotations

import numpy as np

RATE_HZ = 22_050
BEAT_S = 0.5
#: A five-note scale on A, in semitones, over two octaves.
SCALE = (0, 3, 5, 7, 10, 12, 15, 17, 19, 22)


def pluck(hz: float, seconds: float) -> np.ndarray:
    """A plucked string: partials that die away the faster the higher they are."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    partials = range(1, 7)
    waves = [np.sin(2 * np.pi * k * hz * t) * np.exp(-t * (1.2 + 0.9 * k)) / k for k in partials]
    return np.sum(waves, axis=0) * np.minimum(t / 0.004, 1.0)


def harp(seed: int, beats: int) -> np.ndarray:
    """A walk up and down the scale over a slow bass, peak about -6 dBFS, shape (samples,)."""
    rng = np.random.default_rng(seed)
    out = np.zeros(round((beats * BEAT_S + 3.0) * RATE_HZ))
    step = 4
    for beat in range(beats):
        step = int(np.clip(step + rng.integers(-2, 3), 0, len(SCALE) - 1))
        _add(out, pluck(220.0 * 2 ** (SCALE[step] / 12), 3.0) * 0.5, beat)
        if beat % 4 == 0:
            _add(out, pluck(110.0 * 2 ** (SCALE[(beat // 4) % 3] / 12), 3.0), beat)
    out *= np.minimum(1.0, np.arange(len(out))[::-1] / (0.5 * RATE_HZ))
    return out * (0.5 / np.abs(out).max())


def bell(seconds: float = 2.5) -> np.ndarray:
    """A struck bell: partials that are no multiples of one another, peak -6 dBFS."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    parts = ((0.5, 0.6, 1.2), (1.0, 1.0, 1.8), (1.19, 0.5, 2.4), (1.5, 0.4, 3.0), (2.0, 0.5, 4.0))
    out = sum(a * np.sin(2 * np.pi * 523.0 * f * t) * np.exp(-d * t) for f, a, d in parts)
    out = out * np.minimum(t / 0.002, 1.0) * np.minimum(1.0, (seconds - t) / 0.2)
    return np.asarray(out * (0.5 / np.abs(out).max()))


def _add(out: np.ndarray, sound: np.ndarray, beat: int) -> None:
    begin = round(beat * BEAT_S * RATE_HZ)
    here = out[begin : begin + len(sound)]
    here += sound[: len(here)]

"""Made room tone of every colour: hiss, hum, fans, air, rain, next to nothing."""

from __future__ import annotations

import numpy as np
from noises import crackle
from numpy.random import Generator
from tools import Samples, coloured, gain_of, rms, wandering

#: Kind: how often, and the tilt of its spectrum in dB an octave.
KINDS: dict[str, tuple[float, float]] = {
    "white": (0.12, 0.0),
    "pink": (0.18, -3.0),
    "brown": (0.10, -6.0),
    "air": (0.14, -5.0),
    "hum": (0.10, -4.0),
    "fan": (0.10, -3.5),
    "rain": (0.08, -1.0),
    "nothing": (0.08, -3.0),
    "speech-shaped": (0.10, -3.0),
}


def some_kind(rng: Generator) -> str:
    """A kind of room."""
    return str(rng.choice(list(KINDS), p=[often for often, _ in KINDS.values()]))


def room(rng: Generator, kind: str, count: int, rate_hz: int) -> Samples:
    """*count* samples of a room; RMS 1."""
    tone = _steady(rng, KINDS[kind][1] + rng.uniform(-1.5, 1.5), count, rate_hz)
    if kind in ("hum", "fan"):
        turning = _harmonics(rng, kind, count, rate_hz)
        tone = tone * rng.uniform(0.3, 1) + turning * rng.uniform(0.2, 1)
    if kind == "rain":
        drops = crackle(rng, count, rate_hz)
        tone = tone * 0.5 + drops / rms(drops) * rng.uniform(0.1, 1)
    if rng.random() < 0.3:  # it comes and goes
        tone = tone * gain_of(wandering(rng, count, -3, 3, 8))
    return (tone / rms(tone)).astype(np.float32)


def _steady(rng: Generator, tilt_db: float, count: int, rate_hz: int) -> Samples:
    """Tilted noise with three broad humps or dips."""
    centres, widths = rng.uniform(100, 5000, 3), rng.uniform(0.2, 0.8, 3)
    gains = gain_of(rng.uniform(-10, 8, 3)) - 1

    def response(f: Samples) -> Samples:
        f = np.maximum(f, 20)
        humps = zip(gains, centres, widths, strict=True)
        shape = 1 + sum(g * np.exp(-0.5 * (np.log(f / c) / w) ** 2) for g, c, w in humps)
        return np.asarray((f / 200) ** (tilt_db / 6.02) * shape, np.float32)

    tone = coloured(rng, count, rate_hz, response)
    return tone / np.float32(rms(tone))


def _harmonics(rng: Generator, kind: str, count: int, rate_hz: int) -> Samples:
    """Mains hum, or the tones of something that turns."""
    first_hz = rng.choice([50, 60, 100, 120]) if kind == "hum" else rng.uniform(40, 400)
    times = np.arange(count, dtype=np.float32) / rate_hz
    tone = np.zeros(count, np.float32)
    for n in range(1, 13):
        if n * first_hz < 0.45 * rate_hz:
            phase = np.float32(2 * np.pi * first_hz * n) * times + np.float32(rng.uniform(0, 6))
            tone += np.sin(phase) * gain_of(rng.uniform(-30, 0) - 2 * (n - 1))
    return tone / np.float32(rms(tone))

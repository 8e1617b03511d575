"""Takes with clicks laid into them, and what listening finds; for the tests of clicks and clipping.

Conventions: as in `signals`; a sound is laid at a sample, so where it begins is known.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from fairtake.sound.levels import Blemish
from fairtake.units import gain
from signals import RATE_HZ, levels_of, room_tone

sys.path.insert(0, str(Path(__file__).parents[1] / "samples"))

import scene


def blemishes(samples: np.ndarray, rate: int = RATE_HZ) -> tuple[Blemish, ...]:
    return levels_of(samples, rate).blemishes


def clicks(samples: np.ndarray, rate: int = RATE_HZ) -> list[Blemish]:
    return [b for b in blemishes(samples, rate) if b.kind == "click"]


def mended(samples: np.ndarray, found: Iterable[Blemish]) -> np.ndarray:
    """*samples* with what was found replaced."""
    out = samples.copy().reshape(len(samples), -1)
    for b in found:
        out[b.start : b.start + len(b.rebuilt)] = b.rebuilt
    return out.reshape(samples.shape)


def mouth_click(peak_dbfs: float, seed: int = 1) -> np.ndarray:
    """A click of the mouth of 1 to 3 ms."""
    return scene.click(np.random.default_rng(seed), peak_dbfs)


def with_sound(bed: np.ndarray, sound: np.ndarray, at: int) -> np.ndarray:
    out = bed.copy()
    out[at : at + len(sound)] += sound
    return out


def spoken(text: str, voice: str, words_per_minute: int) -> np.ndarray:
    """The synthesiser's voice at half of full scale, half a second of nothing around it."""
    said = 0.5 * scene.speak(text, scene.Voice(voice, 45, words_per_minute))
    return np.concatenate([np.zeros(24_000), said, np.zeros(24_000)])


def voiced(seconds: float = 2.0, hz: float = 120.0, dbfs: float = -20.0) -> np.ndarray:
    """A steady vowel: harmonics under two formants, over a quiet room."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    wave = np.zeros(len(t))
    for k in range(1, 30):
        shape = sum(1 / (1 + ((k * hz - f) / (0.15 * f)) ** 2) for f in (550, 1500))
        wave += (shape + 0.05) / k**0.5 * np.sin(2 * np.pi * k * hz * t + 0.7 * k**2)
    return wave / np.sqrt(np.mean(wave**2)) * gain(dbfs) + room_tone(seconds, -70.0)


BEDS = {"room": room_tone(2.0, -62.0), "quiet room": room_tone(2.0, -80.0),
        "loud room": room_tone(2.0, -45.0), "voice": voiced(), "zeros": np.zeros(2 * RATE_HZ)}  # fmt: skip

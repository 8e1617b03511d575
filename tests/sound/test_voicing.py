"""fairtake.sound.voicing: whether the voice's cords swing."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from fairtake.sound.voicing import periodicity
from signals import RATE_HZ, levels_of, noise, room_tone, tone

#: What lies over this swings, by the tests below; the ear weighs it with all else it is told.
SWINGS = 0.55


def swinging(samples: np.ndarray) -> np.ndarray:
    """Which frames of 5 ms swing."""
    levels = levels_of(samples)
    return periodicity(levels.heard_low, levels.rows // 5, 5) > SWINGS


def pulses(hz: float, seconds: float = 1.0) -> np.ndarray:
    """A train of glottal pulses through one formant."""
    n = np.arange(round(seconds * RATE_HZ))
    train = np.diff(np.floor(n * hz / RATE_HZ), prepend=0.0)
    return signal.lfilter([1], [1, -1.9 * np.cos(2 * np.pi * 500 / RATE_HZ), 0.9], train) * 0.05


@pytest.mark.parametrize("hz", [75, 110, 160, 220, 300])
def test_voices_are_voiced(hz: float):
    """Pulse trains from the lowest to a high voice are voiced all through."""
    assert swinging(pulses(hz))[5:-15].mean() > 0.95


@pytest.mark.parametrize("sound", [noise(2, -30.0), room_tone(2, -50.0), np.zeros(2 * RATE_HZ)])
def test_noise_is_not(sound: np.ndarray):
    """White noise, room tone and silence are not voiced."""
    assert swinging(sound).mean() < 0.05


def test_rumble_is_not():
    """A slow swing under the voice is not taken for it."""
    assert swinging(tone(2, -20.0, 20.0)).mean() < 0.05

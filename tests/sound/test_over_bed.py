"""fairtake.sound.over_bed: distances by plain arithmetic."""

from __future__ import annotations

import numpy as np
import pytest

from fairtake.sound.over_bed import over_bed_lu

ROWS = 20_000


def test_a_constant_distance_is_told_exactly():
    """10 and 0.1 are 20 dB apart; what lies under no speech does not count."""
    voice, bed = np.full(ROWS, 10.0, np.float32), np.full(ROWS, 0.1, np.float32)
    spoken = np.zeros(ROWS, bool)
    spoken[5000:15_000] = True
    bed[:5000] = 100.0
    assert over_bed_lu(voice, bed, spoken) == pytest.approx((20.0, 20.0), abs=1e-4)


def test_the_least_is_that_of_the_nearest_three_seconds():
    """A bed 10 dB louder for 3 s lies 10 dB nearer there."""
    voice, bed = np.full(ROWS, 1.0, np.float32), np.full(ROWS, 0.01, np.float32)
    bed[6000:9000] = 0.1
    whole, least = over_bed_lu(voice, bed, np.ones(ROWS, bool))
    assert least == pytest.approx(10.0, abs=1e-4)
    assert whole == pytest.approx(-10 * np.log10(0.01 * 17 / 20 + 0.1 * 3 / 20), abs=1e-4)


def test_where_nothing_lies_under_speech_nothing_is_told():
    """No bed, or no speech: no distance."""
    ones, zeros = np.ones(ROWS, np.float32), np.zeros(ROWS, np.float32)
    assert over_bed_lu(ones, zeros, np.ones(ROWS, bool)) == (None, None)
    assert over_bed_lu(ones, ones, np.zeros(ROWS, bool)) == (None, None)


def test_short_speech_is_told_whole():
    """Less than the least that a window has to hold: the whole stands for it."""
    spoken = np.zeros(ROWS, bool)
    spoken[100:400] = True
    ones = np.ones(ROWS, np.float32)
    assert over_bed_lu(ones, ones / 4, spoken) == pytest.approx((6.02, 6.02), abs=0.01)

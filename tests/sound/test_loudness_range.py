"""fairtake.sound.loudness_range against EBU Tech 3342 and libebur128."""

from __future__ import annotations

import numpy as np
import pytest

from fairtake.sound.loudness_range import loudness_range_lu
from signals import EBU_RANGE, levels_of, libebur128_range_lu, noise, stereo, table, tones


@pytest.mark.parametrize("case", EBU_RANGE)
def test_published_cases(case):
    """Loudness range of steps of level. EBU Tech 3342, cases 1 to 4, ±1 LU."""
    steps, expected = EBU_RANGE[case]
    found = loudness_range_lu(levels_of(stereo(tones([(20, dbfs) for dbfs in steps]))).k_power)
    assert found == pytest.approx(expected, abs=1.0)


def test_like_libebur128():
    """Noise that swells by 20 dB reads as in libebur128 1.2.6, within 0.1 LU."""
    x = noise(70, -20.0, rate=16_000)
    x *= 10 ** (-np.linspace(0, 1, len(x)))
    found = loudness_range_lu(levels_of(x, 16_000).k_power)
    assert found == pytest.approx(libebur128_range_lu(x, 16_000), abs=0.1)


def test_constant_level_has_no_range():
    """A level that never changes has a range of 0. By algebra."""
    assert loudness_range_lu(table([-20.0] * 10_000).k_power) == pytest.approx(0.0, abs=1e-3)


def test_short_or_silent():
    """Less than one window, or nothing over the gate, gives None."""
    assert loudness_range_lu(table([-20.0] * 2999).k_power) is None
    assert loudness_range_lu(table([-90.0] * 9000).k_power) is None

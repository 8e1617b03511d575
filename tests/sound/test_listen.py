"""fairtake.sound.listen: one pass over a take."""

from __future__ import annotations

import numpy as np
import pytest

from fairtake.errors import NotFinite
from fairtake.sound.listen import listen
from signals import ArraySource, heard, noise, stereo, tone


def test_power_of_a_sine():
    """A sine's mean square lies 3.0103 dB under its peak, in every row of whole periods."""
    levels = heard(tone(1, -20.0)).levels
    assert levels.power == pytest.approx(0.005, rel=1e-4)
    assert levels.peak.max() == pytest.approx(0.1, rel=1e-4)


@pytest.mark.parametrize("rate", [16_000, 44_100, 192_000])
def test_energy_is_kept(rate):
    """The rows' energies add up to the take's, at rates whose rows are not alike. By algebra."""
    x = noise(2.345, -20.0, rate=rate)
    assert heard(x, rate).levels.heard_energy.sum(dtype=float) == pytest.approx(
        np.sum(x**2), rel=1e-5
    )


def test_channels_sum_for_loudness_and_average_for_level():
    """K-weighted power is summed over channels (ITU-R BS.1770-5), plain power averaged."""
    x = noise(1, -20.0)
    mono, both = heard(x).levels, heard(stereo(x)).levels
    np.testing.assert_allclose(both.heard_k_energy, 2 * mono.heard_k_energy, rtol=1e-5)
    np.testing.assert_allclose(both.heard_energy, mono.heard_energy, rtol=1e-5)
    np.testing.assert_allclose(both.heard_low, mono.heard_low, atol=1e-7)


def test_dc():
    """A constant is found as DC, with its size and on whichever side it is."""
    x = np.stack([np.zeros(48_000), np.full(48_000, -0.02)], axis=1)
    assert heard(x).dc == pytest.approx(0.02)


def test_low_is_the_average():
    """`low` follows what is slow: a constant comes through as it is."""
    assert heard(np.full(4800, 0.25)).levels.heard_low == pytest.approx(0.25)


def test_blocks_leave_no_seam():
    """K-weighting and differences run on from one block to the next: a long tone is even."""
    levels = heard(tone(7, -20.0)).levels
    steady = slice(1000, None)
    assert np.ptp(levels.heard_k_energy[steady]) < 1e-4 * levels.heard_k_energy[steady].mean()
    assert np.ptp(levels.heard_high_energy[steady]) < 1e-4 * levels.heard_high_energy[steady].mean()


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_not_finite(bad):
    """A sample that is no number stops the take, and the message says where it is."""
    x = np.zeros((6 * 48_000, 2))
    x[5 * 48_000, 1] = bad
    with pytest.raises(NotFinite, match=r"0:05\.0"):
        heard(x)


def test_far_beyond_full_scale():
    """Garbage read as floats is refused, also where it adds up to nothing."""
    with pytest.raises(NotFinite, match="beyond full scale"):
        heard(np.resize([1e25, -1e25], 48_000))


def test_hot_float_take_is_heard():
    """A float take over full scale is no garbage: its peak is reported as it is."""
    assert heard(tone(1, 12.0)).sample_peak == pytest.approx(10 ** (12 / 20), rel=1e-3)


def test_nothing():
    """A source without samples gives an empty table and no peak."""
    nothing = heard(np.zeros(0))
    assert nothing.levels.rows == 0
    assert nothing.true_peak == nothing.sample_peak == nothing.dc == 0.0


def test_progress_reaches_the_end():
    """Progress rises and ends at 1."""
    said: list[float] = []
    listen(ArraySource(np.zeros(5 * 48_000)), said.append)
    assert said == sorted(said)
    assert said[-1] == 1.0

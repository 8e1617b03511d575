"""fairtake.sound.clipping: clipped runs counted, short ones rebuilt, smooth tops left."""

from __future__ import annotations

import numpy as np
import pytest

from blemished import blemishes, mended
from fairtake.units import gain
from signals import levels_of, speech_like, tone


@pytest.mark.parametrize("later_db", [0.0, -9.0])
@pytest.mark.parametrize("over_db", [0.5, 1.5])
@pytest.mark.parametrize("hz", [440.0, 997.0, 2000.0])
def test_a_clipped_sine_is_rebuilt(hz, over_db, later_db):
    """Every top is counted; what is rebuilt is at least 10 dB nearer to the sine it was."""
    true = tone(2.0, over_db, hz) * gain(later_db)
    x = np.clip(true, -gain(later_db), gain(later_db))
    levels = levels_of(x)
    assert levels.clipped_runs == pytest.approx(2 * hz * (2.0 - 0.11), abs=3)
    assert len(levels.blemishes) >= 40
    y = mended(x, levels.blemishes)
    touched = np.flatnonzero(y != x)
    assert np.sum((y - true)[touched] ** 2) < 0.1 * np.sum((x - true)[touched] ** 2)
    assert np.abs(y).max() <= np.abs(true).max() * 1.05


def test_clipped_speech_comes_nearer():
    """Speech that ran into full scale now and then: what is rebuilt is 20 dB nearer. Measured."""
    true = speech_like(4, -65.0).samples
    true /= np.quantile(np.abs(true), 0.9995)
    x = np.clip(true, -1, 1)
    levels = levels_of(x)
    assert levels.clipped_runs > 10
    y = mended(x, levels.blemishes)
    touched = y != x
    assert np.sum((y - true)[touched] ** 2) < 0.01 * np.sum((x - true)[touched] ** 2)
    assert np.all(np.abs(y[touched]) >= 1 - 1e-3)


def test_long_runs_are_counted_and_left():
    """A run of over a millisecond is beyond rebuilding."""
    x = np.clip(tone(2.0, 6.0, 100.0), -1, 1)
    levels = levels_of(x)
    assert levels.clipped_runs > 300
    assert levels.blemishes == ()


@pytest.mark.parametrize("hz", [20.0, 60.0, 100.0, 150.0, 400.0])
@pytest.mark.parametrize("bits", [16, 24])
def test_the_top_of_a_slow_wave_is_not_clipped(hz, bits):
    """A slow sine is flat at its top for many samples, but has no corners there. By algebra."""
    steps = 2 ** (bits - 1)
    x = np.round(tone(3.0, -6.0, hz) * steps) / steps
    assert levels_of(x).clipped_runs == 0


def test_clipping_on_both_sides_of_a_stereo_take():
    """Runs that overlap between the sides become one blemish; each side is rebuilt for itself."""
    left, right = tone(2.0, 1.0, 1000.0), tone(2.0, -6.0, 1300.0)
    x = np.stack([np.clip(left, -1, 1), right], axis=1)
    found = [b for b in blemishes(x) if b.kind == "clipped"]
    assert found
    y = mended(x, found)
    np.testing.assert_array_equal(y[:, 1], x[:, 1])
    assert np.abs(y[:, 0]).max() > 1.05

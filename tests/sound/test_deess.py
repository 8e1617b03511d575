"""fairtake.sound.stages.deess: harsh sibilants in their own band."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from fairtake.sound.stages.deess import DeessSettings, deess, harsh_db
from fairtake.units import gain
from signals import RATE_HZ, levels_of, speech_like


def hissing_take(dbfs: float):
    """Speech with a long s in the middle of its second phrase, of an RMS level; where it lies."""
    take = speech_like(2, -65.0, seed=5)
    samples = take.samples.copy()
    begin = round(take.spans_s[1][1] * RATE_HZ)
    sos = signal.butter(4, [5500, 8500], "bandpass", fs=RATE_HZ, output="sos")
    hiss = signal.sosfilt(sos, np.random.default_rng(1).standard_normal(round(0.15 * RATE_HZ)))
    hiss *= float(gain(dbfs)) / np.sqrt(np.mean(hiss**2))
    samples[begin : begin + len(hiss)] += hiss
    return samples, slice(begin * 1000 // RATE_HZ + 30, (begin + len(hiss)) * 1000 // RATE_HZ - 30)


def test_a_harsh_sibilant_is_lowered_in_its_band():
    """An s 8 dB louder than the speech is lowered by the range, above the corner only."""
    samples, rows = hissing_take(-12.0)
    work = deess(levels_of(samples), DeessSettings(range_db=6))
    (band,) = work.bands
    assert (band.side, band.corner_hz) == ("high", 4500)
    np.testing.assert_allclose(band.gain_db[rows], -6, atol=0.2)
    assert work.gain_db is None


def test_a_soft_sibilant_is_left_alone():
    """Off unless the take needs it: an s under the threshold changes nothing."""
    samples, rows = hissing_take(-36.0)
    work = deess(levels_of(samples), DeessSettings())
    assert not work.bands or not work.bands[0].gain_db[rows].any()


@pytest.mark.parametrize(("level", "expected"), [(-30, 0), (-22, 0), (-20, 2), (-17, 5), (-10, 6)])
def test_curve_exact(level: float, expected: float):
    """What stands over the threshold is lowered, up to the range. By algebra."""
    settings = DeessSettings(threshold_db=-2, range_db=6)
    assert harsh_db(np.array([float(level)]), -20.0, settings)[0] == pytest.approx(expected)


def test_nothing_to_do_without_speech():
    """Silence gives no band and a note all the same."""
    work = deess(levels_of(np.zeros(RATE_HZ)), DeessSettings())
    assert work.bands == ()
    assert work.note["greatest_db"] == 0.0

"""fairtake.sound.stages.normalise: the level and the make-up gain."""

from __future__ import annotations

import numpy as np
import pytest

from fairtake.sound.stages.normalise import NormaliseSettings, level_of, normalise
from signals import levels_of, noise, stereo, table, tone


def test_level_by_rms_and_by_loudness():
    """A 997 Hz sine in one channel: loudness equals RMS, -23.01 at a peak of -20. BS.1770-5."""
    levels = levels_of(tone(5, -20.0, 997))
    assert level_of(levels, "rms") == pytest.approx(-23.0103, abs=0.001)
    assert level_of(levels, "loudness") == pytest.approx(-23.0103, abs=0.005)


@pytest.mark.parametrize("by", ["loudness", "rms"])
@pytest.mark.parametrize("target", [-14.0, -23.0])
def test_gain_meets_the_target(by, target):
    """With its gain the take stands at the target."""
    levels = levels_of(noise(3, -35.0))
    gained = levels.with_gain(normalise(levels, NormaliseSettings(by=by, target=target)).gain_db)
    assert level_of(gained, by) == pytest.approx(target, abs=0.001)


def test_mono_target():
    """A mono file may have its own target; stereo keeps the other."""
    settings = NormaliseSettings(target=-16.0, mono_target=-19.0)
    x = noise(3, -30.0)
    for samples, target in ((x, -19.0), (stereo(x), -16.0)):
        levels = levels_of(samples)
        gained = levels.with_gain(normalise(levels, settings).gain_db)
        assert level_of(gained, "loudness") == pytest.approx(target, abs=0.001)
    assert NormaliseSettings(target=-16.0).target_for(1) == -16.0


@pytest.mark.parametrize("by", ["loudness", "rms"])
def test_silence_gets_no_gain(by):
    """Silence has no level and is not blown up."""
    silence = table([-200.0] * 1000).with_gain(-200.0)
    levels = levels_of(np.zeros(48_000))
    assert level_of(levels, by) is None
    assert not normalise(levels, NormaliseSettings(by=by)).gain_db.any()
    assert level_of(silence.cut([]), by) is None

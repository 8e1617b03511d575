"""fairtake.sound.treated: a source repaired and filtered, whichever way it is read."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from fairtake.sound.levels import Blemish
from fairtake.sound.stage import Sections
from fairtake.sound.treated import Treated
from signals import ArraySource, noise, stereo

RATE_HZ = 16_000


def high_pass(hz: float = 60.0) -> Sections:
    return signal.butter(4, hz, "highpass", fs=RATE_HZ, output="sos")


def source(seconds: float = 7.3) -> ArraySource:
    return ArraySource(stereo(noise(seconds, -20.0, rate=RATE_HZ)), RATE_HZ)


def blemish(start: int, length: int = 5) -> Blemish:
    return Blemish("click", start, np.full((length, 2), 0.5), 20.0)


def whole(treated: Treated, start: int = 0, stop: int | None = None) -> np.ndarray:
    return np.concatenate(list(treated.blocks(start, stop)))


def test_nothing_to_do():
    """Without repairs and filters the samples are those of the source."""
    take = source()
    treated = Treated(take, (), ())
    assert (treated.frames, treated.channels, treated.sample_rate_hz) == (take.frames, 2, RATE_HZ)
    np.testing.assert_array_equal(whole(treated), take.samples)
    np.testing.assert_array_equal(treated.read(1000, 1100), take.samples[1000:1100])


def test_block_borders_are_not_heard():
    """Block by block the filter gives what it gives over the whole take at once. By algebra."""
    take = source()
    sections = high_pass()
    still = signal.sosfilt_zi(sections)[:, None, :] * take.samples[:1600].mean(axis=0)[:, None]
    expected, _ = signal.sosfilt(sections, take.samples.T, axis=1, zi=still)
    np.testing.assert_allclose(whole(Treated(take, (), (sections,))), expected.T, atol=1e-12)


def test_filters_follow_each_other():
    """Two filters are one filter after the other."""
    take = source(3.0)
    both = Treated(take, (), (high_pass(60), high_pass(90)))
    joined = Treated(take, (), (np.concatenate([high_pass(60), high_pass(90)]),))
    np.testing.assert_array_equal(whole(both), whole(joined))


@pytest.mark.parametrize("start", [0, 1, 5000, 16_000, 40_001, 100_000])
def test_a_stretch_is_the_same_however_it_is_read(start):
    """Begun anywhere, the filter has settled a second before: -100 dB of the whole pass, or better."""
    treated = Treated(source(), (), (high_pass(),))
    stop = start + 3000
    expected = whole(treated)[start:stop]
    np.testing.assert_allclose(treated.read(start, stop), expected, atol=1e-6)
    np.testing.assert_allclose(whole(treated, start, stop), expected, atol=1e-6)


def test_dc_makes_no_thump():
    """A take that is off zero from its first sample begins at zero."""
    take = ArraySource(np.full(3 * RATE_HZ, 0.25), RATE_HZ)
    assert np.abs(whole(Treated(take, (), (high_pass(),)))).max() < 1e-9


@pytest.mark.parametrize("start", [0, 31_998, 32_000, 116_797])
def test_a_repair_is_laid_in_to_the_sample(start):
    """Inside a block, across two of them and at both ends; nothing else changes."""
    take = source()
    treated = Treated(take, [blemish(start, 3)], ())
    expected = take.samples.copy()
    expected[start : start + 3] = 0.5
    np.testing.assert_array_equal(whole(treated), expected)
    near = slice(max(start - 10, 0), min(start + 2, take.frames))
    np.testing.assert_array_equal(treated.read(near.start, near.stop), expected[near])
    assert not np.array_equal(take.samples, expected)  # the source itself is left alone


def test_repairs_come_before_filters():
    """A click that was repaired does not ring in the filter."""
    clean = source(3.0)
    clicked = ArraySource(clean.samples.copy(), RATE_HZ)
    clicked.samples[20_000:20_005] = 0.9
    mended = Blemish("click", 20_000, clean.samples[20_000:20_005].copy(), 30.0)
    np.testing.assert_array_equal(
        whole(Treated(clicked, [mended], (high_pass(),))), whole(Treated(clean, (), (high_pass(),)))
    )


def test_an_empty_source():
    """Nothing in, nothing out."""
    treated = Treated(ArraySource(np.zeros((0, 1)), RATE_HZ), (), (high_pass(),))
    assert list(treated.blocks()) == []
    assert Treated(source(1.0), (), (high_pass(),)).read(0, 0).shape == (0, 2)

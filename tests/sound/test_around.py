"""fairtake.sound.around against scipy.ndimage."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from fairtake.sound import around
from fairtake.sound.around import mean_around, percentile_around

SIZES = [1, 2, 10, 81, 201]


def values(count: int) -> np.ndarray:
    return np.random.default_rng(count).standard_normal(count)


@pytest.mark.parametrize("count", [1, 3, 500])
@pytest.mark.parametrize("size", SIZES)
def test_mean_is_scipys(count, size):
    """`scipy.ndimage.uniform_filter1d`, its ends held."""
    theirs = ndimage.uniform_filter1d(values(count), size, mode="nearest")
    np.testing.assert_allclose(mean_around(values(count), size), theirs, atol=1e-12)


@pytest.mark.parametrize("count", [1, 3, 500])
@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("percent", [0, 5, 50, 90, 100])
def test_percentile_is_scipys(percent, size, count):
    """`scipy.ndimage.percentile_filter`, also where the window is far longer than the values."""
    expected = ndimage.percentile_filter(values(count), percent, size=size, mode="nearest")
    np.testing.assert_array_equal(percentile_around(values(count), percent, size), expected)


def test_some_places_only(monkeypatch):
    """The values of some places are those of all, however many windows are looked at together."""
    monkeypatch.setattr(around, "_AT_ONCE", 7)
    found, places = values(300), np.arange(3, 300, 11)
    every = percentile_around(found, 50, 41)
    np.testing.assert_array_equal(percentile_around(found, 50, 41, places=places), every[places])
    assert not len(percentile_around(found, 50, 41, places=places[:0]))

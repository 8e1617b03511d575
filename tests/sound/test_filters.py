"""fairtake.sound.filters against scipy.signal, which designs and runs the same filters in its own way."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyloudnorm.iirfilter import IIRfilter
from scipy import signal

from fairtake.sound.filters import averaged, both_ways, butterworth, notch, response, run, settled
from fairtake.sound.loudness import k_weighting
from signals import noise

RATES = (8_000, 44_100, 48_000, 192_000)


def together(sections: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """All sections as one filter: what is compared does not depend on their order."""
    b, a = np.ones(1), np.ones(1)
    for section in sections:
        b, a = np.convolve(b, section[:3]), np.convolve(a, section[3:])
    return b, a


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("side", ["low", "high"])
@pytest.mark.parametrize(("order", "hz"), [(2, 150.0), (4, 40.0), (4, 3_000.0), (6, 500.0)])
def test_butterworth_is_scipys(order, hz, side, rate):
    """The same filter as `scipy.signal.butter` makes."""
    theirs = signal.butter(order, hz, f"{side}pass", fs=rate, output="sos")
    for mine, other in zip(
        together(butterworth(order, hz, side, rate)), together(theirs), strict=True
    ):
        np.testing.assert_allclose(mine, other, rtol=1e-7, atol=1e-13)


@pytest.mark.parametrize("order", [2, 4])
def test_butterworth_at_its_corner(order):
    """-3.01 dB at the corner and |H|^2 = 1 / (1 + (fc / f)^2n) beside it, on the bilinear scale. By algebra."""
    rate, corner = 48_000, 80.0
    hz = np.array([20.0, 40.0, 80.0, 160.0])
    scale = np.tan(np.pi * corner / rate) / np.tan(np.pi * hz / rate)
    found = np.abs(response(butterworth(order, corner, "high", rate), hz, rate)) ** 2
    np.testing.assert_allclose(found, 1 / (1 + scale ** (2 * order)), rtol=1e-6)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize(("hz", "narrowness"), [(50.0, 25.0), (450.0, 70.0)])
def test_notch_is_scipys(hz, narrowness, rate):
    """The same filter as `scipy.signal.iirnotch` makes."""
    theirs = np.concatenate(signal.iirnotch(hz, narrowness, fs=rate))
    np.testing.assert_allclose(notch(hz, narrowness, rate)[0], theirs, rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize("rate", RATES)
def test_k_weighting_is_pyloudnorms(rate):
    """At any rate the pair of filters that pyloudnorm has from the same published parameters."""
    shelf = IIRfilter(
        3.99984385397, 0.7071752369554193, 1681.9744509555319, rate, "high_shelf_DeMan"
    )
    highpass = IIRfilter(0.0, 0.5003270373253953, 38.13547087613982, rate, "high_pass_DeMan")
    theirs = [np.concatenate([f.b, f.a]) for f in (shelf, highpass)]
    np.testing.assert_allclose(k_weighting(rate), theirs, rtol=1e-12)


def test_response_is_scipys():
    sections = np.concatenate([butterworth(4, 70, "high", 44_100), notch(50, 25, 44_100)])
    hz = np.array([10.0, 50.0, 70.0, 1_000.0, 20_000.0])
    _, theirs = signal.sosfreqz(sections, hz, fs=44_100)
    np.testing.assert_allclose(response(sections, hz, 44_100), theirs, rtol=1e-9, atol=1e-10)


@pytest.mark.parametrize("channels", [1, 2, 5])
def test_running_is_scipys(channels):
    """Samples and state, from a state that is not zero. `scipy.signal.sosfilt`."""
    sections = np.concatenate([butterworth(4, 70, "high", 48_000), notch(50, 25, 48_000)])
    samples = np.stack([noise(0.2, -20, seed=n) for n in range(channels)], axis=1)
    state = np.random.default_rng(1).standard_normal((channels, len(sections), 2)) * 0.1
    before = state.copy()
    mine, after = run(sections, samples, state)
    theirs, end = signal.sosfilt(sections, samples, axis=0, zi=state.transpose(1, 2, 0))
    np.testing.assert_allclose(mine, theirs, atol=1e-12)
    np.testing.assert_allclose(after, end.transpose(2, 0, 1), atol=1e-12)
    np.testing.assert_array_equal(state, before)


@given(st.integers(0, 4_000), st.integers(0, 4_000))
def test_blocks_are_not_heard(first, second):
    """A stream in pieces is the stream as one. By the definition of a state."""
    samples = noise(0.25, -20)
    sections = k_weighting(48_000)
    whole, _ = run(sections, samples)
    state, parts = None, []
    for part in np.split(samples, sorted((first, second))):
        made, state = run(sections, part, state)
        parts.append(made)
    np.testing.assert_allclose(np.concatenate(parts), whole, atol=1e-14)


def test_settled_on_a_level():
    """After long stillness a filter gives its gain for DC at once. By algebra."""
    sections = np.concatenate(
        [butterworth(4, 500, "low", 48_000), butterworth(2, 90, "high", 48_000)]
    )
    low, state = run(sections[:2], np.full(500, 0.3), settled(sections[:2], 0.3))
    np.testing.assert_allclose(low, 0.3, rtol=1e-12)
    levels = np.array([0.3, -0.1])
    both, _ = run(sections, np.tile(levels, (500, 1)), settled(sections, levels))
    np.testing.assert_allclose(both, 0.0, atol=1e-10)
    np.testing.assert_allclose(state, settled(sections[:2], 0.3), rtol=1e-9)


@pytest.mark.parametrize("size", [3, 50, 4_000])
@pytest.mark.parametrize("channels", [None, 2])
def test_both_ways_is_scipys(size, channels):
    """`scipy.signal.sosfiltfilt` with the same odd ends."""
    shape = size if channels is None else (size, channels)
    samples = np.random.default_rng(2).standard_normal(shape)
    sections = butterworth(2, 150, "low", 48_000)
    reach = min(100, size - 1)
    theirs = signal.sosfiltfilt(sections, samples, axis=0, padlen=reach)
    np.testing.assert_allclose(both_ways(sections, samples, 100), theirs, atol=1e-9)


@pytest.mark.parametrize(("size", "width"), [(50, 50), (63, 62), (5_000, 401), (20_000, 63)])
def test_averaged_is_numpys(size, width):
    """A direct convolution. `numpy.convolve`."""
    rng = np.random.default_rng(3)
    values, weights = rng.standard_normal(size), rng.random(width)
    direct = np.convolve(values, weights, "valid")
    np.testing.assert_allclose(averaged(values, weights), direct, atol=1e-9)

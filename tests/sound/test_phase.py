"""fairtake.sound.phase and its stage: a take turned in phase, its spectrum left as it is."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from fairtake.sound.phase import NO_PHASE, Phase, kernel, turned
from fairtake.sound.stages.phase import ANGLES_DEG, PhaseSettings, turned_peaks
from signals import noise, tone

RATE = 48_000
ANGLES = st.sampled_from(ANGLES_DEG)


def blocks(x: np.ndarray, size: int = 2 * RATE) -> Iterator[np.ndarray]:
    return (x[at : at + size] for at in range(0, len(x), size))


def all_of(x: np.ndarray, phase: Phase, rate: int = RATE) -> np.ndarray:
    return np.concatenate(list(turned(blocks(x, 2 * rate), phase, rate)))


@pytest.mark.parametrize("rate", [16_000, 22_050, 44_100, 48_000, 96_000])
@pytest.mark.parametrize("all_passes", [0, 8, 12])
@pytest.mark.parametrize("angle", [-75.0, 15.0, 90.0])
def test_no_frequency_gets_louder_or_softer(rate: int, angle: float, all_passes: int):
    """The filter's gain is 1, to 0.05 dB from 20 Hz to nine tenths of half the rate. By definition."""
    answer = np.abs(np.fft.rfft(kernel(Phase(angle, all_passes), rate), 1 << 17))
    hz = np.fft.rfftfreq(1 << 17, 1 / rate)
    heard = (hz > 20) & (hz < 0.45 * rate)
    assert np.abs(20 * np.log10(answer[heard])).max() < 0.05


@pytest.mark.parametrize("angle", ANGLES_DEG)
def test_a_tone_is_turned_by_the_angle(angle: float):
    """cos(wt) becomes cos(wt - angle): cos θ · x + sin θ · Hilbert(x). By algebra; scipy.signal.hilbert."""
    x = noise(3, -20.0, seed=5)
    x = signal.sosfiltfilt(signal.butter(6, [150, 15_000], "bandpass", fs=RATE, output="sos"), x)
    radians = np.radians(angle)
    expected = np.cos(radians) * x + np.sin(radians) * np.imag(signal.hilbert(x))
    found = all_of(x[:, None], Phase(angle))[:, 0]
    inner = slice(RATE // 2, -RATE // 2)
    assert np.abs(found - expected)[inner].max() < 2e-3 * np.abs(x).max()


@pytest.mark.parametrize("hz", [200.0, 550.0, 3000.0])
def test_all_passes_turn_as_they_should(hz: float):
    """Each turns by 2·atan(f / 550 Hz), first-order all-pass. Oppenheim and Schafer 2010, 5.5."""
    n = np.arange(2 * RATE)
    found = all_of(np.cos(2 * np.pi * hz * n / RATE)[:, None], Phase(0.0, 8))[:, 0]
    expected = np.cos(2 * np.pi * hz * n / RATE - 16 * np.arctan(hz / 550))
    assert np.abs(found - expected)[RATE // 2 : -RATE // 2].max() < 2e-3


@settings(max_examples=20, deadline=None)
@given(st.lists(st.integers(1, 9000), min_size=1, max_size=6), ANGLES, st.sampled_from([0, 8]))
def test_blocks_of_any_size_give_the_same(sizes: list[int], angle: float, all_passes: int):
    """How a stream is cut changes nothing, nor is a sample lost, where blocks are as long as the kernel reaches."""
    reach = len(kernel(Phase(90.0), RATE)) // 2
    sizes = [size + reach for size in sizes]
    x = noise(sum(sizes) / RATE + 0.01, -20.0)[: sum(sizes), None]
    parts = np.split(x, np.cumsum(sizes)[:-1])
    found = np.concatenate(list(turned(iter(parts), Phase(angle, all_passes), RATE)))
    whole = np.concatenate(list(turned(iter([x]), Phase(angle, all_passes), RATE)))
    np.testing.assert_allclose(found, whole, atol=1e-9)


def test_both_sides_are_turned_alike():
    """What stands in the middle stays there, to the last bit."""
    x = np.repeat(noise(2, -20.0)[:, None], 2, axis=1)
    found = all_of(x, Phase(45.0, 8))
    np.testing.assert_array_equal(found[:, 0], found[:, 1])


def test_nothing_to_turn_is_nothing_done():
    """Without an angle the blocks go through as they are."""
    x = noise(1, -20.0)[:, None]
    assert all(a is b for a, b in zip(turned(iter([x]), NO_PHASE, RATE), [x], strict=True))


def lopsided(seconds: float) -> np.ndarray:
    """Twelve partials of 120 Hz in phase: pulses far over their level, that a quarter turn spreads."""
    return np.sum([tone(seconds, -26.0, 120.0 * k, RATE) for k in range(1, 13)], axis=0)


def test_peaks_at_each_angle_are_those_of_the_turned_take():
    """What is foreseen for an angle is what turning the take by it gives, row by row."""
    x = lopsided(4.0)[:, None]
    least = np.full(4000, 0.05, np.float32)
    told = turned_peaks(blocks(x), 0, RATE, least)
    for n in (0, 5, 8):
        rows = np.abs(all_of(x, Phase(ANGLES_DEG[n]))).reshape(-1, 48).max(axis=1)
        assert np.median(np.abs(told.peaks[100:-100, n] - rows[told.rows][100:-100])) < 1e-4
    crests = told.peaks[500:-500].max(axis=0)
    assert crests.min() < 0.8 * crests.max()  # there is something to be won here


def test_rows_that_never_matter_are_not_told():
    """Where a take stays far under where the limiter begins nothing is looked at."""
    x = noise(4, -60.0)[:, None]
    assert len(turned_peaks(blocks(x), 0, RATE, np.ones(4000, np.float32)).rows) == 0


@pytest.mark.parametrize(("most", "tried"), [(0, (0,)), (7, (0,)), (8, (0, 8)), (12, (0, 8, 12))])
def test_no_more_all_passes_than_allowed(most: int, tried: tuple[int, ...]):
    """The fewest come first, and none beyond the profile's."""
    assert PhaseSettings(most_all_passes=most).tried == tried

"""fairtake.sound.ear.bands: what the ear takes from the samples."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fairtake.sound.ear.bands import BANDS, BandMeter, band_edges_hz, band_powers, frames_of
from signals import noise, room_tone, tone

RATES = (16_000, 22_050, 44_100, 48_000, 96_000)


@pytest.mark.parametrize("rate", RATES)
def test_bands_are_as_wide_in_mel_as_any_other(rate: int):
    """The edges in mel, 2595·log10(1 + f/700), are one step apart (O'Shaughnessy 1987)."""
    mel = 2595 * np.log10(1 + band_edges_hz() / 700)
    assert np.diff(mel) == pytest.approx(np.full(BANDS, (mel[-1] - mel[0]) / BANDS))


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("hz", [250.0, 1000.0, 4000.0])
def test_a_tone_has_its_mean_square_in_its_bands(rate: int, hz: float):
    """A sine of amplitude a has the mean square a²/2, nearly all in its band and the next ones. By algebra."""
    powers = band_powers(tone(1, -20.0, hz, rate), rate)[10:-10]
    assert 10 * np.log10(powers.sum(axis=1)) == pytest.approx(-23.01, abs=0.2)
    band = int(np.searchsorted(band_edges_hz(), hz)) - 1
    assert powers[:, max(band - 1, 0) : band + 2].sum() > 0.99 * powers.sum()


@pytest.mark.parametrize("rate", RATES)
def test_white_noise_fills_bands_by_their_width(rate: int):
    """A band holds the share of the noise's mean square that its width has of half the rate. By algebra."""
    powers = band_powers(noise(20, -20.0, rate=rate), rate).mean(axis=0)
    expected = 0.01 * np.diff(band_edges_hz()) / (rate / 2)
    assert 10 * np.log10(powers / expected) == pytest.approx(np.zeros(BANDS), abs=0.6)


@settings(max_examples=25, deadline=None)
@given(
    st.sampled_from(RATES),
    st.lists(st.integers(1, 5000), min_size=1, max_size=12),
)
def test_blocks_of_any_size_give_the_same(rate: int, sizes: list[int]):
    """Where a stream is cut into blocks changes nothing, nor does it lose a frame."""
    sound = room_tone(sum(sizes) / rate + 0.01, -30.0, rate=rate)[: sum(sizes), None]
    meter, at = BandMeter(rate, 1), 0
    for size in sizes:
        meter.add(sound[at : at + size])
        at += size
    found = meter.finish()
    assert len(found) == frames_of(len(sound), rate)
    assert found == pytest.approx(band_powers(sound, rate), rel=1e-5, abs=1e-12)


def test_channels_are_averaged():
    """One side alone has half the mean square of both; reversed sides do not cancel. By algebra."""
    side = noise(1, -20.0)
    both = band_powers(np.stack([side, -side], axis=1), 48_000)
    one = band_powers(np.stack([side, 0 * side], axis=1), 48_000)
    assert both == pytest.approx(band_powers(side, 48_000), rel=1e-4)
    assert one == pytest.approx(both / 2, rel=1e-4)


def test_too_short_for_a_frame():
    """Less than 10 ms hold no frame."""
    assert band_powers(np.ones(400), 48_000).shape == (0, BANDS)

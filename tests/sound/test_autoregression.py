"""fairtake.sound.autoregression: models of signals whose model is known, and gaps filled by them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from fairtake.sound.autoregression import fitted, interpolated, prediction_errors, refined
from signals import noise, tone

#: Two resonances, by their poles: the prediction error filter of a signal made by 1 / model.
POLES = np.array([0.95 * np.exp(0.3j), 0.9 * np.exp(1.2j)])
MODEL = np.real(np.poly(np.concatenate([POLES, POLES.conj()])))


def resonant(samples: int = 6000, seed: int = 1) -> np.ndarray:
    """Noise through 1 / `MODEL`."""
    return signal.lfilter([1.0], MODEL, np.random.default_rng(seed).standard_normal(samples))


@pytest.mark.parametrize("fit", [fitted, refined])
def test_a_model_is_found_again(fit):
    """Fitted to noise that went through a known filter, the model is that filter. By construction."""
    x = resonant(40_000)
    np.testing.assert_allclose(fit(x, 20_000, 20_100, 4), MODEL, atol=0.05)


@pytest.mark.parametrize("fit", [fitted, refined])
def test_what_is_left_out_does_not_count(fit):
    """A stretch that is left out may hold anything."""
    x, wild = resonant(), resonant()
    wild[3000:3100] = 1e6
    np.testing.assert_array_equal(fit(x, 3000, 3100, 8), fit(wild, 3000, 3100, 8))


def test_two_tones_are_predicted_exactly():
    """Two sines are four coefficients; by least squares they come out exactly. By algebra."""
    x = tone(0.1, 0.0, 700.0) + tone(0.1, -12.0, 3100.0)
    model = refined(x, 2000, 2050, 4)
    assert np.abs(np.convolve(x, model)[4 : len(x)]).max() < 1e-5


def test_errors_are_what_went_in():
    """Predicting onward gives back the noise the signal was made of. By construction."""
    x = resonant(40_000)
    went_in = np.random.default_rng(1).standard_normal(40_000)
    errors = prediction_errors(x, 20_000, 20_100, 4)
    assert np.corrcoef(errors.onward[4:], went_in[4:])[0, 1] > 0.999
    assert errors.rms == pytest.approx(1.0, rel=0.02)


@pytest.mark.parametrize("height", [50.0, 200.0])
def test_a_spike_stands_out(height):
    """A wrong sample is the model itself in the errors onward, mirrored backward. By algebra."""
    x = resonant(10_000)
    x[5000] += height
    errors = prediction_errors(x, 4900, 5100, 4)
    np.testing.assert_allclose(errors.onward[5000:5005], height * MODEL, atol=0.05 * height + 4)
    np.testing.assert_allclose(
        errors.backward[5000:4995:-1], height * MODEL, atol=0.05 * height + 4
    )
    assert errors.greatest == np.abs(errors.onward[5000:5005]).max()
    assert errors.over_db == pytest.approx(20 * np.log10(errors.greatest / errors.around))


def test_nothing_at_all():
    """Silence has a model and errors of nothing, without a division by nought."""
    errors = prediction_errors(np.zeros(500), 200, 300, 16)
    assert errors.over_db < 0
    assert np.isfinite(errors.model).all()


@pytest.mark.parametrize("gap", [1, 8, 40])
def test_a_gap_in_tones_is_filled_exactly(gap):
    """What two sines were is told by what they are around the gap. By algebra."""
    x = tone(0.1, 0.0, 700.0) + tone(0.1, -12.0, 3100.0)
    model = refined(x, 2000, 2000 + gap, 4)
    np.testing.assert_allclose(
        interpolated(x, 2000, 2000 + gap, model), x[2000 : 2000 + gap], atol=1e-3
    )


def test_a_gap_in_noise_is_filled_with_less():
    """White noise tells nothing of a gap in it: what is filled in is next to nothing."""
    x = noise(0.2, 0.0)
    filled = interpolated(x, 4000, 4050, fitted(x, 4000, 4050, 16))
    assert np.sqrt(np.mean(filled**2)) < 0.3


@pytest.mark.parametrize("at", [0, 2, 496])
def test_a_gap_at_the_ends(at):
    """Beyond the ends lies nothing, and nothing breaks."""
    x = resonant(500)
    assert np.isfinite(interpolated(x, at, at + 4, MODEL)).all()

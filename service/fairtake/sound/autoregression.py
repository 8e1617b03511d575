"""What an autoregressive model says of sound: fitted, what it cannot predict, gaps filled by it.

Conventions: a model is its prediction error filter, shape (order + 1,), its first value 1. The
stretch from *start* to *stop* is left out: nothing of it goes into a fit, nothing of it is believed.

Source: Godsill and Rayner, "Digital Audio Restoration", Springer 1998, chapters 5.2 and 5.3.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fairtake.sound.loops import weigh
from fairtake.units import amplitude_db

Values = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Errors:
    """Prediction errors around a stretch: against time running on, and running back.

    ``start`` to ``stop`` is the stretch left out of the fit. Outside of it, ``around`` is the
    greatest error, ``rms`` their root mean square, ``sound_rms`` that of the sound itself.
    """

    model: Values
    onward: Values
    backward: Values
    start: int
    stop: int
    around: float
    rms: float
    sound_rms: float

    @property
    def inside(self) -> slice:
        return slice(self.start, self.stop)

    @property
    def greatest(self) -> float:
        """The greatest error inside."""
        return float(np.abs(self.onward[self.inside]).max())

    @property
    def over_db(self) -> float:
        """How far the greatest error inside exceeds the greatest one around."""
        return float(amplitude_db(self.greatest / self.around))


def prediction_errors(channel: Values, start: int, stop: int, order: int) -> Errors:
    """What a model fitted outside of *start* to *stop* cannot predict."""
    model = fitted(channel, start, stop, order)
    size = len(channel)
    silence = np.zeros(order)
    onward = weigh(np.concatenate([silence, channel]), model)
    backward = weigh(np.concatenate([silence, channel[::-1]]), model)[::-1]
    outside = np.concatenate([onward[order:start], backward[stop : size - order]])
    sound = np.concatenate([channel[:start], channel[stop:]])
    greatest = float(np.abs(outside).max(initial=0.0)) + 1e-9
    return Errors(model, onward, backward, start, stop, greatest, _rms(outside), _rms(sound))


def _rms(values: Values) -> float:
    return float(np.sqrt(np.mean(values**2))) + 1e-9 if len(values) else 1e-9


def fitted(channel: Values, start: int, stop: int, order: int) -> Values:
    """The model of what lies outside of *start* to *stop*, by its autocorrelation."""
    sides = (channel[:start], channel[stop:])
    size = 1 << (max(map(len, sides)) + order).bit_length()
    spectra = [np.fft.rfft(side * _window(len(side)), size) for side in sides]
    power = np.fft.irfft(sum(s.real**2 + s.imag**2 for s in spectra), size)[: order + 1]
    # A little white noise keeps the fit sane where the sound is one tone or nothing at all.
    power[0] = power[0] * (1 + 1e-7) + 1e-16
    return np.concatenate([[1.0], -np.linalg.solve(_toeplitz(power[:-1]), power[1:])])


@functools.lru_cache(maxsize=8)
def _window(size: int) -> Values:
    return np.hanning(size + 2)[1:-1]


def refined(channel: Values, start: int, stop: int, order: int) -> Values:
    """As `fitted`, by least squares over both directions of time: exact also for tones.

    Source: the modified covariance method, Marple, IEEE Trans. ASSP 28(4), 1980.
    """
    view = np.lib.stride_tricks.sliding_window_view
    sides = [view(side, order + 1)[:, ::-1] for side in (channel[:start], channel[stop:])]
    onward = np.concatenate(sides)
    products = onward.T @ onward
    products += products[::-1, ::-1]
    inner = products[1:, 1:] + np.eye(order) * (products.trace() * 1e-10 + 1e-14)
    return np.concatenate([[1.0], -np.linalg.solve(inner, products[1:, 0])])


def interpolated(channel: Values, start: int, stop: int, model: Values) -> Values:
    """The samples from *start* to *stop* that make the prediction errors around least.

    The normal equations of a gap in an autoregressive signal are Toeplitz in the autocorrelation of
    the model; beyond the ends of *channel* lies nothing.
    """
    order, size = len(model) - 1, stop - start
    lags = np.correlate(model, model, "full")[order:]
    around = np.zeros(size + 2 * order)
    begin = max(start - order, 0)
    known = channel[begin : stop + order].copy()
    known[start - begin : stop - begin] = 0.0
    at = begin - (start - order)
    around[at : at + len(known)] = known
    pull = np.convolve(around, np.concatenate([lags[:0:-1], lags]), "valid")
    column = np.zeros(size)
    column[: order + 1] = lags[:size]
    return np.asarray(np.linalg.solve(_toeplitz(column), -pull), np.float64)


def _toeplitz(column: Values) -> Values:
    """The symmetric matrix whose every diagonal has one value."""
    place = np.arange(len(column))
    return column[np.abs(place[:, None] - place)]

"""Filters: second-order sections, how they are designed and run, and long weighted averages.

Conventions: a section is a row of b0, b1, b2, 1, a1, a2. Its state is that of the transposed direct
form II, so that a stream may be run block by block. Samples have the shape (samples,) or
(samples, channels).

Sources: Butterworth's poles and the bilinear transform are textbook (Oppenheim and Schafer, chapter 7,
from memory); the tests compare every design with scipy's own.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
import numpy.typing as npt

from fairtake.sound.loops import recurse

Sections = npt.NDArray[np.float64]
Values = npt.NDArray[np.float64]
#: Shape (channels, sections, 2).
State = npt.NDArray[np.float64]


def poles(k: float, damping: float) -> Values:
    """The lower half of a section by the bilinear transform, not yet divided by its first value.

    *k* is tan(pi f / fs) of its frequency, *damping* is *k* / Q.
    """
    return np.array([1 + damping + k * k, 2 * (k * k - 1), 1 - damping + k * k])


def butterworth(
    order: int, corner_hz: float, side: Literal["low", "high"], sample_rate_hz: float
) -> Sections:
    """A low-pass or high-pass of an even *order*, -3 dB at its corner, shape (order / 2, 6)."""
    k = math.tan(math.pi * corner_hz / sample_rate_hz)
    b = np.array([k * k, 2 * k * k, k * k] if side == "low" else [1.0, -2.0, 1.0])
    sections = []
    for n in reversed(range(order // 2)):  # the sharpest comes last
        damping = 2 * math.sin(math.pi * (2 * n + 1) / (2 * order)) * k
        a = poles(k, damping)
        sections.append(np.concatenate([b, a]) / a[0])
    return np.array(sections)


def notch(hz: float, narrowness: float, sample_rate_hz: float) -> Sections:
    """Nothing at *hz*, -3 dB over a width of *hz* / *narrowness*, shape (1, 6)."""
    middle = 2 * math.pi * hz / sample_rate_hz
    share = 1 / (1 + math.tan(middle / (2 * narrowness)))
    b = share * np.array([1.0, -2 * math.cos(middle), 1.0])
    return np.concatenate([b, [1.0, b[1], 2 * share - 1]])[None, :]


def response(sections: Sections, hz: Values, sample_rate_hz: float) -> npt.NDArray[np.complex128]:
    """What *sections* make of a sine at each of *hz*, as complex factors."""
    late = np.exp(-2j * np.pi * hz / sample_rate_hz)[:, None]
    above, below = (
        part[:, 0] + part[:, 1] * late + part[:, 2] * late**2
        for part in (sections[:, :3], sections[:, 3:])
    )
    return np.prod(above / below, axis=1)  # type: ignore[no-any-return]


def settled(sections: Sections, level: npt.ArrayLike = 1.0) -> State:
    """The state after long stillness at *level*, one value or one a channel."""
    state = np.empty((len(sections), 2))
    here = 1.0
    for n, (b0, b1, b2, _, a1, a2) in enumerate(sections):
        gain = (b0 + b1 + b2) / (1 + a1 + a2)
        state[n] = here * (b1 + b2 - (a1 + a2) * gain), here * (b2 - a2 * gain)
        here *= gain
    return state * np.reshape(level, (-1, 1, 1))


def run(sections: Sections, samples: Values, state: State | None = None) -> tuple[Values, State]:
    """*samples* through all *sections*, and the state behind them; from zeros where none is given."""
    block = samples[:, None] if samples.ndim == 1 else samples
    state = np.zeros((block.shape[1], len(sections), 2)) if state is None else state.copy()
    return recurse(sections, state, block).reshape(samples.shape), state


def both_ways(sections: Sections, samples: Values, reach: int) -> Values:
    """*samples* through *sections* forwards and backwards: without delay, and twice as steep.

    At both ends the filter is settled on up to *reach* samples, turned round about the last one.
    """
    reach = min(reach, len(samples) - 1)
    before = 2 * samples[:1] - samples[reach:0:-1]
    behind = 2 * samples[-1:] - samples[-2 : -reach - 2 : -1]
    turned = np.concatenate([before, samples, behind])
    for _ in range(2):
        turned = run(sections, turned, settled(sections, turned[0]))[0][::-1]
    return turned[reach : reach + len(samples)]


def averaged(values: Values, weights: Values) -> Values:
    """Each whole window of *values* weighed by *weights*, the last weight on its first value, by way of
    the spectrum: for long windows. Shape (values - weights + 1,)."""
    size = 1 << (4 * len(weights)).bit_length()
    hop, spectrum = size - len(weights) + 1, np.fft.rfft(weights, size)
    out = np.empty(len(values) - len(weights) + 1)
    for begin in range(0, len(out), hop):
        piece = np.fft.irfft(np.fft.rfft(values[begin : begin + size], size) * spectrum, size)
        out[begin : begin + hop] = piece[len(weights) - 1 :][: len(out) - begin]
    return out

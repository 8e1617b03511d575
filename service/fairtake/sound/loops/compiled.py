"""The loops in C (compiled.c); `fairtake.sound.loops.plain` says what each one gives.

Here arrays are brought into the shape that C takes. Importing this fails where nothing was built.
"""

from __future__ import annotations

import functools
from typing import Any

import numpy as np
import numpy.typing as npt

from fairtake.sound.loops import _compiled, plain  # type: ignore[attr-defined]
from fairtake.sound.loops.plain import Floats, Indices, RowSums, Values
from fairtake.sound.phases import PRINTED, Interpolator
from fairtake.sound.source import Samples

#: So many frames are transformed side by side.
FRAMES = 16
#: Of more weights numpy makes products of vectors, which are as quick.
MOST_WEIGHTS = 64


def _doubles(values: Values) -> Values:
    return np.ascontiguousarray(values, np.float64)


def _indices(starts: Any) -> Indices:
    return np.ascontiguousarray(starts, np.int64)


def recurse(sections: Values, state: Values, block: Samples) -> Samples:
    out = np.empty(block.shape)
    _compiled.recurse(_doubles(sections), state, _doubles(block), out, block.shape[1])
    return out


def filtered_energies(sections: Values, state: Values, block: Samples, starts: Indices) -> Values:
    out = np.empty(len(starts))
    _compiled.filtered_energies(
        _doubles(sections), state, _doubles(block), _indices(starts), out, block.shape[1]
    )
    return out


def row_sums(block: Samples, before: Values, starts: Indices) -> RowSums:
    out = np.empty((4 + len(before), len(starts)))
    _compiled.row_sums(_doubles(block), before, _indices(starts), out, block.shape[1])
    return RowSums(out[0], out[1], out[2], out[3], out[4:])


def span_peaks(joined: Samples, starts: Indices, width: int, by: Interpolator = PRINTED) -> Values:
    out = np.empty(len(starts))
    _compiled.span_peaks(_doubles(joined), _indices(starts), by.halves, out, width, joined.shape[1])
    return out


def lag_sums(values: Values, windows: int, hop: int, width: int, lags: range) -> Values:
    out = np.empty((len(lags), windows))
    _compiled.lag_sums(_doubles(values), out, windows, hop, width, lags.start, len(lags))
    return out


def weigh(values: Values, weights: Values) -> Values:
    if len(weights) > MOST_WEIGHTS:
        return plain.weigh(values, weights)
    out = np.empty(len(values) - len(weights) + 1)
    _compiled.weigh(_doubles(values), _doubles(weights[::-1]), out)
    return out


def decay(values: Values, kept: float) -> Values:
    out = np.empty(len(values))
    _compiled.decay(_doubles(values), out, kept)
    return out


def unpack(raw: npt.NDArray[np.uint8]) -> Values:
    out = np.empty(len(raw) // 3)
    _compiled.unpack(np.ascontiguousarray(raw), out)
    return out


def ramp(block: Samples, factors: Values, rate: int) -> Samples:
    out = np.empty(block.shape)
    _compiled.ramp(_doubles(block), _doubles(factors), out, rate, block.shape[1])
    return out


def quantise(
    block: Samples, random: npt.NDArray[np.uint16], bits: int
) -> npt.NDArray[np.int16] | npt.NDArray[np.int32]:
    out = np.empty(block.shape, np.int16 if bits <= 16 else np.int32)
    _compiled.quantise(_doubles(block), np.ascontiguousarray(random), out, float(2 ** (bits - 1)))
    return out


def band_sums(
    samples: Floats, starts: Indices, window: Floats, size: int, shares: Floats
) -> Floats:
    out = np.empty((len(starts), shares.shape[1]), np.float32)
    _compiled.band_sums(
        _floats(samples), _indices(starts), _floats(window), _turns(size), _floats(shares),
        np.empty(FRAMES * size, np.float32), out, shares.shape[1],
    )  # fmt: skip
    return out


def _floats(values: Floats) -> Floats:
    return np.ascontiguousarray(values, np.float32)


@functools.lru_cache(maxsize=8)
def _turns(size: int) -> Floats:
    """The first half of the roots of unity, clockwise, each its real and its imaginary part."""
    roots = np.exp(-2j * np.pi * np.arange(size // 2) / size)
    return np.stack([roots.real, roots.imag], axis=1).astype(np.float32)

"""The loops in numpy. Their recursion is scipy's compiled loop, the one quick recursion there is.

Of scipy only that is loaded: all of scipy.signal takes as long as a sixth of encoding ten minutes, for
statistics and optimisation that nothing here asks for. A scipy that keeps its loop elsewhere is asked
for its public `sosfilt`, which gives the same.
"""

from __future__ import annotations

import functools
import importlib.util
import math
import sys
from collections.abc import Callable
from importlib.machinery import PathFinder
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from fairtake.sound.phases import PRINTED, Interpolator
from fairtake.sound.source import Samples

Values = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float32]
Recursion = Callable[[Values, Values, Values], object]
#: Straight lines are drawn over groups of so many rows: whole samples at the rates of finished files.
_GROUP_ROWS = 10
_NOTHING = 2e-6  # as little is none: zero has no logarithm


class RowSums(NamedTuple):
    """What a block is, row by row; shape (rows,), the sums (channels, rows).

    ``peaks`` are the greatest of all channels, ``energies`` and ``step_energies`` sums of squares over
    all channels, of the samples and of their first difference. ``sharpness`` is that of the second
    difference, of the channel where it is greatest.
    """

    peaks: Values
    energies: Values
    step_energies: Values
    sharpness: Values
    sums: Values


# --- recursion ------------------------------------------------------------------------------------


def recurse(sections: Values, state: Values, block: Samples) -> Samples:
    """*block* through *sections*, shape (sections, 6), rows of b0, b1, b2, 1, a1, a2.

    *state*, shape (channels, sections, 2), is that of the transposed direct form II.
    """
    rows = np.array(block.T, np.float64, order="C")
    if rows.size and len(sections):
        recursion()(sections, rows, state)
    return rows.T


def filtered_energies(sections: Values, state: Values, block: Samples, starts: Indices) -> Values:
    """The sum of squares of each row of what `recurse` makes of *block*, over all channels."""
    return _row_energies(recurse(sections, state, block), starts)


@functools.cache
def recursion() -> Recursion:
    """Runs sections over samples, shape (channels, samples), and leaves samples and state changed."""
    try:
        return _compiled_loop()._sosfilt  # type: ignore[no-any-return]
    except (ImportError, AttributeError):
        return _by_public_name()


def _compiled_loop() -> Any:
    """The module of scipy.signal that holds its loop, without the package around it."""
    name = "scipy.signal._sosfilt"
    if name in sys.modules:
        return sys.modules[name]
    package = importlib.util.find_spec("scipy.signal")  # told where it is, and not loaded
    found = PathFinder.find_spec(name, package.submodule_search_locations if package else None)
    if found is None or found.loader is None:
        raise ImportError(name)
    module = importlib.util.module_from_spec(found)
    found.loader.exec_module(module)
    return module


def _by_public_name() -> Recursion:
    from scipy.signal import sosfilt

    def by_public_name(sections: Values, rows: Values, state: Values) -> None:
        filtered: Any = sosfilt(sections, rows, axis=1, zi=state.transpose(1, 0, 2))
        rows[:], state[:] = filtered[0], filtered[1].transpose(1, 0, 2)

    return by_public_name


# --- rows -----------------------------------------------------------------------------------------


def row_sums(block: Samples, before: Values, starts: Indices) -> RowSums:
    """What *block* is, row by row.

    *before*, shape (channels, step + 1), holds the samples before the block; the second difference is
    taken over *step* samples. Where a sample is not finite, its row's peak is not either.
    """
    # Column by column: a reduction along an axis as short as that of channels costs twenty times as much.
    rows, step = len(starts), before.shape[1] - 1
    peaks, energies, step_energies, sharpness = np.zeros((4, rows))
    sums = np.empty((len(before), rows))
    for channel, held, total in zip(block.T, before, sums, strict=True):
        joined = np.concatenate([held, channel])
        steps = np.diff(joined)
        np.maximum(peaks, np.maximum.reduceat(np.abs(channel), starts), out=peaks)
        energies += _row_squares(channel, starts)
        step_energies += _row_squares(steps[step:], starts)
        np.maximum(sharpness, _row_squares(steps[step:] - steps[:-step], starts), out=sharpness)
        total[:] = np.add.reduceat(channel, starts)
        held[:] = joined[len(channel) :]
    return RowSums(peaks, energies, step_energies, sharpness, sums)


def _row_energies(block: Samples, starts: Indices) -> Values:
    return sum((_row_squares(channel, starts) for channel in block.T), np.zeros(len(starts)))


def _row_squares(values: Values, starts: Indices) -> Values:
    """The sum of squares of each row; rows of one length are summed at once, which is faster."""
    width, rest = divmod(len(values), len(starts))
    if not rest and (np.diff(starts) == width).all():
        rows = values.reshape(-1, width)
        return np.einsum("ij,ij->i", rows, rows)
    return np.add.reduceat(np.square(values), starts)  # type: ignore[no-any-return]


def span_peaks(joined: Samples, starts: Indices, width: int, by: Interpolator = PRINTED) -> Values:
    """The greatest size of the samples of some spans of *joined* and of what all phases make of them.

    A span is *width* outputs wide, of as many samples each as *by* has taps, less one in all.
    """
    peaks = np.zeros(len(starts))
    size, step = width + by.reach, joined.strides[0]
    for channel in joined.T:
        windows = np.lib.stride_tricks.as_strided(
            channel, (len(joined) - size + 1, size), (step, step), writeable=False
        )
        spans = windows[starts]  # rows copied whole: far quicker than sample by sample
        for values in (spans, spans @ _convolution(width, by)):
            np.maximum(peaks, np.abs(values).max(axis=1, initial=0.0), out=peaks)
    return peaks


@functools.cache
def _convolution(width: int, by: Interpolator) -> Values:
    """The matrix that applies all phases to a span at once, shape (width + reach, phases · width)."""
    phases = len(by.phases)
    matrix = np.zeros((width + by.reach, phases * width))
    for n in range(width):
        matrix[n : n + by.taps, phases * n : phases * (n + 1)] = by.phases[:, ::-1].T
    return matrix


# --- the table ------------------------------------------------------------------------------------


def lag_sums(values: Values, windows: int, hop: int, width: int, lags: range) -> Values:
    """For each of *lags*, the sum over a window of each value times the one so far behind it in it.

    Windows are *width* wide and begin *hop* values apart, from the first; shape (lags, windows).
    """
    columns = windows + -(-width // hop)
    # The first values of all hops together, then the second ones: sums over hops are sums of these.
    padded = np.pad(values, (0, max(columns * hop - len(values), 0)))
    by_place = padded[: columns * hop].reshape(-1, hop).T.copy()
    total = np.zeros(columns + 1)

    def column(n: int, count: int) -> Values:
        """Value *n* of the first *count* windows."""
        behind, place = divmod(n, hop)
        return by_place[place, behind : behind + count]

    def products(lag: int) -> Values:
        whole, rest = divmod(width - lag, hop)
        count = windows + whole - 1
        running = total[1 : count + 1]
        np.multiply(column(0, count), column(lag, count), out=running)
        for n in range(1, hop):
            running += column(n, count) * column(n + lag, count)
        np.cumsum(running, out=running)
        inside: Values = total[whole : whole + windows] - total[:windows]
        for n in range(whole * hop, whole * hop + rest):
            inside += column(n, windows) * column(n + lag, windows)
        return inside

    return np.array([products(lag) for lag in lags]).reshape(len(lags), windows)


def weigh(values: Values, weights: Values) -> Values:
    """Each whole window of *values* weighed by *weights*, the last weight on its first value; there are no
    fewer values than weights. Shape (values - weights + 1,)."""
    return np.convolve(values, weights, "valid")


def decay(values: Values, kept: float) -> Values:
    """max(x[n], *kept*·y[n-1]): follows a rise at once, and a fall by the share *kept* a step.

    What has fallen to 2e-6 is 0. Taken on logarithms, where decay is a straight line.
    """
    line = np.arange(len(values)) * math.log(kept)
    log = np.log(np.maximum(values, _NOTHING / 2))
    y = np.exp(np.maximum.accumulate(log - line) + line)
    return np.where(y > _NOTHING, y, 0.0)


# --- samples --------------------------------------------------------------------------------------


def unpack(raw: npt.NDArray[np.uint8]) -> Values:
    """Little-endian samples of three bytes each, full scale 1.0; shape (samples,)."""
    three = raw.reshape(-1, 3)
    four = np.zeros((len(three), 4), np.uint8)
    for n in range(3):
        four[:, n + 1] = three[:, n]
    return four.view("<i4")[:, 0] * 2.0**-31


def ramp(block: Samples, factors: Values, rate: int) -> Samples:
    """*block* times factors that go in straight lines from the begin of each row to that of the next.

    *factors* holds one value a row and one more; *rate* is a hundred times a whole number, as those of
    finished files are.
    """
    groups = -(-len(block) * 1000 // (_GROUP_ROWS * rate))
    last = max(groups * _GROUP_ROWS + 1 - len(factors), 0)
    rows = np.pad(factors, (0, last), mode="edge")
    corners = np.lib.stride_tricks.sliding_window_view(rows, _GROUP_ROWS + 1)[::_GROUP_ROWS]
    return block * (corners[:groups] @ _lines(rate)).reshape(-1, 1)[: len(block)]


@functools.cache
def _lines(rate: int) -> Values:
    """The matrix that draws straight lines between the corners of a group of rows."""
    place = np.arange(rate * _GROUP_ROWS // 1000) * 1000 / rate
    return np.maximum(1 - np.abs(place - np.arange(_GROUP_ROWS + 1)[:, None]), 0)


def quantise(
    block: Samples, random: npt.NDArray[np.uint16], bits: int
) -> npt.NDArray[np.int16] | npt.NDArray[np.int32]:
    """*block* in steps of *bits* bits: dithered, rounded to the nearest, ties to even, and clipped.

    *random* holds two numbers for each sample, all first ones first; the dither is their difference.
    """
    first, second = random[: 2 * block.size].reshape(2, *block.shape)
    dither = np.subtract(first, second, dtype=np.float32)
    dither *= np.float32(1 / 65536)
    full = float(2 ** (bits - 1))
    steps = block * full
    steps += dither
    np.rint(steps, out=steps)
    np.clip(steps, -full, full - 1, out=steps)
    return steps.astype(np.int16) if bits <= 16 else steps.astype(np.int32)


def band_sums(
    samples: Floats, starts: Indices, window: Floats, size: int, shares: Floats
) -> Floats:
    """Of frames that begin at *starts*, under *window* and transformed at *size*, a power of two: the
    squares of the first bins, in bands that hold *shares*, (bins, bands), of each; shape (frames, bands).
    """
    # Doubles: numpy transforms them six times as fast as floats.
    windowed = np.zeros((len(starts), size))
    views = np.lib.stride_tricks.sliding_window_view(samples, len(window))
    np.multiply(views[starts], window, out=windowed[:, : len(window)])
    spectrum = np.fft.rfft(windowed, axis=1)[:, : len(shares)]
    power = np.square(spectrum.real) + np.square(spectrum.imag)
    return power.astype(np.float32) @ shares

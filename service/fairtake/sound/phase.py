"""phase: a take turned in phase, so that its peaks stand less above its level.

A voice's pulses are lopsided: its partials stand together in phase once a period. Turning them all by one
angle, cos θ · x + sin θ · Hilbert(x), moves the peaks and leaves the spectrum as it is, to the last
partial; so does a row of all-passes, which besides spreads low sounds over some milliseconds. Both are
one linear filter with a gain of 1 at every frequency, and the same for all channels, so that nothing
moves from side to side.

Conventions: the turn sets in between `FULL_HZ`'s lower and upper frequency, and goes back to none over the
top of the band: at 0 and at half the rate no real signal can be turned. The kernel is as long before its
middle as behind it; nothing is delayed but what the all-passes delay.

Source: Hilbert transform and all-pass are textbook; Oppenheim and Schafer, "Discrete-Time Signal
Processing", 3rd ed., 2010, chapters 5.5 and 12. What it is worth on voices was measured by ourselves.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fairtake.sound.source import Samples

#: The turn sets in from the one to the other, and ends over the last tenth below half the rate.
FULL_HZ, TOP_SHARE = (15.0, 75.0), 0.9
#: First-order all-passes turn by a right angle here.
ALL_PASS_HZ = 550.0
#: The kernel reaches so far to either side.
REACH_S = 0.05


@dataclass(frozen=True)
class Phase:
    """By which angle a take is turned, in degrees, and how many all-passes it goes through."""

    angle_deg: float = 0.0
    all_passes: int = 0

    def __bool__(self) -> bool:
        return self != NO_PHASE


NO_PHASE = Phase()


@functools.lru_cache(maxsize=4)
def kernel(phase: Phase, sample_rate_hz: int) -> npt.NDArray[np.float64]:
    """The filter, shape (2 · reach + 1,); its middle is the present."""
    reach = round(REACH_S * sample_rate_hz)
    size = 1 << (8 * reach).bit_length()
    hz = np.arange(size // 2 + 1) * (sample_rate_hz / size)
    turn = np.radians(phase.angle_deg) * _share(hz, sample_rate_hz / 2)
    passed = 2 * phase.all_passes * np.arctan(hz / ALL_PASS_HZ)
    answer = np.fft.irfft(np.exp(-1j * (turn + passed)), size)
    middle = np.roll(answer, reach)[: 2 * reach + 1]
    fade = np.sin(np.linspace(0, np.pi / 2, reach // 2)) ** 2
    middle[: len(fade)] *= fade
    middle[-len(fade) :] *= fade[::-1]
    return middle


def _share(hz: npt.NDArray[np.floating], top_hz: float) -> npt.NDArray[np.float64]:
    """How much of the turn each frequency gets, 0 to 1, without a corner."""
    low, high = FULL_HZ
    rising = np.clip((hz - low) / (high - low), 0, 1)
    falling = np.clip((top_hz - hz) / ((1 - TOP_SHARE) * top_hz), 0, 1)
    return np.asarray(np.sin(np.pi / 2 * rising) ** 2 * np.sin(np.pi / 2 * falling) ** 2)


def turned(stream: Iterator[Samples], phase: Phase, sample_rate_hz: int) -> Iterator[Samples]:
    """*stream*, blocks of shape (samples, channels), turned; as it is where there is nothing to turn."""
    if not phase:
        yield from stream
        return
    taps = kernel(phase, sample_rate_hz)
    for before, block, after in with_neighbours(stream):
        yield convolved(with_reach(before, block, after, len(taps) // 2), taps)


def with_neighbours(stream: Iterator[Samples]) -> Iterator[tuple[Samples, Samples, Samples]]:
    """Each block with the one before it and the one after, empty at the ends."""
    block = next(stream, None)
    if block is None:
        return
    before = nothing = block[:0]
    for after in stream:
        yield before, block, after
        before, block = block, after
    yield before, block, nothing


def with_reach(before: Samples, block: Samples, after: Samples, reach: int) -> Samples:
    """*block* with *reach* samples of its neighbours to either side; zeros where there are none."""
    return np.concatenate([_filled(before[::-1], reach)[::-1], block, _filled(after, reach)])


def _filled(samples: Samples, count: int) -> Samples:
    """The first *count* samples, with zeros behind where there are fewer."""
    samples = samples[:count]
    return np.pad(samples, ((0, count - len(samples)), (0, 0)))


def convolved(around: Samples, taps: npt.NDArray[np.float64]) -> Samples:
    """*around* through the filter, where it lies in it whole: shape (samples - taps + 1, channels).

    Piece by piece by way of their spectra, each piece four times as long as the filter.
    """
    size = 1 << (4 * len(taps) - 1).bit_length()
    step, count = size - len(taps) + 1, len(around) - len(taps) + 1
    spectrum = np.fft.rfft(taps, size)[:, None]
    out = np.empty((count, around.shape[1]))
    for begin in range(0, count, step):
        piece = np.fft.rfft(around[begin : begin + size], size, axis=0) * spectrum
        found = np.fft.irfft(piece, size, axis=0)[len(taps) - 1 :]
        out[begin : begin + step] = found[: count - begin]
    return out

"""Band powers: what the ear takes from the samples, 20 numbers every 10 ms.

Conventions: frame *k* is centred on the middle of rows 10k to 10k + 9 of the millisecond table. Each
holds the mean square in 20 bands of equal width in mel from 60 to 7,900 Hz, through a Hann window of
21 ms at the take's own rate, averaged over the channels. Beyond the take's ends there is silence.

Source: the mel scale after O'Shaughnessy, "Speech Communication", 1987: 2595·log10(1 + f/700).
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fairtake.sound.loops import band_sums
from fairtake.sound.source import Samples

BANDS = 20
FRAMES_PER_S = 100
LOWEST_HZ, HIGHEST_HZ = 60.0, 7900.0
WINDOW_S = 0.0213
#: So many frames are transformed together.
_AT_ONCE = 200

Table = npt.NDArray[np.float32]


def frames_of(samples: int, sample_rate_hz: int) -> int:
    """Whole frames in a take of so many *samples*."""
    return samples * FRAMES_PER_S // sample_rate_hz


@dataclass(frozen=True)
class _Transform:
    """How one rate is transformed: window, size of the transform, and the bins' shares of each band."""

    window: Table
    size: int
    shares: Table


def band_edges_hz() -> npt.NDArray[np.float64]:
    """Where the bands begin and end, shape (BANDS + 1,)."""
    mel = 2595 * np.log10(1 + np.array([LOWEST_HZ, HIGHEST_HZ]) / 700)
    edges: npt.NDArray[np.float64] = 700 * (
        10 ** (np.linspace(mel[0], mel[1], BANDS + 1) / 2595) - 1
    )
    return edges


@functools.lru_cache(maxsize=8)
def _transform(sample_rate_hz: int) -> _Transform:
    width = round(WINDOW_S * sample_rate_hz)
    size = 1 << (width - 1).bit_length()
    window = np.hanning(width + 2)[1:-1].astype(np.float32)
    step_hz = sample_rate_hz / size
    bins = min(size // 2 + 1, int(HIGHEST_HZ / step_hz) + 2)
    centres = np.arange(bins)[:, None] * step_hz
    low, high = band_edges_hz()[:-1], band_edges_hz()[1:]
    inside = np.minimum(centres + step_hz / 2, high) - np.maximum(centres - step_hz / 2, low)
    energy = float((window.astype(np.float64) ** 2).sum())
    shares = np.clip(inside / step_hz, 0, 1) * 2 / energy / size
    return _Transform(window, size, shares.astype(np.float32))


class BandMeter:
    """Band powers of a stream of blocks, shape (samples, channels) each, of any lengths."""

    def __init__(self, sample_rate_hz: int, channels: int) -> None:
        self._rate, self._channels = sample_rate_hz, channels
        self._transform = _transform(sample_rate_hz)
        lead = len(self._transform.window) // 2
        self._held = np.zeros((channels, lead), np.float32)
        self._first, self._frames, self._samples = -lead, 0, 0
        self._found: list[Table] = []

    def add(self, block: Samples) -> None:
        """Take in a block, and tell of all frames that end in it."""
        self._samples += len(block)
        self._take(block.T.astype(np.float32))
        self._tell(self._whole())

    def finish(self) -> Table:
        """The powers of all frames, shape (frames, BANDS)."""
        self._take(np.zeros((self._channels, len(self._transform.window)), np.float32))
        self._tell(frames_of(self._samples, self._rate))
        return np.concatenate(self._found) if self._found else np.zeros((0, BANDS), np.float32)

    def _take(self, more: Table) -> None:
        self._held = np.concatenate([self._held, more], axis=1)

    def _start(self, frame: int) -> int:
        """The first sample of a frame's window, counted in the take."""
        centre = round((frame + 0.5) * self._rate / FRAMES_PER_S)
        return centre - len(self._transform.window) // 2

    def _whole(self) -> int:
        """The frame after the last one that lies in what was heard."""
        end = self._first + self._held.shape[1] - len(self._transform.window)
        last = max((end * FRAMES_PER_S) // self._rate - 1, self._frames)
        while self._start(last) <= end:
            last += 1
        return last

    def _tell(self, until: int) -> None:
        """The powers of the frames up to *until*; lets go of the samples before it."""
        for begin in range(self._frames, until, _AT_ONCE):
            frames = range(begin, min(begin + _AT_ONCE, until))
            starts = np.array([self._start(n) for n in frames]) - self._first
            self._found.append(self._powers(starts))
        self._frames = max(until, self._frames)
        gone = self._start(self._frames) - self._first
        self._held = self._held[:, gone:].copy()
        self._first += gone

    def _powers(self, starts: npt.NDArray[np.int_]) -> Table:
        how = self._transform
        power = sum(
            band_sums(channel, starts, how.window, how.size, how.shares) for channel in self._held
        )
        return np.asarray(power / np.float32(self._channels))


def band_powers(samples: npt.ArrayLike, sample_rate_hz: int) -> Table:
    """Band powers of a whole sound, shape (samples,) or (samples, channels)."""
    block = np.atleast_2d(np.asarray(samples).T).T
    meter = BandMeter(sample_rate_hz, block.shape[1])
    meter.add(block)
    return meter.finish()


def bands_db(powers: Table) -> npt.NDArray[np.float16]:
    """Band powers as levels, dBFS, as exact as anybody needs them kept."""
    return (10 * np.log10(powers + np.float32(1e-11))).astype(np.float16)

"""Room tone made by us: dull noise, for where a take has none of its own.

Its power falls by 3 dB an octave from 100 Hz up, and there is none below 60 Hz, where `rumble` has
taken the take's own away. One stretch is made and repeated without a seam: what stands at a sample
depends on its place alone, so blocks may be cut anywhere and the same take gives the same bytes.

Source: rooms are duller than white noise; the slope is common practice, no source.
"""

from __future__ import annotations

import functools

import numpy as np
import numpy.typing as npt

#: Longer than a pause, so that nobody hears it come round.
LOOP_S = 7
LOWEST_HZ, FLAT_UP_TO_HZ = 60.0, 100.0
SEED = 20261125

Noise = npt.NDArray[np.float64]


@functools.cache
def loop(sample_rate_hz: int) -> Noise:
    """`LOOP_S` of room tone with an RMS of 1.0 (0 dBFS), shape (samples,); its end fits its start."""
    size = LOOP_S * sample_rate_hz
    hz = np.fft.rfftfreq(size, 1 / sample_rate_hz)
    real, imaginary = np.random.default_rng(SEED).standard_normal((2, len(hz)))
    shape = np.where(hz >= LOWEST_HZ, np.maximum(hz, FLAT_UP_TO_HZ) ** -0.5, 0.0)
    noise = np.fft.irfft((real + 1j * imaginary) * shape, size)
    return noise / np.sqrt(np.mean(noise**2))  # type: ignore[no-any-return]


def room_tone(start: int, samples: int, sample_rate_hz: int) -> Noise:
    """Room tone from sample *start* of a take on, RMS 1.0, shape (samples,)."""
    whole = loop(sample_rate_hz)
    return whole[np.arange(start, start + samples) % len(whole)]

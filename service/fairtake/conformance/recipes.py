"""Signals of the published cases, made in code, 48 kHz.

Sources: EBU Tech 3341 v4 (2023) table 1, EBU Tech 3342 v4 (2023), ITU-R Report BS.2217-2. Levels
are peak dBFS of each channel; tones of a sequence run on one continuous phase.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from fairtake.units import gain

Signal = npt.NDArray[np.float64]

RATE_HZ = 48_000
SILENCE = -400.0


def sequence(
    parts: Sequence[tuple[float, float]], freq_hz: float = 1000.0, channels: int = 2
) -> Signal:
    """Tones of (seconds, dBFS) one after another, shape (samples, channels)."""
    lengths = [round(seconds * RATE_HZ) for seconds, _ in parts]
    level = np.repeat([float(gain(dbfs)) for _, dbfs in parts], lengths)
    tone = level * np.sin(2 * np.pi * freq_hz * np.arange(len(level)) / RATE_HZ)
    return np.repeat(tone[:, None], channels, axis=1)


def faded_tone(freq_hz: float, amplitude: float, phase_deg: float) -> Signal:
    """One second of a sine with 10 ms linear fades, for the true-peak cases 15 to 19."""
    n = np.arange(RATE_HZ)
    tone = amplitude * np.sin(2 * np.pi * freq_hz * n / RATE_HZ + np.radians(phase_deg))
    return np.repeat((tone * _fades(len(n), 0.010))[:, None], 2, axis=1)


def inserted_cycle(offset: int) -> Signal:
    """Cases 20 to 23: one full cycle of fs/4 at 1.00 inside fs/6 at 0.50.

    Made at four times the rate, low-passed at fs/2, and every fourth sample taken from *offset*.
    """
    from scipy.signal import firwin, oaconvolve

    fast = 4 * RATE_HZ
    slow_hz, cycle_hz = RATE_HZ / 6, RATE_HZ / 4
    period = round(fast / slow_hz)
    before = 0.5 * np.sin(2 * np.pi * np.arange(fast // 2 // period * period) / period)
    cycle = np.sin(2 * np.pi * np.arange(round(fast / cycle_hz)) * cycle_hz / fast)
    whole = np.concatenate([before, cycle, before])
    lowpass = firwin(1023, RATE_HZ / 2, window=("kaiser", 12.0), fs=fast)
    tone = oaconvolve(whole, lowpass, mode="same")[offset::4]
    return np.repeat((tone * _fades(len(tone), 0.010))[:, None], 2, axis=1)


def _fades(samples: int, seconds: float) -> Signal:
    ramp = np.arange(samples) / (seconds * RATE_HZ)
    return np.minimum(1.0, np.minimum(ramp, ramp[::-1]))


ABSOLUTE_GATE_TEST = [(0.8, -90.31), (0.5, -69.48), (0.5, -90.31), (0.5, -69.48), (0.5, -90.31),
                      (0.5, -69.48), (0.7, -90.31)]  # fmt: skip
RELATIVE_GATE_TEST = [(0.5, -90.31), (0.9, -19.9), (1.3, -7.1), (0.8, -19.9), (0.5, -90.31)]

"""Two meters with the same questions: ours, and libebur128 where pyebur128 is installed."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from fairtake.conformance.recipes import RATE_HZ, Signal
from fairtake.sound.listen import Heard, listen
from fairtake.sound.loudness import BLOCK_S, SHORT_TERM_S, integrated_lufs, lufs, window_powers
from fairtake.sound.loudness_range import loudness_range_lu
from fairtake.sound.source import BLOCK_S as READ_S
from fairtake.units import amplitude_db

Series = npt.NDArray[np.float64]
MOMENTARY_HOP_S, SHORT_TERM_HOP_S = 0.01, 0.1


class Meter(Protocol):
    def integrated(self, signal: Signal) -> float: ...
    def momentary(self, signal: Signal) -> Series: ...
    def short_term(self, signal: Signal) -> Series: ...
    def loudness_range(self, signal: Signal) -> float: ...
    def true_peak(self, signal: Signal) -> float: ...


class ArraySource:
    """An array of shape (samples, channels) as a source of sound."""

    def __init__(self, signal: Signal, sample_rate_hz: int = RATE_HZ) -> None:
        self._signal, self.sample_rate_hz = signal, sample_rate_hz
        self.frames, self.channels = signal.shape

    def blocks(self, start: int = 0, stop: int | None = None) -> Iterator[Signal]:
        size = READ_S * self.sample_rate_hz
        stop = self.frames if stop is None else stop
        for begin in range(start, stop, size):
            yield self._signal[begin : min(begin + size, stop)]

    def read(self, start: int, stop: int) -> Signal:
        return self._signal[start:stop]


class Ours:
    """The meters of this package. Series hold one value a hop, from the first whole window on."""

    def _heard(self, signal: Signal) -> Heard:
        return listen(ArraySource(signal))

    def integrated(self, signal: Signal) -> float:
        loudness = integrated_lufs(self._heard(signal).levels.k_power)
        return float("-inf") if loudness is None else loudness

    def momentary(self, signal: Signal) -> Series:
        return self._series(signal, BLOCK_S, MOMENTARY_HOP_S)

    def short_term(self, signal: Signal) -> Series:
        return self._series(signal, SHORT_TERM_S, SHORT_TERM_HOP_S)

    def _series(self, signal: Signal, window_s: float, hop_s: float) -> Series:
        return lufs(window_powers(self._heard(signal).levels.k_power, window_s, hop_s))  # type: ignore[no-any-return]

    def loudness_range(self, signal: Signal) -> float:
        return loudness_range_lu(self._heard(signal).levels.k_power) or 0.0

    def true_peak(self, signal: Signal) -> float:
        return float(amplitude_db(self._heard(signal).true_peak))


class Reference:
    """libebur128, polled as its own tests poll it: short-term at 10 Hz, momentary at 100 Hz."""

    def __init__(self) -> None:
        import pyebur128

        self._lib: Any = pyebur128

    def _state(self, signal: Signal, mode: str) -> Any:
        return self._lib.R128State(
            signal.shape[1], RATE_HZ, getattr(self._lib.MeasurementMode, mode)
        )

    def _fed(self, signal: Signal, mode: str) -> Any:
        state = self._state(signal, mode)
        state.add_frames(signal.ravel(), len(signal))
        return state

    def integrated(self, signal: Signal) -> float:
        return float(self._lib.get_loudness_global(self._fed(signal, "MODE_I")))

    def momentary(self, signal: Signal) -> Series:
        return self._series(
            signal, "MODE_M", self._lib.get_loudness_momentary, BLOCK_S, MOMENTARY_HOP_S
        )

    def short_term(self, signal: Signal) -> Series:
        return self._series(
            signal, "MODE_S", self._lib.get_loudness_shortterm, SHORT_TERM_S, SHORT_TERM_HOP_S
        )

    def _series(
        self, signal: Signal, mode: str, read: Any, window_s: float, hop_s: float
    ) -> Series:
        state, hop = self._state(signal, mode), round(hop_s * RATE_HZ)
        found = []
        for begin in range(0, len(signal) - hop + 1, hop):
            state.add_frames(signal[begin : begin + hop].ravel(), hop)
            found.append(float(read(state)))
        return np.array(found[round(window_s / hop_s) - 1 :])

    def loudness_range(self, signal: Signal) -> float:
        return float(self._lib.get_loudness_range(self._fed(signal, "MODE_LRA")))

    def true_peak(self, signal: Signal) -> float:
        state = self._fed(signal, "MODE_TRUE_PEAK")
        peak = max(self._lib.get_true_peak(state, c) for c in range(signal.shape[1]))
        return float(amplitude_db(peak))


def reference() -> Reference | None:
    """libebur128, or None where it is not installed."""
    try:
        return Reference()
    except ImportError:
        return None

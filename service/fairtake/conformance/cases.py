"""The published cases: what each expects, at which tolerance, and what a meter says.

A case with many parts (every window, every file, every segment) shows the part in which our meter
is farthest from what is expected, and libebur128's value for the same part.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from fairtake.conformance.meters import (
    MOMENTARY_HOP_S,
    SHORT_TERM_HOP_S,
    Meter,
    Ours,
    Series,
    reference,
)
from fairtake.conformance.recipes import (
    ABSOLUTE_GATE_TEST,
    RATE_HZ,
    RELATIVE_GATE_TEST,
    SILENCE,
    faded_tone,
    inserted_cycle,
    sequence,
)
from fairtake.sound.loudness import BLOCK_S, SHORT_TERM_S

#: (expected, found) of every part of a case.
Parts = list[tuple[float, float]]


@dataclass(frozen=True)
class Case:
    """One published case; ``low`` and ``high`` are its tolerances below and above."""

    source: str
    number: str
    what: str
    unit: str
    low: float
    high: float
    ask: Callable[[Meter], Parts]


@dataclass(frozen=True)
class Answer:
    """What came of a case. ``reference`` is libebur128's value, None without it."""

    case: Case
    expected: float
    ours: float
    reference: float | None

    @property
    def ok(self) -> bool:
        error = self.ours - self.expected
        return math.isfinite(error) and -self.case.low <= error <= self.case.high


def answers() -> Iterator[Answer]:
    """Ask both meters every case."""
    other = reference()
    for case in CASES:
        parts = case.ask(Ours())
        part = max(range(len(parts)), key=lambda i: abs(parts[i][1] - parts[i][0]))
        expected, ours = parts[part]
        yield Answer(case, expected, ours, case.ask(other)[part][1] if other else None)


# --- asking ----------------------------------------------------------------------------------


def _integrated(
    parts: list[tuple[float, float]], expected: float, **more: float
) -> Callable[[Meter], Parts]:
    return lambda meter: [(expected, meter.integrated(sequence(parts, **more)))]  # type: ignore[arg-type]


def _range(levels: list[float], expected: float) -> Callable[[Meter], Parts]:
    return lambda meter: [(expected, meter.loudness_range(sequence([(20, db) for db in levels])))]


def _peak(
    freq_hz: float, amplitude: float, phase: float, expected: float
) -> Callable[[Meter], Parts]:
    return lambda meter: [(expected, meter.true_peak(faded_tone(freq_hz, amplitude, phase)))]


def _cycle(offset: int) -> Callable[[Meter], Parts]:
    return lambda meter: [(0.0, meter.true_peak(inserted_cycle(offset)))]


def _constant(series: Series, after: int) -> Parts:
    return [(-23.0, float(value)) for value in (series[after:].min(), series[after:].max())]


def _case_9(meter: Meter) -> Parts:
    return _constant(meter.short_term(sequence([(1.34, -20), (1.66, -30)] * 5)), 0)


def _case_12(meter: Meter) -> Parts:
    skip = round((1.0 - BLOCK_S) / MOMENTARY_HOP_S)
    return _constant(meter.momentary(sequence([(0.18, -20), (0.22, -30)] * 25)), skip)


def _case_10(meter: Meter) -> Parts:
    files = (sequence([(i * 0.15, SILENCE), (3, -23), (1, SILENCE)]) for i in range(20))
    return [(-23.0, float(meter.short_term(signal).max())) for signal in files]


def _case_13(meter: Meter) -> Parts:
    files = (sequence([(i * 0.02, SILENCE), (0.4, -23), (1, SILENCE)]) for i in range(20))
    return [(-23.0, float(meter.momentary(signal).max())) for signal in files]


def _case_11(meter: Meter) -> Parts:
    parts = [
        p for i in range(20) for p in ((i * 0.15, SILENCE), (3, -38 + i), (3 - i * 0.15, SILENCE))
    ]
    return _segments(meter.short_term(sequence(parts)), 6.0, SHORT_TERM_S, SHORT_TERM_HOP_S)


def _case_14(meter: Meter) -> Parts:
    parts = [
        p for i in range(20) for p in ((i * 0.02, SILENCE), (0.4, -38 + i), (0.4 - i * 0.02, SILENCE))
    ]  # fmt: skip
    return _segments(meter.momentary(sequence(parts)), 0.8, BLOCK_S, MOMENTARY_HOP_S)


def _segments(series: Series, segment_s: float, window_s: float, hop_s: float) -> Parts:
    """The greatest value of the windows that end inside each of twenty segments."""
    ends = window_s + hop_s * np.arange(len(series))
    segment = np.ceil(np.round(ends / segment_s, 6)).astype(int) - 1
    return [(-38.0 + i, float(series[segment == i].max())) for i in range(20)]


# --- the cases -------------------------------------------------------------------------------

_3341, _3342, _2217, _1770 = "EBU Tech 3341", "EBU Tech 3342", "ITU-R BS.2217", "ITU-R BS.1770"
_FS = RATE_HZ

CASES: tuple[Case, ...] = (
    Case(_1770, "-", "0 dBFS, 997 Hz, one channel", "LUFS", 0.005, 0.005,
         _integrated([(20, 0.0)], -3.0103, freq_hz=997.0, channels=1)),
    Case(_3341, "1", "20 s at -23", "LUFS", 0.1, 0.1, _integrated([(20, -23)], -23)),
    Case(_3341, "2", "20 s at -33", "LUFS", 0.1, 0.1, _integrated([(20, -33)], -33)),
    Case(_3341, "3", "-36, -23, -36", "LUFS", 0.1, 0.1, _integrated([(10, -36), (60, -23), (10, -36)], -23)),
    Case(_3341, "4", "-72, -36, -23, -36, -72", "LUFS", 0.1, 0.1,
         _integrated([(10, -72), (10, -36), (60, -23), (10, -36), (10, -72)], -23)),
    Case(_3341, "5", "-26, -20, -26", "LUFS", 0.1, 0.1, _integrated([(20, -26), (20.1, -20), (20, -26)], -23)),
    Case(_3341, "9", "short-term stays, 3 s pattern", "LUFS", 0.1, 0.1, _case_9),
    Case(_3341, "10", "greatest short-term, 20 files", "LUFS", 0.1, 0.1, _case_10),
    Case(_3341, "11", "greatest short-term, 20 segments", "LUFS", 0.1, 0.1, _case_11),
    Case(_3341, "12", "momentary stays, 0.4 s pattern", "LUFS", 0.1, 0.1, _case_12),
    Case(_3341, "13", "greatest momentary, 20 files", "LUFS", 0.1, 0.1, _case_13),
    Case(_3341, "14", "greatest momentary, 20 segments", "LUFS", 0.1, 0.1, _case_14),
    Case(_3341, "15", "true peak, fs/4, 0.50, 0°", "dBTP", 0.4, 0.2, _peak(_FS / 4, 0.50, 0, -6)),
    Case(_3341, "16", "true peak, fs/4, 0.50, 45°", "dBTP", 0.4, 0.2, _peak(_FS / 4, 0.50, 45, -6)),
    Case(_3341, "17", "true peak, fs/6, 0.50, 60°", "dBTP", 0.4, 0.2, _peak(_FS / 6, 0.50, 60, -6)),
    Case(_3341, "18", "true peak, fs/8, 0.50, 67.5°", "dBTP", 0.4, 0.2, _peak(_FS / 8, 0.50, 67.5, -6)),
    Case(_3341, "19", "true peak, fs/4, 1.41, 45°", "dBTP", 0.4, 0.2, _peak(_FS / 4, 1.41, 45, 3)),
    *(Case(_3341, str(20 + i), f"true peak, one cycle, offset {i}", "dBTP", 0.4, 0.2, _cycle(i)) for i in range(4)),
    Case(_3342, "1", "-20, -30", "LU", 1, 1, _range([-20, -30], 10)),
    Case(_3342, "2", "-20, -15", "LU", 1, 1, _range([-20, -15], 5)),
    Case(_3342, "3", "-40, -20", "LU", 1, 1, _range([-40, -20], 20)),
    Case(_3342, "4", "-50, -35, -20, -35, -50", "LU", 1, 1, _range([-50, -35, -20, -35, -50], 15)),
    Case(_2217, "AbsGate", "absolute gate", "LUFS", 0.1, 0.1, _integrated(ABSOLUTE_GATE_TEST, -69.5)),
    Case(_2217, "RelGate", "relative gate", "LUFS", 0.1, 0.1, _integrated(RELATIVE_GATE_TEST, -10.0)),
)  # fmt: skip

"""The loops over every sample: what each costs in C beside the same in numpy."""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np

RATE_HZ, SECONDS = 48_000, 2
#: Each is run so often, in turn, and the quickest counts: other work on the machine only slows.
TURNS, QUICK_TURNS = 60, 10


def factors(folder: Path, options: argparse.Namespace) -> list[dict[str, Any]]:
    """Nanoseconds a sample (a window, a row) of each loop, and how many times quicker C is."""
    from fairtake.sound.loops import COMPILED, plain

    if not COMPILED:
        return [{"loop": "not built: no C compiler, or no headers of Python"}]
    from fairtake.sound.loops import compiled

    turns = QUICK_TURNS if options.quick else TURNS
    rows = []
    for name, (count, loop) in _work().items():
        seconds = dict.fromkeys((plain, compiled), np.inf)
        for _ in range(turns):
            for module in seconds:
                begun = time.perf_counter()
                loop(module)
                seconds[module] = min(seconds[module], time.perf_counter() - begun)
        in_numpy, in_c = (1e9 * s / count for s in seconds.values())
        rows.append({"loop": name, "numpy_ns": in_numpy, "c_ns": in_c, "times": in_numpy / in_c})
    return rows


def _work() -> dict[str, tuple[int, Callable[[ModuleType], Any]]]:
    """For each loop how many values it is over, and a call of it as in the middle of a take."""
    from fairtake.sound.levels import row_starts, widest_row
    from fairtake.sound.loudness import k_weighting
    from fairtake.sound.phases import TAPS

    rng, size = np.random.default_rng(1), RATE_HZ * SECONDS
    block = 0.1 * rng.standard_normal((size, 1))
    starts, sections, width = row_starts(size, RATE_HZ), k_weighting(RATE_HZ), widest_row(RATE_HZ)
    some = starts[: len(starts) // 8]
    joined = np.concatenate([np.zeros((TAPS - 1, 1)), block])
    factors, state, before = rng.random(len(starts) + 1), np.zeros((1, 2, 2)), np.zeros((1, 2))
    raw = rng.integers(0, 256, 3 * size, np.uint8)
    random = rng.integers(0, 2**16, 2 * size, np.uint16)
    low, reduction = rng.standard_normal(20_100), np.maximum(rng.standard_normal(100_000) - 2, 0)
    weights = np.hanning(31)
    return {
        "recurse": (size, lambda m: m.recurse(sections, state, block)),
        "filtered_energies": (size, lambda m: m.filtered_energies(sections, state, block, starts)),
        "row_sums": (size, lambda m: m.row_sums(block, before, starts)),
        "span_peaks": (len(some) * width, lambda m: m.span_peaks(joined, some, width)),
        "lag_sums": (4_000, lambda m: m.lag_sums(low, 4_000, 5, 64, range(2, 18))),
        "weigh": (len(reduction), lambda m: m.weigh(reduction, weights)),
        "decay": (len(reduction), lambda m: m.decay(reduction, 0.96)),
        "unpack": (size, lambda m: m.unpack(raw)),
        "ramp": (size, lambda m: m.ramp(block, factors, RATE_HZ)),
        "quantise": (size, lambda m: m.quantise(block, random, 24)),
    }

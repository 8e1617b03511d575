"""Made noises of a person at a microphone: what is neither voice nor breath and should go.

Mouth clicks, lip smacks, pages, cloth, chairs, thumps, taps, swallowing, coughs, sniffs. Each
function makes one kind; `noise` draws a kind. A few recorded noises stand in between.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from clips import Clip
from numpy.random import Generator
from tools import (
    Samples,
    band,
    coloured,
    faded,
    gain_of,
    grains,
    loudest_is_one,
    resampled,
    wandering,
)


def click(rng: Generator, rate_hz: int) -> Samples:
    """A ring of 1 to 6 ms, sometimes two: tongue, teeth, a switch."""
    decay_s = rng.uniform(0.0008, 0.006)
    times = np.arange(int(decay_s * 6 * rate_hz) + 4) / rate_hz
    ring = np.sin(2 * np.pi * rng.uniform(300, 6000) * times + rng.uniform(0, 6))
    one = np.exp(-times / decay_s) * (ring + rng.uniform(0, 0.8) * rng.standard_normal(len(times)))
    if rng.random() < 0.6:
        return one.astype(np.float32)
    later = int(rng.uniform(0.003, 0.03) * rate_hz)
    two = np.concatenate([one, np.zeros(later)])
    two[later:] += rng.uniform(0.3, 1) * one
    return two.astype(np.float32)


def smack(rng: Generator, rate_hz: int) -> Samples:
    """Lips that part: a short crackle."""
    count = int(rng.uniform(0.03, 0.12) * rate_hz)
    low_hz, high_hz = rng.uniform(500, 1500), rng.uniform(3000, 7500)
    crackle = grains(rng, count, rate_hz, rng.uniform(40, 300), low_hz, high_hz)
    return crackle * np.hanning(count).astype(np.float32)


def page(rng: Generator, rate_hz: int) -> Samples:
    """Paper."""
    return _rustle(rng, rate_hz, rng.uniform(500, 2000), rng.uniform(4000, 9000))


def cloth(rng: Generator, rate_hz: int) -> Samples:
    """A sleeve, a cushion."""
    return _rustle(rng, rate_hz, rng.uniform(80, 300), rng.uniform(1000, 4000))


def _rustle(rng: Generator, rate_hz: int, low_hz: float, high_hz: float) -> Samples:
    count = int(rng.uniform(0.15, 1.2) * rate_hz)
    rustling = grains(rng, count, rate_hz, rng.uniform(100, 2500), low_hz, high_hz)
    return faded(rustling * wandering(rng, count, 0.05, 1, 9), rate_hz // 50, rate_hz // 50)


def chair(rng: Generator, rate_hz: int) -> Samples:
    """A creak: clicks at a wandering rate through three resonances."""
    count = int(rng.uniform(0.1, 0.7) * rate_hz)
    turns = np.cumsum(wandering(rng, count, 20, 400, 6)) / rate_hz
    clicks = np.zeros(count)
    clicks[np.flatnonzero(np.diff(np.floor(turns)))] = 1
    clicks *= rng.uniform(0.3, 1, count)
    creak = np.zeros(count, np.float32)
    for centre_hz in rng.uniform(200, 4000, 3):
        creak += band(clicks, 0.9 * centre_hz, 1.1 * centre_hz, rate_hz)
    return faded(creak * wandering(rng, count, 0.1, 1, 6), rate_hz // 40, rate_hz // 40)


def thump(rng: Generator, rate_hz: int) -> Samples:
    """A knock against the stand, a door, a step."""
    return _knock(rng, rate_hz, rng.uniform(35, 180))


def tap(rng: Generator, rate_hz: int) -> Samples:
    """A finger, a cup, a pen."""
    return _knock(rng, rate_hz, rng.uniform(150, 1200))


def _knock(rng: Generator, rate_hz: int, frequency_hz: float) -> Samples:
    decay_s = rng.uniform(0.01, 0.12)
    times = np.arange(int(5 * decay_s * rate_hz)) / rate_hz
    ring = np.sin(2 * np.pi * frequency_hz * times * (1 + 0.3 * np.exp(-times / 0.02)))
    rattle = rng.uniform(0, 0.4) * grains(rng, len(times), rate_hz, 400, 100, 3000)
    return ((ring + rattle) * np.exp(-times / decay_s)).astype(np.float32)


def swallow(rng: Generator, rate_hz: int) -> Samples:
    """Wet, dull and slow."""
    count = int(rng.uniform(0.15, 0.4) * rate_hz)
    return grains(rng, count, rate_hz, 60, 150, 1200) * np.hanning(count).astype(np.float32)


def cough(rng: Generator, rate_hz: int) -> Samples:
    """One to three bursts of air: an explosion, a noisy fall, sometimes a rough rattle."""
    centres, widths = rng.uniform((400, 1200, 2500), (1000, 2500, 5000)), rng.uniform(150, 900, 3)
    levels, tilt = gain_of(rng.uniform(-14, 0, 3)), rng.uniform(-1.2, -0.2)

    def throat(f: Samples) -> Samples:
        peaks = zip(levels, centres, widths, strict=True)
        shape = sum(a * np.exp(-0.5 * ((f - c) / w) ** 2) for a, c, w in peaks)
        return np.asarray((shape + 0.05) * np.maximum(f / 500, 1) ** tilt, np.float32)

    parts = list[Samples]()
    for n in range(int(rng.choice([1, 2, 3], p=[0.4, 0.4, 0.2]))):
        count = int(rng.uniform(0.12, 0.4) * rate_hz)
        times = np.arange(count) / rate_hz
        fall = np.exp(-times / rng.uniform(0.03, 0.15)) + rng.uniform(0, 0.3)
        rough = 1 + rng.uniform(0, 0.8) * wandering(rng, count, -1, 1, count * 60 // rate_hz + 2)
        air = coloured(rng, count, rate_hz, throat) * fall * rough * gain_of(-rng.uniform(0, 5) * n)
        parts.append(faded(air, int(rng.uniform(0.002, 0.02) * rate_hz), count // 3))
        parts.append(np.zeros(int(rng.uniform(0.03, 0.25) * rate_hz), np.float32))
    return np.concatenate(parts[:-1])


def sniff(rng: Generator, rate_hz: int) -> Samples:
    """One to three short draws through the nose: narrow, high, cut off at their loudest."""
    centre_hz, width = rng.uniform(900, 4500), rng.uniform(0.15, 0.5)

    def nose(f: Samples) -> Samples:
        peak = np.exp(-0.5 * (np.log(f / centre_hz) / width) ** 2)
        return np.asarray(peak + 0.02 / (1 + (400 / f) ** 4), np.float32)

    parts = list[Samples]()
    for _ in range(int(rng.choice([1, 2, 3], p=[0.55, 0.3, 0.15]))):
        count = int(rng.uniform(0.08, 0.35) * rate_hz)
        flow = np.linspace(0, 1, count) ** rng.uniform(0.5, 2) * wandering(rng, count, 0.6, 1.2, 12)
        parts.append(faded(coloured(rng, count, rate_hz, nose) * flow, 0, int(0.02 * rate_hz)))
        parts.append(np.zeros(int(rng.uniform(0.03, 0.2) * rate_hz), np.float32))
    return np.concatenate(parts[:-1])


#: Each kind and how often it is drawn.
KINDS: dict[str, tuple[Callable[[Generator, int], Samples], float]] = {
    "click": (click, 0.25),
    "smack": (smack, 0.11),
    "page": (page, 0.09),
    "cloth": (cloth, 0.09),
    "chair": (chair, 0.09),
    "thump": (thump, 0.09),
    "tap": (tap, 0.06),
    "swallow": (swallow, 0.04),
    "cough": (cough, 0.06),
    "sniff": (sniff, 0.06),
}
RECORDED_SHARE = 0.06


def noise(rng: Generator, rate_hz: int, recorded: Sequence[Clip]) -> Samples:
    """One noise; the RMS of its loudest 20 ms is 1."""
    if recorded and rng.random() < RECORDED_SHARE:
        made = _part_of(rng, recorded[int(rng.integers(len(recorded)))], rate_hz)
    else:
        weights = np.array([often for _, often in KINDS.values()])
        kind = rng.choice(list(KINDS), p=weights / weights.sum())
        made = KINDS[str(kind)][0](rng, rate_hz)
    return loudest_is_one(made, rate_hz, 0.02)


def _part_of(rng: Generator, clip: Clip, rate_hz: int) -> Samples:
    first = clip.samples[: int(rng.uniform(0.2, 1.5) * clip.rate_hz)]
    return faded(resampled(first, clip.rate_hz, rate_hz), 0, int(0.03 * rate_hz))


def small_click(rng: Generator, rate_hz: int) -> Samples:
    """The click with which a mouth opens, just before a breath."""
    decay_s = rng.uniform(0.001, 0.004)
    times = np.arange(int(decay_s * 6 * rate_hz) + 4) / rate_hz
    ring = np.sin(2 * np.pi * rng.uniform(800, 5000) * times)
    return (np.exp(-times / decay_s) * ring).astype(np.float32)


def crackle(rng: Generator, count: int, rate_hz: int) -> Samples:
    """Rain on a window, an old record: sparse grains for as long as *count*."""
    dense = rng.uniform(20, 400)
    return grains(rng, count, rate_hz, dense, 400, 7000)

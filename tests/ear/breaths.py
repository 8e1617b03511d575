"""Made breaths, drawn as widely as mouths, noses and microphones differ.

No recording of breaths is needed. Air is noise, and takes its colour from what it passes: some broad
resonances, a mouth that stands as if for a vowel or a consonant, or a nose. The mouths are borrowed
from the voices, whoever speaks in the take. What matters is the width of the draw, in length (0.08 to
1.3 s), colour, shape, unsteadiness and level.

Conventions: a *colour* is a function that gives the gain at frequencies in Hz; two of them are drawn
for a breath, and it goes from one to the other while the air flows.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt
from clips import Clip
from numpy.random import Generator
from scipy import linalg
from tools import Samples, coloured, gain_of, loudest_is_one

Frequencies = npt.NDArray[np.float32]
Colour = Callable[[Frequencies], Frequencies]

#: Where the colour comes from, and how often.
WAYS, OFTEN = ("resonances", "borrowed", "nose", "sniff"), (0.33, 0.37, 0.17, 0.13)
#: Where a breath in a whispered take comes from: a borrowed mouth would be a whisper.
WAYS_WHISPERED, OFTEN_WHISPERED = ("resonances", "nose", "sniff"), (0.6, 0.2, 0.2)
#: Of a borrowed mouth so much is looked at, by so many poles a kHz.
MOUTH_S, POLES_A_KHZ = 0.03, 1.3
LENGTHS_S = {"sniff": (0.08, 0.35)}
ANY_LENGTH_S = (0.1, 1.3)


def breath(rng: Generator, rate_hz: int, lenders: Sequence[Clip], whispered: bool) -> Samples:
    """One breath, or two in one; the RMS of its loudest 50 ms is 1."""
    sound = _draw_of_air(rng, rate_hz, lenders, whispered)
    if rng.random() < 0.15:
        gap = np.zeros(int(rng.uniform(0.02, 0.12) * rate_hz), np.float32)
        second = _draw_of_air(rng, rate_hz, lenders, whispered) * gain_of(rng.uniform(-8, 8))
        sound = np.concatenate([sound, gap, second])
    return loudest_is_one(sound, rate_hz, 0.05)


def _draw_of_air(rng: Generator, rate_hz: int, lenders: Sequence[Clip], whispered: bool) -> Samples:
    ways, often = (WAYS_WHISPERED, OFTEN_WHISPERED) if whispered else (WAYS, OFTEN)
    way = str(rng.choice(ways, p=often))
    shortest, longest = LENGTHS_S.get(way, ANY_LENGTH_S)
    count = int(np.exp(rng.uniform(np.log(shortest), np.log(longest))) * rate_hz)
    place = np.arange(count, dtype=np.float32) / count
    first, last = _colours(rng, way, lenders)
    sound = coloured(rng, count, rate_hz, first) * (1 - place)
    sound = sound + coloured(rng, count, rate_hz, last) * place
    flow = _sniffed(rng, place) if way == "sniff" else _flow(rng, place, rate_hz)
    return loudest_is_one(sound * flow * _unsteady(rng, count, rate_hz), rate_hz, 0.05)


# --- colours --------------------------------------------------------------------------------------


def _colours(rng: Generator, way: str, lenders: Sequence[Clip]) -> tuple[Colour, Colour]:
    if way == "borrowed":
        tilt_db, cut_hz = rng.uniform(-6, 6), rng.uniform(80, 700)
        mouths = [_borrowed(rng, lenders, tilt_db, cut_hz) for _ in range(2)]
        return (mouths[0], mouths[0] if rng.random() < 0.3 else mouths[1])
    if way == "resonances":
        return _moving(_resonances(rng), rng.uniform(0.75, 1.3))
    if way == "nose":
        return _moving(_nose(rng), rng.uniform(0.85, 1.2))
    return _bright(rng, 1.0), _bright(rng, rng.uniform(1.0, 1.8))


def _moving(colour: Colour, by: float) -> tuple[Colour, Colour]:
    """The same, and the same with all its resonances moved."""
    return colour, lambda f: colour(f / np.float32(by))


def _resonances(rng: Generator) -> Colour:
    """Two to four resonances from 300 to 7,000 Hz over some plain noise."""
    count = int(rng.integers(2, 5))
    centres = np.exp(rng.uniform(np.log(300), np.log(7000), count))
    centres[0] = rng.uniform(400, 1800)
    widths, gains = (
        centres * rng.uniform(0.12, 0.6, count) + 80,
        gain_of(rng.uniform(-22, 0, count)),
    )
    base, tilt_db, cut_hz = gain_of(rng.uniform(-40, -12)), rng.uniform(-9, 1), rng.uniform(80, 500)

    def gain(f: Frequencies) -> Frequencies:
        peaks = zip(gains, centres, widths, strict=True)
        shape = base + sum(a * np.exp(-0.5 * ((f - c) / w) ** 2) for a, c, w in peaks)
        return _tilted(shape, f, tilt_db, cut_hz)

    return gain


def _borrowed(rng: Generator, lenders: Sequence[Clip], tilt_db: float, cut_hz: float) -> Colour:
    """The all-pole envelope of a moment of somebody's speech, larger or smaller, without its pulses:
    a vowel as a rule, a consonant now and then."""
    clip = lenders[int(rng.integers(len(lenders)))]
    width = int(MOUTH_S * clip.rate_hz)
    order = int(rng.uniform(0.6, 1.2) * POLES_A_KHZ * clip.rate_hz / 1000)
    frame = _moment(rng, clip.samples, width) * np.hanning(width)
    frame = np.append(frame[:1], frame[1:] - 0.9 * frame[:-1])
    likeness = np.correlate(frame, frame, "full")[width - 1 : width + order]
    likeness[0] = likeness[0] * 1.003 + 1e-9
    poles = np.concatenate([[1], -linalg.solve_toeplitz(likeness[:-1], likeness[1:])])
    poles *= rng.uniform(0.94, 0.99) ** np.arange(order + 1)
    size = rng.uniform(0.8, 1.25)
    top_hz, grid = clip.rate_hz / 2, np.fft.rfft(poles, 512)
    envelope = 1 / np.maximum(np.abs(grid), 1e-3)
    envelope /= envelope.max()
    places = np.linspace(0, top_hz, len(envelope))

    def gain(f: Frequencies) -> Frequencies:
        # Over the lender's own top there is what a mouth has there: less and less.
        shape = np.interp(f / size, places, envelope) * 1 / (1 + (f / (1.2 * top_hz)) ** 4)
        return _tilted(shape, f, tilt_db, cut_hz)

    return gain


def _moment(rng: Generator, x: Samples, width: int) -> npt.NDArray[np.float64]:
    """A stretch that is not a pause: any but the softest of a few."""
    starts = rng.integers(0, max(1, len(x) - width), 5)
    moments = sorted((x[s : s + width] for s in starts), key=lambda m: float(np.square(m).sum()))
    moment = moments[int(rng.integers(1, 5))].astype(np.float64)
    return np.pad(moment, (0, width - len(moment)))


def _nose(rng: Generator) -> Colour:
    """Dark: two low resonances, little above, and a dip between."""
    low, high = rng.uniform(180, 700), rng.uniform(800, 2600)
    share, dip = gain_of(rng.uniform(-24, -4)), rng.uniform(600, 1600)
    tilt_db, cut_hz, depth = rng.uniform(-10, -1), rng.uniform(60, 250), rng.uniform(0.2, 0.9)

    def gain(f: Frequencies) -> Frequencies:
        shape = 1 / (1 + ((f - low) / (0.5 * low + 60)) ** 2) + share / (
            1 + ((f - high) / 500) ** 2
        )
        shape = (shape + 0.01) * (1 - depth * np.exp(-0.5 * ((f - dip) / 150) ** 2))
        return _tilted(shape, f, tilt_db, cut_hz)

    return gain


def _bright(rng: Generator, moved: float) -> Colour:
    """A wide hump between 1.5 and 8 kHz."""
    centre, width = rng.uniform(1500, 6500) * moved, rng.uniform(0.3, 0.9)
    base, cut_hz = gain_of(rng.uniform(-35, -15)), rng.uniform(150, 900)

    def gain(f: Frequencies) -> Frequencies:
        shape = np.exp(-0.5 * (np.log(f / centre) / width) ** 2) + base
        return _tilted(shape, f, 0.0, cut_hz)

    return gain


def _tilted(shape: npt.ArrayLike, f: Frequencies, tilt_db: float, cut_hz: float) -> Frequencies:
    """*shape* with *tilt_db* an octave over 1 kHz, and what lies under *cut_hz* taken off."""
    tilt = (np.maximum(f, 1000) / 1000) ** (tilt_db / 6.02)
    return np.asarray(np.asarray(shape) * tilt / (1 + (cut_hz / f) ** 4), np.float32)


# --- how the air flows ----------------------------------------------------------------------------


def _flow(rng: Generator, place: Samples, rate_hz: int) -> Samples:
    """It rises, falls or does both; in most breaths it stops with the first word."""
    kinds, often = ("rise", "fall", "hump", "dip", "flat"), (0.3, 0.2, 0.26, 0.12, 0.12)
    kind = str(rng.choice(kinds, p=often))
    flow = _flat(rng, len(place), rate_hz) if kind == "flat" else _curve(rng, place, kind)
    if kind == "dip":
        middle, width = rng.uniform(0.35, 0.65), rng.uniform(0.03, 0.12)
        flow = flow * (1 - rng.uniform(0.5, 0.95) * np.exp(-0.5 * ((place - middle) / width) ** 2))
    return np.maximum(flow, 0).astype(np.float32)


def _unsteady(rng: Generator, count: int, rate_hz: int) -> Samples:
    """A gain that wanders by some dB a few times a second, or rattles, or does neither."""
    swing_db = rng.choice([0.0, 1.5, 3.0, 5.0], p=[0.25, 0.3, 0.3, 0.15])
    points = max(3, int(count / rate_hz * rng.uniform(6, 30)) + 2)
    db = rng.normal(0, swing_db, points)
    wander = np.interp(np.linspace(0, points - 1, count), np.arange(points), db)
    if rng.random() < 0.2:
        turns = rng.uniform(4, 18) * np.arange(count) / rate_hz
        wander = wander + rng.uniform(1, 5) * np.sin(2 * np.pi * turns + rng.uniform(0, 6))
    return gain_of(wander)


def _sniffed(rng: Generator, place: Samples) -> Samples:
    """Faster and faster, and a sudden end."""
    rising = np.exp(rng.uniform(0.5, 3.5) * (place - 1)) * np.clip(place / 0.15, 0, 1)
    return (rising * np.clip((1 - place) / rng.uniform(0.03, 0.2), 0, 1)).astype(np.float32)


def _curve(rng: Generator, place: Samples, kind: str) -> Samples:
    peak = {"rise": (0.6, 0.95), "fall": (0.05, 0.3)}.get(kind, (0.3, 0.7))
    top = rng.uniform(*peak)
    up, down = np.sin(np.pi / 2 * place / top), np.cos(np.pi / 2 * (place - top) / (1 - top))
    return np.maximum(np.where(place < top, up, down), 0) ** rng.uniform(0.6, 2.2)


def _flat(rng: Generator, count: int, rate_hz: int) -> Samples:
    ramps = [min(max(2, int(rng.uniform(0.01, 0.1) * rate_hz)), count // 2) for _ in range(2)]
    flow = np.ones(count, np.float32)
    flow[: ramps[0]], flow[count - ramps[1] :] = (
        np.linspace(0, 1, ramps[0]),
        np.linspace(1, 0, ramps[1]),
    )
    return flow

"""Other ways to say a clip: whispered, drawn out, held, laughed, broken off.

The recordings are mostly prompts and single words, evenly spoken. What an ear takes for noise is
the rest: long consonants, closures, vowels held until they are tones, whispers, laughter. So these
are made from the clips themselves.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from clips import Clip, frames_of, levels_db, mean_hz
from numpy.random import Generator
from scipy import linalg, signal
from tools import Samples, faded, gain_of, resampled, rms, runs, wandering

#: Hissing sounds have the weight of their spectrum above this, vowels below the other.
HISS_HZ, VOWEL_HZ = 2200.0, 1500.0
WHISPER_RATE_HZ = 16_000


# --- whispers -------------------------------------------------------------------------------------


def whispered(rng: Generator, clip: Clip) -> Clip:
    """The same words without a voice: each frame's all-pole envelope, excited by noise.

    What was voiced becomes softer than what was not, as in a real whisper, and loses its chest.
    """
    x, rate_hz = clip.samples, clip.rate_hz
    if rate_hz > 24_000:
        x, rate_hz = resampled(x, rate_hz, WHISPER_RATE_HZ), WHISPER_RATE_HZ
    drop_db, tilt = rng.uniform(6, 18), rng.uniform(0.05, 0.6)
    breathed = _breathed(rng, x, rate_hz, drop_db)
    breathed = signal.lfilter([1], [1, -tilt], breathed)
    low_cut = signal.butter(2, rng.uniform(150, 450), "highpass", fs=rate_hz, output="sos")
    breathed = signal.sosfilt(low_cut, breathed).astype(np.float32)
    return Clip(breathed / max(rms(breathed), 1e-6) * rms(x), rate_hz)


def _breathed(rng: Generator, x: Samples, rate_hz: int, drop_db: float) -> Samples:
    width, hop, order = int(0.025 * rate_hz), int(0.01 * rate_hz), 20 if rate_hz > 12_000 else 12
    window = np.hanning(width).astype(np.float32)
    flat = np.append(x[:1], x[1:] - 0.9 * x[:-1]).astype(np.float32)
    widen = 0.985 ** np.arange(order + 1)
    out = np.zeros(len(x) + width, np.float32)
    for start in range(0, max(0, len(x) - width), hop):
        frame = flat[start : start + width] * window
        likeness = np.correlate(frame, frame, "full")[width - 1 : width + order]
        if likeness[0] < 1e-7:
            continue
        likeness[0] *= 1.001
        poles = np.concatenate([[1], -linalg.solve_toeplitz(likeness[:-1], likeness[1:])])
        noise = rng.standard_normal(width + 60)
        noise = signal.lfilter([1], poles * widen, noise)[60:] * window
        gain = np.sqrt(likeness[0] / max(float(np.square(noise).sum()), 1e-9))
        voiced = _slow(x[start : start + width])
        out[start : start + width] += noise * gain * gain_of(-drop_db * voiced)
    return out[: len(x)]


def _slow(frame: Samples) -> float:
    """How voiced a frame looks, 0 to 1: neighbouring samples are alike."""
    alike = np.mean(frame[1:] * frame[:-1]) / max(float(np.mean(frame**2)), 1e-9)
    return float(np.clip((alike - 0.6) / 0.3, 0, 1))


# --- drawn-out consonants -------------------------------------------------------------------------


def drawn_out(rng: Generator, clip: Clip) -> Clip:
    """Some hissing sounds made longer, and closures put before and behind them."""
    x, rate_hz = clip.samples, clip.rate_hz
    frames = frames_of(x, rate_hz)
    width, level_db = frames.shape[1], levels_db(frames)
    hissing = (mean_hz(frames, rate_hz) > HISS_HZ) & (level_db > level_db.max() - 38)
    found = [(a * width, b * width) for a, b in runs(hissing) if b - a >= 4]
    if not found:
        return clip
    rng.shuffle(found)
    ramp, parts, at = rate_hz // 250, list[Samples](), 0
    for start, stop in sorted(found[: int(rng.integers(1, 4))]):
        parts.append(faded(x[at:start], ramp, ramp))
        parts += [_closure(rng, rate_hz), faded(_longer(rng, x[start:stop], rate_hz), ramp, ramp)]
        parts.append(_closure(rng, rate_hz))
        at = stop
    parts.append(faded(x[at:], ramp, 0))
    return Clip(np.concatenate(parts), rate_hz)


def _closure(rng: Generator, rate_hz: int) -> Samples:
    return np.zeros(
        int(rng.uniform(0.03, 0.15) * rate_hz) if rng.random() < 0.45 else 0, np.float32
    )


def _longer(rng: Generator, hiss: Samples, rate_hz: int) -> Samples:
    """A hissing sound at up to five times its length, from windowed pieces of itself."""
    grain = int(0.03 * rate_hz)
    if rng.random() > 0.6 or len(hiss) < 1.4 * grain:
        return hiss
    count = min(int(len(hiss) * rng.uniform(1.3, 5)), int(0.8 * rate_hz))
    window, out = np.hanning(grain).astype(np.float32), np.zeros(count + grain, np.float32)
    for at in range(0, count, grain // 2):
        wanted = at / count * len(hiss) + rng.normal(0, 0.15 * len(hiss))
        start = int(np.clip(wanted, 0, len(hiss) - grain - 1))
        out[at : at + grain] += hiss[start : start + grain] * window * rng.choice([-1, 1])
    return out[:count] * np.float32(1.2)


# --- held vowels, laughter ------------------------------------------------------------------------


def held(rng: Generator, clip: Clip, alone: bool) -> Clip:
    """A vowel held for up to two seconds, *alone* or in its place in the clip."""
    found = _periods(rng, clip)
    if found is None:
        return clip
    at, period, loop = found
    count = int(rng.uniform(0.25, 1.8) * clip.rate_hz)
    tone = _looped(loop, period, count) * gain_of(wandering(rng, count, -6, 2, 7))
    if rng.random() < 0.5:  # lips closed
        tone = signal.lfilter([1 - (pole := rng.uniform(0.2, 0.8))], [1, -pole], tone)
    if rng.random() < 0.5:  # no voice holds its pitch
        drift = 0.0008 * clip.rate_hz * np.cumsum(rng.standard_normal(count // 400 + 2))
        times = np.arange(count) + np.interp(np.arange(count) / 400, np.arange(len(drift)), drift)
        tone = np.interp(times, np.arange(count), tone)
    ramp = int(rng.uniform(0.03, 0.15) * clip.rate_hz)
    if alone:
        return Clip(faded(tone, ramp, ramp), clip.rate_hz)
    back = clip.samples[at + len(loop) - period :]
    return Clip(np.concatenate([clip.samples[:at], tone, back]).astype(np.float32), clip.rate_hz)


def laughed(rng: Generator, clip: Clip) -> Clip:
    """A short voiced piece again and again, softer each time, as laughter and stammering are."""
    found = _periods(rng, clip)
    if found is None:
        return clip
    at, rate_hz = found[0], clip.rate_hz
    one = clip.samples[
        max(0, at - int(0.04 * rate_hz)) : at + int(rng.uniform(0.05, 0.14) * rate_hz)
    ]
    one, fall_db = faded(one, int(0.02 * rate_hz), int(0.03 * rate_hz)), rng.uniform(0, 3)
    parts, pitch = list[Samples](), rng.uniform(0.97, 1.04)
    for n in range(int(rng.integers(3, 9))):
        parts.append(resampled(one, rate_hz * pitch**n, rate_hz) * gain_of(-fall_db * n))
        parts.append(np.zeros(int(rng.uniform(0.04, 0.16) * rate_hz), np.float32))
    return Clip(np.concatenate(parts), rate_hz)


def _periods(rng: Generator, clip: Clip) -> tuple[int, int, Samples] | None:
    """An even voiced place: where it begins, its period, some periods and one more behind them."""
    x, rate_hz = clip.samples, clip.rate_hz
    frames = frames_of(x, rate_hz)
    if len(frames) < 15:
        return None
    level_db, place = levels_db(frames), np.arange(len(frames))
    loud = (level_db > level_db.max() - 20) & (place > 4) & (place < len(frames) - 8)
    vowels = np.flatnonzero(loud & (mean_hz(frames, rate_hz) < VOWEL_HZ))
    for _ in range(6 if len(vowels) else 0):
        at = int(rng.choice(vowels)) * frames.shape[1]
        period, sure = _period(x[at : at + int(0.05 * rate_hz)], rate_hz)
        count = period * int(rng.integers(4, 8))
        if sure and at + count <= len(x):
            return at, period, x[at : at + count]
    return None


def _period(x: Samples, rate_hz: int) -> tuple[int, bool]:
    """The period in samples, and whether the place is periodic at all."""
    likeness = np.correlate(x, x, "full")[len(x) - 1 :]
    low, high = int(rate_hz / 400), int(rate_hz / 65)
    if len(likeness) < high or likeness[0] <= 0:
        return 1, False
    period = low + int(np.argmax(likeness[low:high]))
    return period, bool(likeness[period] > 0.6 * likeness[0])


def _looped(loop: Samples, period: int, count: int) -> npt.NDArray[np.float64]:
    """The periods end to end, each seam a cross-fade of one period."""
    step = len(loop) - period
    ramp = np.linspace(0, 1, period)
    window = np.concatenate([ramp, np.ones(step - period), ramp[::-1]])
    out = np.zeros(count + 2 * len(loop))
    for at in range(0, count + step, step):
        out[at : at + len(loop)] += loop * window
    return out[step : step + count]


def broken_off(rng: Generator, clip: Clip) -> Clip:
    """Only the beginning, as in a false start."""
    count = int(rng.uniform(0.2, 0.6) * clip.rate_hz)
    return Clip(faded(clip.samples[:count], 0, int(0.03 * clip.rate_hz)), clip.rate_hz)

"""Music, made and recorded, and how it lies under and between words.

A bed, an intro that goes down when the voice comes, an outro, a sting between two sections. The
made tunes are chords, a melody and a drum drawn at random: dull to hear, wide in sound.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from clips import Clip
from numpy.random import Generator
from tools import Samples, added, gain_of, resampled, rms

TUNE_RATE_HZ, TUNE_S = 22_050, 34
MAJOR, MINOR = (0, 2, 4, 5, 7, 9, 11), (0, 2, 3, 5, 7, 8, 10)
RECORDED_SHARE = 0.45


@dataclass(frozen=True)
class Instrument:
    """How a made note sounds."""

    roll_off: float
    attack_s: float
    decay_s: float
    harmonics: int

    def note(self, rng: Generator, pitch: int, length_s: float, volume: float) -> Samples:
        """One note; *pitch* counts semitones, 69 is 440 Hz."""
        first_hz = 440 * 2 ** ((pitch - 69) / 12)
        times = np.arange(int(length_s * TUNE_RATE_HZ), dtype=np.float32) / TUNE_RATE_HZ
        tone = np.zeros(len(times), np.float32)
        for n in range(1, self.harmonics + 1):
            if n * first_hz < 9000:
                turn = np.float32(2 * np.pi * n * first_hz * (1 + 0.0005 * rng.normal()))
                tone += np.sin(turn * times + np.float32(rng.uniform(0, 6))) / n**self.roll_off
        ramp = min(len(times) // 4, int(self.attack_s * TUNE_RATE_HZ) + 1)
        swell = np.exp(-times / self.decay_s)
        swell[:ramp] *= np.linspace(0, 1, ramp)
        swell[len(swell) - ramp :] *= np.linspace(1, 0, ramp)
        return (tone * swell * volume).astype(np.float32)


def tune(rng: Generator) -> Samples:
    """Half a minute of made music at TUNE_RATE_HZ, peak 1."""
    out = np.zeros(TUNE_S * TUNE_RATE_HZ, np.float32)
    beat_s, root = 60 / rng.uniform(55, 150), int(rng.uniform(40, 60))
    scale = MAJOR if rng.random() < 0.5 else MINOR
    for _ in range(int(rng.integers(1, 4))):
        _play(rng, out, scale, root, beat_s)
    if rng.random() < 0.5:
        _drum(rng, out, beat_s)
    return out / max(float(np.abs(out).max()), 1e-6)


def _play(rng: Generator, out: Samples, scale: Sequence[int], root: int, beat_s: float) -> None:
    """One layer: single notes when it is fast, chords of three when it is slow."""
    attack_s, decay_s = rng.choice([0.005, 0.02, 0.2]), rng.choice([0.15, 0.5, 2, 9])
    one = Instrument(rng.uniform(0.7, 2.5), attack_s, decay_s, int(rng.integers(2, 12)))
    step_s = rng.choice([0.5, 1, 2, 4]) * beat_s
    octave, volume = 12 * int(rng.integers(0, 3)), rng.uniform(0.3, 1)
    for time_s in np.arange(0, TUNE_S - 2, step_s):
        for _ in range(1 if step_s < 1.5 * beat_s else 3):
            pitch = root + octave + scale[int(rng.integers(7))] + 12 * int(rng.integers(0, 2))
            length_s = min(step_s * rng.uniform(0.8, 1.8), 1.9)
            note = one.note(rng, pitch, length_s, volume * rng.uniform(0.4, 1))
            added(out, note, int(time_s * TUNE_RATE_HZ))


def _drum(rng: Generator, out: Samples, beat_s: float) -> None:
    volume, time_s = rng.uniform(0.2, 1.5), 0.0
    while time_s < TUNE_S - 2:
        times = np.arange(int(0.2 * TUNE_RATE_HZ)) / TUNE_RATE_HZ
        if rng.random() < 0.6:
            hit = rng.standard_normal(len(times)) * np.exp(-times / rng.uniform(0.01, 0.06))
        else:
            hit = 2 * np.sin(2 * np.pi * rng.uniform(45, 90) * times) * np.exp(-times / 0.06)
        added(out, (volume * hit).astype(np.float32), int(time_s * TUNE_RATE_HZ))
        time_s += beat_s * rng.choice([0.5, 1])


def piece(rng: Generator, count: int, rate_hz: int, recorded: Sequence[Clip]) -> Samples:
    """*count* samples of music, RMS 1 where it plays."""
    if recorded and rng.random() < RECORDED_SHARE:
        source = recorded[int(rng.integers(len(recorded)))]
        x, from_hz = source.samples, source.rate_hz
    else:
        x, from_hz = tune(rng), TUNE_RATE_HZ
    wanted = int(count / rate_hz * from_hz) + 2
    x = np.tile(x, -(-wanted // len(x)))
    start = int(rng.integers(0, len(x) - wanted + 1))
    y = resampled(x[start : start + wanted], from_hz, rate_hz)[:count]
    y = np.pad(y, (0, count - len(y)))
    return y / np.float32(rms(y))


def course_db(
    rng: Generator, spoken: Sequence[tuple[int, int]], count: int, rate_hz: int
) -> Samples:
    """How loud the music is, relative to the voice, a value a sample; -120 is none.

    *spoken* are the stretches of speech, in samples, in order.
    """
    kind = str(
        rng.choice(["bed", "ducked", "intro", "outro", "sting"], p=[0.4, 0.2, 0.2, 0.1, 0.1])
    )
    first, last = spoken[0][0], spoken[-1][1]
    under_db, full_db = rng.uniform(-28, -9), rng.uniform(-12, 3)
    if kind == "bed":
        points = _shape([(0, under_db), (count, under_db)], rng.uniform(0.3, 3) * rate_hz, count)
    elif kind == "ducked":
        return _ducked(rng, spoken, (under_db, max(full_db, under_db + 4)), count, rate_hz)
    elif kind == "intro":
        gone = first + int(rng.uniform(0.5, 6) * rate_hz)
        stays_db = under_db if rng.random() < 0.5 else -120.0
        points = [(0, full_db), (first, full_db), (gone, stays_db), (count, stays_db)]
    elif kind == "outro":
        rise = max(0, last - int(rng.uniform(0, 4) * rate_hz))
        points = [(0, -120), (rise, -120), (rise + int(0.5 * rate_hz), under_db)]
        points += [(last + int(0.3 * rate_hz), full_db), (count, full_db - 10)]
    else:
        start = spoken[len(spoken) // 2][1]
        long = int(rng.uniform(1, 5) * rate_hz)
        points = [(0, -120), (start - 1, -120), (start + 1, full_db)]
        points += [(start + long, full_db), (start + long + rate_hz, -120), (count, -120)]
    return _line(points, count)


def _shape(points: list[tuple[int, float]], ramp: float, count: int) -> list[tuple[int, float]]:
    """A level with a fade at its beginning."""
    return [(0, -60.0), (int(min(ramp, count // 2)), points[0][1]), *points[1:]]


def _ducked(
    rng: Generator,
    spoken: Sequence[tuple[int, int]],
    levels_db: tuple[float, float],
    count: int,
    rate_hz: int,
) -> Samples:
    """Down under every word, up again in long pauses."""
    under_db, full_db = levels_db
    points, attack = [(0, full_db)], int(rng.uniform(0.1, 0.6) * rate_hz)
    hold = int(rng.uniform(0.3, 1.2) * rate_hz)
    for i, (start, stop) in enumerate(spoken):
        following = spoken[i + 1][0] if i + 1 < len(spoken) else count
        points += [(max(points[-1][0] + 1, start - attack), points[-1][1]), (start, under_db)]
        points.append((stop, under_db))
        if following - stop > hold + 2 * attack:
            points += [(stop + hold, under_db), (stop + hold + attack, full_db)]
    return _line([*points, (count, points[-1][1])], count)


def _line(points: Sequence[tuple[int, float]], count: int) -> Samples:
    places = np.maximum.accumulate([place for place, _ in points])
    return np.interp(np.arange(count), places, [db for _, db in points]).astype(np.float32)


def gained(x: Samples, db: Samples) -> Samples:
    """Music at its course; nothing where the course says none."""
    return np.where(db > -100, x * gain_of(db), 0).astype(np.float32)

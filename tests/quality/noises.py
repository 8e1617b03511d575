"""What is no voice: the tone of rooms, and noises that a recording picks up.

Conventions: mono float64 at RATE_HZ; levels are dBFS RMS, of a click or a thump the peak.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scene
from scipy import signal

from sources import RATE_HZ

#: Mains hum has this many harmonics, its own frequency the first.
HUM_HARMONICS = 8


@dataclass(frozen=True)
class Room:
    """A colour of room tone and its level."""

    colour: str = "dull"
    level_dbfs: float = -62.0


DECENT_ROOM = Room()


# --- rooms ----------------------------------------------------------------------------------------

#: Pass bands of coloured noise, Hz, first order each.
_BANDS_HZ = {
    "white": (30, 16_000),
    "brown": (25, 60),
    "fan": (120, 900),
    "bright": (3000, 18_000),
    "street": (40, 250),
}


def room_tone(n: int, room: Room, rng: np.random.Generator) -> np.ndarray:
    """Room tone of a colour.

    dull falls by 3 dB an octave, brown by 6; white and bright hiss; a fan is a broad hump, with the
    tone of its blades where it is near; a street swells and sinks; rain is drops on top of a hiss.
    """
    if room.colour == "dull":
        return scene.room_tone(n, room.level_dbfs, rng)
    return scene.at_rms(_coloured(n, room.colour, rng), room.level_dbfs)


def _coloured(n: int, colour: str, rng: np.random.Generator) -> np.ndarray:
    if colour == "rain":
        return _rain(n, rng)
    if colour == "near fan":
        return _near_fan(n, rng)
    white = rng.standard_normal(n + RATE_HZ)
    sos = signal.butter(1, _BANDS_HZ[colour], "bandpass", fs=RATE_HZ, output="sos")
    tone = np.asarray(signal.sosfilt(sos, white)[RATE_HZ:])
    if colour == "street":
        tone *= 10 ** (_slow(n, rng, 1.5, 2.5) / 20)
    return tone


def _slow(n: int, rng: np.random.Generator, every_s: float, range_db: float) -> np.ndarray:
    """A level that wanders slowly, dB."""
    points = max(int(n / RATE_HZ / every_s) + 2, 4)
    return np.interp(
        np.linspace(0, points - 1, n), np.arange(points), rng.normal(0, range_db, points)
    )


def _rain(n: int, rng: np.random.Generator) -> np.ndarray:
    """Drops, 300 a second, each a short ring of its own, over the hiss of those further off."""
    drops = (rng.random(n) < 300 / RATE_HZ) * rng.exponential(1.0, n) * rng.choice([-1, 1], n)
    parts = np.zeros(n)
    for low_hz, high_hz in ((900, 2200), (2000, 5000), (4500, 11_000)):
        mine = drops * (rng.random(n) < 1 / 3)
        sos = signal.butter(1, [low_hz, high_hz], "bandpass", fs=RATE_HZ, output="sos")
        parts += signal.sosfilt(sos, mine)
    sos = signal.butter(1, [400, 8000], "bandpass", fs=RATE_HZ, output="sos")
    return scene.at_rms(parts, -3.0) + scene.at_rms(
        signal.sosfilt(sos, rng.standard_normal(n)), -3.0
    )


def _near_fan(n: int, rng: np.random.Generator) -> np.ndarray:
    """A machine's fan: a hump of noise, and the tone of its blades, which is not quite steady."""
    sos = signal.butter(1, [100, 1200], "bandpass", fs=RATE_HZ, output="sos")
    wind = scene.at_rms(signal.sosfilt(sos, rng.standard_normal(n)), -2.0)
    hz = rng.uniform(180, 420) * (1 + 0.004 * _slow(n, rng, 0.7, 1.0))
    turn = 2 * np.pi * np.cumsum(hz) / RATE_HZ
    return wind + scene.at_rms(np.sin(turn) + 0.4 * np.sin(2 * turn), -12.0)


# --- noises ---------------------------------------------------------------------------------------


def page(rng: np.random.Generator) -> np.ndarray:
    """A page is turned: crackling noise of 0.4 to 0.9 s, in a few swells."""
    n = scene.samples_in(rng.uniform(0.4, 0.9))
    crackle = rng.standard_normal(n) * (rng.random(n) < 0.12) * rng.exponential(1.0, n)
    band = signal.butter(2, [800, 9000], "bandpass", fs=RATE_HZ, output="sos")
    swell = np.interp(np.arange(n), np.linspace(0, n, 9), np.append(rng.uniform(0.2, 1, 8), 0.0))
    return scene.at_rms(signal.sosfilt(band, crackle) * swell, rng.uniform(-46, -36))


def thump(rng: np.random.Generator, peak_dbfs: float) -> np.ndarray:
    """A plosive hits the microphone: 60 to 120 ms of 30 to 70 Hz that swell and die away."""
    n = scene.samples_in(rng.uniform(0.06, 0.12))
    t = np.arange(n) / RATE_HZ
    wave = np.sin(2 * np.pi * rng.uniform(30, 70) * t + rng.uniform(0, 1))
    return scene.at_peak(wave * np.sin(np.pi * np.sqrt(np.arange(n) / n)) ** 2, peak_dbfs)


def hum(n: int, level_dbfs: float, mains_hz: float) -> np.ndarray:
    """Mains hum: the mains frequency and its harmonics, each weaker, the odd ones less so."""
    t = np.arange(n) / RATE_HZ
    parts = [(k, 1.0 / k ** (1.3 if k % 2 else 1.8)) for k in range(1, HUM_HARMONICS + 1)]
    waves = [a * np.sin(2 * np.pi * k * mains_hz * t + k) for k, a in parts]
    return scene.at_rms(np.sum(waves, axis=0), level_dbfs)


def mouth_click(rng: np.random.Generator) -> np.ndarray:
    """A click of 1 to 5 ms, peak 1.0."""
    if rng.random() < 0.6:
        return scene.click(rng, 0.0)
    n = scene.samples_in(rng.uniform(0.003, 0.005))
    t = np.arange(n) / RATE_HZ
    ring = np.sin(2 * np.pi * rng.uniform(1200, 4000) * t) * np.exp(-6.0 * np.arange(n) / n)
    return scene.at_peak(ring + 0.2 * rng.standard_normal(n) * np.exp(-9.0 * t / t[-1]), 0.0)


def chair(rng: np.random.Generator) -> np.ndarray:
    """A chair creaks for 0.3 to 0.9 s: it sticks and slips, and the wood rings each time."""
    n = scene.samples_in(rng.uniform(0.3, 0.9))
    rate_hz = np.interp(np.linspace(0, 1, n), np.linspace(0, 1, 5), rng.uniform(18, 90, 5))
    slips = np.diff(np.floor(np.cumsum(rate_hz) / RATE_HZ), prepend=0.0) * rng.uniform(0.3, 1.0, n)
    wood = np.zeros(n)
    for hz in rng.uniform(200, 2800, 4):
        decay = np.exp(-np.pi * rng.uniform(40, 120) / RATE_HZ)
        turn = 2 * np.pi * hz / RATE_HZ
        wood += signal.lfilter([1.0], [1.0, -2 * decay * np.cos(turn), decay**2], slips)
    return scene.at_rms(wood * np.hanning(n) ** 0.5, rng.uniform(-46, -34))


def bump(rng: np.random.Generator) -> np.ndarray:
    """Something knocks the table: a dull ring of 60 to 250 Hz with a click on top."""
    n = scene.samples_in(rng.uniform(0.15, 0.4))
    t = np.arange(n) / RATE_HZ
    ring = sum(np.sin(2 * np.pi * hz * t + hz) for hz in rng.uniform(60, 400, 3))
    knock = rng.standard_normal(n) * np.exp(-t / 0.006)
    sound = (ring * np.exp(-t / rng.uniform(0.03, 0.09)) + 0.7 * knock) * np.minimum(t / 0.001, 1)
    return scene.at_rms(sound, rng.uniform(-42, -30))


def cough(rng: np.random.Generator) -> np.ndarray:
    """A cough or two: a burst, noise through an open mouth, a little voice at its end."""
    bursts = []
    for _ in range(int(rng.integers(1, 3))):
        n = scene.samples_in(rng.uniform(0.2, 0.4))
        t = np.arange(n) / RATE_HZ
        hz = np.cumsum(np.full(n, rng.uniform(110, 220))) / RATE_HZ
        voice = signal.sawtooth(2 * np.pi * hz) * np.clip((t - 0.1) / 0.05, 0, 1)
        sound = 0.4 * voice + rng.standard_normal(n)
        mouth = [(rng.uniform(500, 900), 3.0), (rng.uniform(1100, 1900), 4.0)]
        wave = sum(signal.lfilter(*signal.iirpeak(f, q, fs=RATE_HZ), sound) for f, q in mouth)
        bursts += [wave * np.exp(-t / 0.09) * np.minimum(t / 0.004, 1), np.zeros(n // 3)]
    return scene.at_rms(np.concatenate(bursts[:-1]), rng.uniform(-38, -26))


END_NOISES = {"page": page, "chair": chair, "bump": bump, "cough": cough}

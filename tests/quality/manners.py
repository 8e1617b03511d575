"""Ways to use a voice, made out of a real one: whispered, sung, laughed.

Conventions: utterances as in `sources.py`: mono float64 at RATE_HZ, active level 0 dB.
"""

from __future__ import annotations

import numpy as np
import scene
import soxr
from scipy import linalg, signal

from sources import (
    FRAME,
    RATE_HZ,
    at_active_level,
    frame_levels_db,
    framed,
    overlapped,
    p95_db,
    runs,
    voicing,
)

#: Linear prediction works at this rate, with this many poles, on frames of 25 ms every 10 ms.
TRACT_HZ, POLES, TRACT_FRAME, TRACT_HOP = 16_000, 18, 400, 160


def tract_of(x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The vocal tract, frame by frame: all-pole filters (frames, POLES + 1) and their gains.

    *x* is at TRACT_HZ. Silent frames have the gain 0.
    """
    padded = np.pad(x, TRACT_FRAME)
    frames = framed(padded, TRACT_FRAME, TRACT_HOP)
    filters = np.zeros((len(frames), POLES + 1))
    filters[:, 0] = 1.0
    gains = np.zeros(len(frames))
    for n, frame in enumerate(frames):
        lags = signal.correlate(frame, frame, "full", "fft")[TRACT_FRAME - 1 :][: POLES + 1]
        if lags[0] < 1e-8:
            continue
        lags[0] *= 1.0005
        taps = linalg.solve_toeplitz(lags[:POLES], lags[1:])
        filters[n, 1:] = -taps
        gains[n] = np.sqrt(max(lags[0] - taps @ lags[1:], 0.0))
    return filters, gains


def whispered(x: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """The same words without a voice: noise through the tract of every moment.

    The low end of a whisper is weaker than that of a voice, and its voiced sounds lose more.
    """
    low = soxr.resample(x, RATE_HZ, TRACT_HZ)
    filters, gains = tract_of(low)
    out = np.zeros(len(low) + 4 * TRACT_FRAME)
    window = np.hanning(2 * TRACT_HOP)
    for n in np.flatnonzero(gains):
        noise = rng.standard_normal(2 * TRACT_HOP + 64)
        sound = signal.lfilter([gains[n]], filters[n], noise)[64:] * window
        start = n * TRACT_HOP + TRACT_HOP // 4
        out[start : start + len(sound)] += sound
    out = out[TRACT_FRAME:][: len(low)]
    out = signal.sosfilt(signal.butter(1, 700.0, "highpass", fs=TRACT_HZ, output="sos"), out)
    spoken = np.repeat(frame_levels_db(x) > p95_db(frame_levels_db(x)) - 50.0, FRAME)
    spoken = signal.oaconvolve(
        np.pad(spoken, (0, len(x) - len(spoken))), np.full(400, 1 / 400), "same"
    )
    same = soxr.resample(out, TRACT_HZ, RATE_HZ)
    n = min(len(same), len(x))
    return at_active_level(same[:n] * np.clip(spoken[:n], 0.0, 1.0))


def vowel_of(x: np.ndarray) -> np.ndarray | None:
    """The longest strong voiced stretch of an utterance, at most 0.3 s; None under 0.1 s."""
    level_db = frame_levels_db(x)
    strong = (voicing(x) > 0.8) & (level_db > p95_db(level_db) - 9.0)
    start, stop = max(runs(strong), key=lambda run: run[1] - run[0], default=(0, 0))
    if stop - start < 10:
        return None
    return x[start * FRAME : min(stop, start + 30) * FRAME]


def stretched(x: np.ndarray, factor: float) -> np.ndarray:
    """A steady sound, longer: a phase vocoder without any care for onsets."""
    size, hop = 2048, 256
    padded = np.pad(x, size // 2, mode="reflect" if len(x) > size // 2 else "wrap")
    bands = np.fft.rfft(framed(padded, size, hop))
    turn = 2 * np.pi * hop * np.arange(size // 2 + 1) / size
    steps = np.angle(bands[1:] * np.conj(bands[:-1]) * np.exp(-1j * turn)) + turn
    places = np.arange(0.0, len(bands) - 1.001, 1.0 / factor)
    phase = np.angle(bands[0])
    phases = np.zeros((len(places), len(phase)))
    heights = np.zeros_like(phases)
    for n, place in enumerate(places):
        i, part = int(place), place % 1.0
        heights[n] = (1.0 - part) * np.abs(bands[i]) + part * np.abs(bands[i + 1])
        phases[n] = phase
        phase = phase + steps[i]
    frames = np.fft.irfft(heights * np.exp(1j * phases)) * np.hanning(size)
    out = overlapped(frames, hop)
    return out[size // 2 : -size // 2]


def _note(vowel: np.ndarray, seconds: float, semitones: float, vibrato_hz: float) -> np.ndarray:
    """A vowel, held at another pitch, RMS 1.0; with vibrato from 0.2 s on, if any."""
    note = stretched(vowel, max(1.6 * seconds * RATE_HZ / len(vowel), 1.0))
    t = np.arange(scene.samples_in(seconds)) / RATE_HZ
    vibrato = 0.35 * np.sin(2 * np.pi * vibrato_hz * t) * np.clip(t / 0.4, 0.0, 1.0)
    places = np.cumsum(2.0 ** ((semitones + vibrato) / 12))
    note = np.interp(places[places < len(note) - 1], np.arange(len(note)), note)
    edge = min(scene.samples_in(0.06), len(note) // 3)
    ramp = np.sin(np.linspace(0.0, np.pi / 2, edge)) ** 2
    note[:edge] *= ramp
    note[-edge:] *= ramp[::-1]
    return np.asarray(note / np.sqrt(np.mean(note**2) + 1e-12))


def sung(x: np.ndarray, rng: np.random.Generator) -> np.ndarray | None:
    """Two or three held notes on a vowel of the utterance, with vibrato; None where it has none."""
    vowel = vowel_of(x)
    if vowel is None:
        return None
    notes = []
    for semitones in rng.choice([-3, -2, 0, 2, 3, 5], int(rng.integers(2, 4)), replace=False):
        notes.append(_note(vowel, rng.uniform(0.8, 1.8), semitones, rng.uniform(4.5, 6.0)))
    return at_active_level(np.concatenate(notes))


def laughed(x: np.ndarray, rng: np.random.Generator) -> np.ndarray | None:
    """A laugh on a vowel of the utterance: short bursts that sink, air between them."""
    vowel = vowel_of(x)
    if vowel is None:
        return None
    parts: list[np.ndarray] = []
    count = int(rng.integers(5, 10))
    every_s = rng.uniform(0.17, 0.24)
    for n in range(count):
        voiced = _note(vowel, rng.uniform(0.07, 0.12), 4.0 - 5.0 * n / count, 0.0)
        air = rng.standard_normal(max(scene.samples_in(every_s) - len(voiced), FRAME))
        sos = signal.butter(1, [600, 4500], "bandpass", fs=RATE_HZ, output="sos")
        air = signal.sosfilt(sos, air) * np.hanning(len(air))
        parts += [voiced * scene.gain_of(-6.0 * n / count), 0.12 * air / np.sqrt(np.mean(air**2))]
    return at_active_level(np.concatenate(parts))

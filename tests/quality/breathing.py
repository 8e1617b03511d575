"""Breaths, and what else a mouth does between words, in kinds that have nothing in common.

| kind | where its sound comes from |
| --- | --- |
| swell | band-passed noise in a smooth swell, as in the project's samples |
| tract | turbulence in the vocal tract of another real voice, its vowels walked backwards |
| hushed | a real consonant of another voice (h, f, sh), drawn out, often turned round in time |
| whisper | the synthesiser's whispering voices, drawn out |
| nose | dark noise through a nose: two low resonances and a notch |
| sniff | short and bright, rising to a sudden end |
| double | two of the others in one go |
| smack, swallow | lips that part; a gulp: no breaths, and counted apart |

They are to be strange to any ear: nothing here was made with the training's generators in view.

Conventions: mono float64 at RATE_HZ, RMS 1.0 over the whole sound (smack and swallow: peak 1.0).
"""

from __future__ import annotations

import functools
import struct
import subprocess

import numpy as np
import scene
import soxr
from scipy import signal
from voices import voice_named

from manners import TRACT_HZ, tract_of, vowel_of
from sources import (
    FRAME,
    RATE_HZ,
    Drawn,
    frame_levels_db,
    framed,
    overlapped,
    p95_db,
    runs,
    voicing,
)

BREATHS = ("swell", "tract", "hushed", "whisper", "nose", "sniff", "double")
MOUTH = ("smack", "swallow")
#: Shortest and longest of each kind, seconds.
LENGTHS_S = {
    "swell": (0.12, 0.8), "tract": (0.15, 1.2), "hushed": (0.15, 1.0), "whisper": (0.15, 0.9),
    "nose": (0.25, 1.1), "sniff": (0.1, 0.28), "double": (0.35, 1.2),
}  # fmt: skip


def breath(kind: str, seconds: float, lender: str, rng: np.random.Generator) -> np.ndarray:
    """One breath. *lender* names the voice whose tract or consonants the kind may need."""
    n = scene.samples_in(seconds)
    if kind == "double":
        first = round(n * rng.uniform(0.3, 0.5))
        gap = scene.samples_in(rng.uniform(0.03, 0.1))
        kinds = rng.choice(["swell", "tract", "hushed", "sniff"], 2)
        sounds = [
            _MAKERS[str(k)](m, lender, rng)
            for k, m in zip(kinds, (first, n - first - gap), strict=True)
        ]
        sounds[0] = sounds[0] * scene.gain_of(rng.uniform(-8, 2))
        return _at_one(np.concatenate([sounds[0], np.zeros(gap), sounds[1]]))
    return _MAKERS[kind](n, lender, rng)


def mouth_sound(kind: str, rng: np.random.Generator) -> np.ndarray:
    """Lips that part, or a gulp."""
    sound = _smack(rng) if kind == "smack" else _swallow(rng)
    return scene.at_peak(sound, 0.0)


def _at_one(x: np.ndarray) -> np.ndarray:
    return x / np.sqrt(np.mean(np.square(x)) + 1e-20)


def walk(
    n: int, rng: np.random.Generator, step_s: float = 0.04, range_db: float = 5.0
) -> np.ndarray:
    """A gain that wanders: a random walk in dB, smooth, drawn back to its middle."""
    points = max(int(n / RATE_HZ / step_s) + 2, 4)
    db = np.zeros(points)
    for i in range(1, points):
        db[i] = 0.8 * db[i - 1] + rng.normal(0.0, 0.5 * range_db)
    return 10.0 ** (np.interp(np.linspace(0, points - 1, n), np.arange(points), db) / 20.0)


def bow(n: int, rng: np.random.Generator) -> np.ndarray:
    """The shape of one draw of air: rise, hold and fall, none of them alike."""
    rise, fall = rng.uniform(0.1, 0.6), rng.uniform(0.05, 0.35)
    place = np.linspace(0.0, 1.0, n)
    power = rng.uniform(0.7, 2.0)
    up = np.clip(place / rise, 0.0, 1.0) ** power
    down = np.clip((1.0 - place) / fall, 0.0, 1.0) ** rng.uniform(0.7, 1.5)
    return up * down


def _band(x: np.ndarray, low_hz: float, high_hz: float, order: int = 2) -> np.ndarray:
    sos = signal.butter(order, [low_hz, high_hz], "bandpass", fs=RATE_HZ, output="sos")
    return np.asarray(signal.sosfilt(sos, x))


def _swell(n: int, lender: str, rng: np.random.Generator) -> np.ndarray:
    return _at_one(scene.breath(rng, 1000.0 * n / RATE_HZ, -20.0))


def _tract(n: int, lender: str, rng: np.random.Generator) -> np.ndarray:
    shapes = _vowel_shapes(lender)
    some = shapes[rng.permutation(len(shapes))[: int(rng.integers(2, 5))]][::-1]
    size, hop = 1024, 256
    count = n // hop + 8
    at = np.linspace(0, len(some) - 1, count)
    log_shape = np.stack(
        [np.interp(at, np.arange(len(some)), np.log(col)) for col in some.T], axis=1
    )
    bands = np.fft.rfft(rng.standard_normal((count, size)) * np.hanning(size))
    hz = np.fft.rfftfreq(size, 1 / RATE_HZ)
    # Air that rushes in has little under 400 Hz, and keeps its highs where a voice loses them.
    tilt = (hz / (hz + 400.0)) ** 2 * (1.0 + hz / 3000.0) ** rng.uniform(0.3, 0.9)
    grown = np.stack(
        [np.interp(hz, np.linspace(0, TRACT_HZ / 2, some.shape[1]), row) for row in log_shape]
    )
    frames = np.fft.irfft(
        bands * np.exp(grown) * tilt * (hz < rng.uniform(6000, 10_000))
    ) * np.hanning(size)
    out = overlapped(frames, hop)
    return _at_one(out[size : size + n] * bow(n, rng) * walk(n, rng))


@functools.cache
def _vowel_shapes(lender: str) -> np.ndarray:
    """Spectral envelopes of some vowels of a voice, shape (vowels, points up to TRACT_HZ / 2)."""
    pieces = Drawn(voice_named(lender), np.random.default_rng(7))
    shapes: list[np.ndarray] = []
    for _ in range(40):
        vowel = vowel_of(pieces.next())
        if vowel is None:
            continue
        filters, gains = tract_of(soxr.resample(vowel, RATE_HZ, TRACT_HZ))
        middle = filters[int(np.argmax(gains))]
        shapes.append(np.abs(signal.freqz([1.0], middle, 129)[1]))
        if len(shapes) == 6:
            break
    if not shapes:  # a voice without one steady vowel: an open tube
        shapes.append(1.0 + 4.0 * np.cos(np.linspace(0.0, 8.0 * np.pi, 129) + np.pi) ** 2)
    return np.array(shapes) / np.mean(shapes, axis=1, keepdims=True)


def _hushed(n: int, lender: str, rng: np.random.Generator) -> np.ndarray:
    sources = _consonants(lender)
    source = sources[int(rng.integers(len(sources)))]
    return _drawn_out(source[::-1] if rng.random() < 0.6 else source, n, rng)


def _drawn_out(source: np.ndarray, n: int, rng: np.random.Generator) -> np.ndarray:
    """A noisy sound made *n* samples long: its spectrum of each moment with new phases."""
    size, hop = 1024, 256
    padded = np.pad(source, size)
    heights = np.abs(np.fft.rfft(framed(padded, size, hop)))
    inner = heights[3:-3] if len(heights) > 8 else heights
    # Neighbouring bands together: what is drawn out is the colour, not single whistling bands.
    inner = np.sqrt(signal.oaconvolve(inner**2, np.full((1, 9), 1 / 9), "same").clip(1e-20))
    count = n // hop + 8
    at = np.clip(
        np.linspace(0, len(inner) - 1, count) + rng.normal(0, 0.7, count), 0, len(inner) - 1
    )
    noise = np.fft.rfft(rng.standard_normal((count, size)) * np.hanning(size))
    frames = np.fft.irfft(noise * inner[np.round(at).astype(int)]) * np.hanning(size)
    out = overlapped(frames, hop)
    return _at_one(out[size : size + n] * bow(n, rng) * walk(n, rng, range_db=3.0))


@functools.cache
def _consonants(lender: str) -> list[np.ndarray]:
    """Toneless stretches of 60 ms and more of a voice, those that do not hiss as an s does."""
    pieces = Drawn(voice_named(lender), np.random.default_rng(8))
    found: list[np.ndarray] = []
    best: tuple[float, np.ndarray] | None = None
    for _ in range(40):
        x = pieces.next()
        level_db = frame_levels_db(x)
        toneless = (voicing(x) < 0.4) & (level_db > p95_db(level_db) - 38.0)
        for start, stop in runs(toneless):
            if stop - start < 6:
                continue
            part = x[start * FRAME : stop * FRAME]
            centre_hz = _centre_hz(part)
            if 800 < centre_hz < 4500:
                found.append(part)
            if best is None or abs(centre_hz - 2500) < best[0]:
                best = (abs(centre_hz - 2500), part)
        if len(found) >= 5:
            break
    return found or ([best[1]] if best else [np.random.default_rng(1).standard_normal(4410)])


def _centre_hz(x: np.ndarray) -> float:
    power = np.abs(np.fft.rfft(x * np.hanning(len(x)))) ** 2
    return float(np.sum(np.fft.rfftfreq(len(x), 1 / RATE_HZ) * power) / (np.sum(power) + 1e-20))


def _whisper(n: int, lender: str, rng: np.random.Generator) -> np.ndarray:
    voice = ("en-gb+whisper", "de+whisperf")[int(rng.integers(2))]
    text = ("hah", "hoh", "huh", "hih", "fhah")[int(rng.integers(5))]
    source = _whispered_sound(voice, text)
    return _drawn_out(source[::-1] if rng.random() < 0.5 else source, n, rng)


@functools.cache
def _whispered_sound(voice: str, text: str) -> np.ndarray:
    """What a whispering voice of the synthesiser makes of a text; noise where there is none."""
    try:
        command = ["espeak-ng", "-z", "--stdout", "-v", voice, "-s", "90", text]
        wav = subprocess.run(command, check=True, capture_output=True).stdout
    except (FileNotFoundError, subprocess.CalledProcessError):
        return _band(np.random.default_rng(3).standard_normal(RATE_HZ // 3), 700, 5000)
    (rate_hz,) = struct.unpack_from("<I", wav, 24)
    return scene.trimmed(
        soxr.resample(np.frombuffer(wav, "<i2", offset=44) / 32768.0, rate_hz, RATE_HZ)
    )


def _nose(n: int, lender: str, rng: np.random.Generator) -> np.ndarray:
    white = rng.standard_normal(n + 2000)
    low = _band(white, rng.uniform(150, 300), rng.uniform(450, 800), 1)
    high = _band(white, rng.uniform(900, 1500), rng.uniform(2000, 3500), 1) * rng.uniform(0.1, 0.4)
    notch = signal.iirnotch(rng.uniform(700, 1000), 3.0, fs=RATE_HZ)
    sound = signal.lfilter(*notch, low + high)[2000:]
    return _at_one(sound * np.sqrt(bow(n, rng)) * walk(n, rng, 0.07, 3.0))


def _sniff(n: int, lender: str, rng: np.random.Generator) -> np.ndarray:
    white = rng.standard_normal(n + 2000)
    dark = _band(white, 900, 3000, 1)[2000:]
    bright = _band(white, rng.uniform(2500, 4000), rng.uniform(8000, 14_000), 1)[2000:]
    place = np.linspace(0.0, 1.0, n)
    rising = np.exp(rng.uniform(1.5, 3.5) * (place - 1.0)) * np.clip((1 - place) / 0.06, 0, 1)
    rising *= np.clip(place / 0.15, 0, 1)
    return _at_one((dark * (1 - place) + bright * (0.3 + place)) * rising * walk(n, rng, 0.02, 4.0))


def _smack(rng: np.random.Generator) -> np.ndarray:
    """One to three bursts of 2 to 8 ms within 20 to 90 ms, a little wet noise between them."""
    out = np.zeros(scene.samples_in(0.1))
    for _ in range(int(rng.integers(1, 4))):
        n = scene.samples_in(rng.uniform(0.002, 0.008))
        t = np.arange(n) / RATE_HZ
        ring = np.sin(2 * np.pi * rng.uniform(700, 3500) * t) + 0.5 * rng.standard_normal(n)
        at = int(rng.integers(0, len(out) - n))
        out[at : at + n] += (
            ring * np.exp(-rng.uniform(4, 8) * np.arange(n) / n) * rng.uniform(0.4, 1)
        )
    wet = _band(rng.standard_normal(len(out)), 1500, 7000) * np.hanning(len(out))
    return out + 0.04 * wet


def _swallow(rng: np.random.Generator) -> np.ndarray:
    """A low gulp that glides, between two soft clicks."""
    n = scene.samples_in(rng.uniform(0.15, 0.35))
    t = np.arange(n) / RATE_HZ
    glide_hz = np.linspace(rng.uniform(250, 400), rng.uniform(450, 800), n)
    gulp = np.sin(2 * np.pi * np.cumsum(glide_hz) / RATE_HZ) * np.hanning(n) ** 2 * 0.25
    gulp += _band(rng.standard_normal(n), 200, 1200) * np.hanning(n) * 0.15
    for share in (0.08, rng.uniform(0.7, 0.85)):
        click = _band(rng.standard_normal(n) * (np.abs(t - share * t[-1]) < 0.004), 300, 3000)
        gulp += click * rng.uniform(0.5, 1.0)
    return gulp


_MAKERS = {
    "swell": _swell, "tract": _tract, "hushed": _hushed, "whisper": _whisper, "nose": _nose,
    "sniff": _sniff,
}  # fmt: skip

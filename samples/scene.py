"""Spoken takes made in code, with the truth about them: where speech, breaths and clicks lie.

Sounds first (a voice, a room, a breath, a click, hum), then `Scene`, which lays them along a time
line and gives a `Take`: samples and marks.

Conventions: samples are float64 with full scale 1.0, at RATE_HZ; a take has the shape
(samples, channels). `_dbfs` is 20 log10 of an RMS value unless a docstring says peak. Nothing here
reads a clock or an unseeded random number: the same calls give the same samples. The voice is
espeak-ng, run as a program of its own.
"""

from __future__ import annotations

import struct
import subprocess
from dataclasses import dataclass, field, replace

import numpy as np
from scipy import signal

RATE_HZ = 44_100


# --- levels -------------------------------------------------------------------------------------


def gain_of(db: float) -> float:
    """The factor of a gain in dB."""
    return float(10.0 ** (db / 20.0))


def rms_dbfs(x: np.ndarray) -> float:
    """RMS level of all samples together."""
    return float(10.0 * np.log10(np.mean(np.square(x))))


def peak_dbfs(x: np.ndarray) -> float:
    """Level of the largest sample."""
    return float(20.0 * np.log10(np.max(np.abs(x))))


def at_rms(x: np.ndarray, level_dbfs: float) -> np.ndarray:
    """The same sound, scaled to an RMS level."""
    return x * gain_of(level_dbfs - rms_dbfs(x))


def at_peak(x: np.ndarray, level_dbfs: float) -> np.ndarray:
    """The same sound, scaled to a peak level."""
    return x * gain_of(level_dbfs - peak_dbfs(x))


def samples_in(seconds: float) -> int:
    """How many samples a time takes."""
    return round(seconds * RATE_HZ)


# --- sounds -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Voice:
    """How the synthesiser speaks: its voice name, pitch (0 to 99) and speed."""

    name: str
    pitch: int = 50
    words_per_minute: int = 165


class SynthesiserMissing(Exception):
    """espeak-ng is not on this machine. Install it: apt-get install espeak-ng"""


def speak(text: str, voice: Voice) -> np.ndarray:
    """Say a text: mono, trimmed to the speech itself, peak 1.0."""
    command = ["espeak-ng", "-z", "--stdout", "-v", voice.name]
    command += ["-p", str(voice.pitch), "-s", str(voice.words_per_minute), text]
    try:
        wav = subprocess.run(command, check=True, capture_output=True).stdout
    except FileNotFoundError:
        raise SynthesiserMissing(SynthesiserMissing.__doc__) from None
    # A pipe cannot be wound back, so the sizes in this header are made up: read past them.
    (spoken_rate_hz,) = struct.unpack_from("<I", wav, 24)
    dry = np.frombuffer(wav, "<i2", offset=44) / 32768.0
    dry = signal.resample_poly(dry, RATE_HZ, spoken_rate_hz)
    return at_peak(trimmed(warmed(dry)), 0.0)


def warmed(x: np.ndarray) -> np.ndarray:
    """Take rumble and some of the buzz off a synthetic voice."""
    x = signal.sosfilt(signal.butter(2, 75, "highpass", fs=RATE_HZ, output="sos"), x)
    x = signal.sosfilt(signal.butter(1, 6500, "lowpass", fs=RATE_HZ, output="sos"), x)
    return np.asarray(x)


def trimmed(x: np.ndarray, under_peak_db: float = 45.0, fade_ms: float = 4.0) -> np.ndarray:
    """Drop what lies before and after the sound, and fade both edges so that nothing steps."""
    loud = np.flatnonzero(np.abs(x) > np.max(np.abs(x)) * gain_of(-under_peak_db))
    kept = x[loud[0] : loud[-1] + 1].copy()
    n = samples_in(fade_ms / 1000.0)
    ramp = np.linspace(0.0, 1.0, n)
    kept[:n] *= ramp
    kept[-n:] *= ramp[::-1]
    return kept


def room_tone(n: int, level_dbfs: float, rng: np.random.Generator) -> np.ndarray:
    """A quiet room: noise falling by 3 dB an octave, dull, its level drifting by about +-0.7 dB."""
    warm_up = RATE_HZ  # the slow poles need a moment before their level stands
    white = rng.standard_normal(n + warm_up)
    # A sum of low-passes whose corners lie a few octaves apart comes close to a 1/f spectrum.
    corners_hz = (25.0, 130.0, 700.0, 3800.0)
    pink = np.sum([_one_pole(white, hz) / np.sqrt(hz) for hz in corners_hz], axis=0)
    band = signal.butter(1, [35, 7000], "bandpass", fs=RATE_HZ, output="sos")
    tone = signal.sosfilt(band, pink)[warm_up:]
    slow_hz, phase = rng.uniform(0.06, 0.16), rng.uniform(0.0, 2.0 * np.pi)
    drift_db = 0.7 * np.sin(2.0 * np.pi * slow_hz * np.arange(n) / RATE_HZ + phase)
    return at_rms(tone * 10.0 ** (drift_db / 20.0), level_dbfs)


def _one_pole(x: np.ndarray, corner_hz: float) -> np.ndarray:
    """A first-order low-pass with unit gain at 0 Hz."""
    pole = np.exp(-2.0 * np.pi * corner_hz / RATE_HZ)
    return np.asarray(signal.lfilter([1.0 - pole], [1.0, -pole], x))


def breath(rng: np.random.Generator, length_ms: float, level_dbfs: float) -> np.ndarray:
    """A breath drawn in: band-passed noise that swells softly and stops a little faster."""
    n = samples_in(length_ms / 1000.0)
    low_hz, high_hz = rng.uniform(450, 700), rng.uniform(3500, 5500)
    band = signal.butter(2, [low_hz, high_hz], "bandpass", fs=RATE_HZ, output="sos")
    noise = signal.sosfilt(band, rng.standard_normal(n + 1000))[1000:]
    rise = round(0.6 * n)
    swell = np.sin(np.linspace(0.0, np.pi / 2.0, rise)) ** 2
    fall = np.cos(np.linspace(0.0, np.pi / 2.0, n - rise)) ** 2
    return at_rms(noise * np.concatenate([swell, fall]), level_dbfs)


def click(rng: np.random.Generator, peak_level_dbfs: float) -> np.ndarray:
    """A click of the mouth: a burst of 1 to 3 ms that dies away at once."""
    n = samples_in(rng.uniform(0.001, 0.003))
    t = np.arange(n) / RATE_HZ
    ring = np.sin(2.0 * np.pi * rng.uniform(1800, 5000) * t + 0.3)
    burst = (ring + 0.3 * rng.standard_normal(n)) * np.exp(-5.0 * np.arange(n) / n)
    return at_peak(burst, peak_level_dbfs)


def hum(n: int, level_dbfs: float, mains_hz: float = 50.0) -> np.ndarray:
    """Mains hum: the mains frequency and, weaker, its second and third harmonic."""
    t = np.arange(n) / RATE_HZ
    parts = ((1, 1.0), (2, 0.35), (3, 0.25))
    waves = [a * np.sin(2.0 * np.pi * k * mains_hz * t + k) for k, a in parts]
    return at_rms(np.sum(waves, axis=0), level_dbfs)


def echoes(rng: np.random.Generator, decay_s: float, level_db: float) -> np.ndarray:
    """The impulse response of a small room without its direct sound.

    Noise that falls by 60 dB in `decay_s`; its whole energy lies `level_db` relative to the direct
    sound.
    """
    n = samples_in(decay_s)
    noise = _one_pole(rng.standard_normal(n), 3000.0)
    noise *= 10.0 ** (-3.0 * np.arange(n) / n)
    noise[: samples_in(0.003)] = 0.0  # the nearest wall is half a metre off
    return np.asarray(noise / np.sqrt(np.sum(noise**2)) * gain_of(level_db))


# --- a take and where its parts lie -------------------------------------------------------------


@dataclass(frozen=True)
class Mark:
    """One thing that was put into a take: the ground truth for whoever looks for it.

    `kind` is "speech", "breath" or "click". `level_dbfs` is the RMS of the sound before the room
    is added; for a click it is the peak. Echoes of the room go on after `end_s`.
    """

    kind: str
    start_s: float
    end_s: float
    level_dbfs: float
    text: str = ""


@dataclass(frozen=True)
class Take:
    """Samples of the shape (n, channels) and the marks of what lies in them."""

    samples: np.ndarray
    marks: tuple[Mark, ...]

    def louder(self, gain_db: float) -> Take:
        """The same take after a gain, its marks following."""
        marks = tuple(replace(m, level_dbfs=m.level_dbfs + gain_db) for m in self.marks)
        return Take(self.samples * gain_of(gain_db), marks)


@dataclass
class Scene:
    """A take in the making: a pen moves along the time line and puts sounds down.

    `wait` and `say` and `breathe` move the pen; `click` puts its burst down where the pen stands.
    Call `take` when all is said.
    """

    voice: Voice
    seed: tuple[int, ...]
    speech_dbfs: float = -20.0
    room_dbfs: float = -62.0
    breath_under_speech_db: float = 22.0
    pen: int = 0  # in samples
    pieces: list[tuple[int, np.ndarray]] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Every chance in this scene comes from its seed."""
        self.rng = np.random.default_rng(self.seed)

    def wait(self, seconds: float) -> Scene:
        """Leave room tone alone for a while."""
        self.pen += samples_in(seconds)
        return self

    def say(self, text: str) -> Scene:
        """Speak a phrase at the speech level of the moment."""
        sound = at_rms(speak(text, self.voice), self.speech_dbfs)
        self._put("speech", sound, self.speech_dbfs, text)
        self.pen += len(sound)
        return self

    def breathe(self, length_ms: float) -> Scene:
        """Draw a breath."""
        level_dbfs = self.speech_dbfs - self.breath_under_speech_db
        sound = breath(self.rng, length_ms, level_dbfs)
        self._put("breath", sound, level_dbfs)
        self.pen += len(sound)
        return self

    def click(self, peak_level_dbfs: float) -> Scene:
        """A click of the mouth, here."""
        self._put("click", click(self.rng, peak_level_dbfs), peak_level_dbfs)
        return self

    def speak_up(self, gain_db: float) -> Scene:
        """From here on the talker is louder; the room stays as it is."""
        self.speech_dbfs += gain_db
        return self

    def take(self, channels: int = 1, hum_dbfs: float | None = None) -> Take:
        """Add the room and give the finished take.

        Speech, breaths and clicks come from one place and reach every channel alike; echoes and
        room tone differ from channel to channel; hum, if any, is common to all.
        """
        mouth = np.zeros(self.pen)
        for start, sound in self.pieces:
            mouth[start : start + len(sound)] += sound
        heard = np.stack([self._heard(mouth) for _ in range(channels)], axis=1)
        if hum_dbfs is not None:
            heard += hum(self.pen, hum_dbfs)[:, np.newaxis]
        return Take(heard, tuple(self.marks))

    def _heard(self, mouth: np.ndarray) -> np.ndarray:
        """One channel: the direct sound, its echoes, the tone of the room."""
        n = len(mouth)
        late = signal.oaconvolve(mouth, echoes(self.rng, decay_s=0.22, level_db=-18.0))[:n]
        return np.asarray(mouth + late + room_tone(n, self.room_dbfs, self.rng))

    def _put(self, kind: str, sound: np.ndarray, level_dbfs: float, text: str = "") -> None:
        start_s, end_s = self.pen / RATE_HZ, (self.pen + len(sound)) / RATE_HZ
        self.pieces.append((self.pen, sound))
        self.marks.append(Mark(kind, start_s, end_s, level_dbfs, text))

"""Signals with known answers, made in code, and outside references for what they measure.

Conventions: samples are float64 with full scale 1.0 and have the shape (samples, channels);
``_dbfs`` of a tone is its peak, of a noise its RMS. The same calls give the same samples.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pyebur128
from scipy import signal

from fairtake.sound.levels import Levels, Sound
from fairtake.sound.listen import Heard, listen
from fairtake.sound.source import BLOCK_S, Samples
from fairtake.units import amplitude_db, gain, power_db

RATE_HZ = 48_000

# --- a source over an array ---------------------------------------------------------------------


class ArraySource:
    """An array as a `fairtake.sound.source.Source`. One dimension stands for mono."""

    def __init__(self, samples: np.ndarray, sample_rate_hz: int = RATE_HZ) -> None:
        columns = samples if samples.ndim == 2 else samples[:, None]
        self.samples = columns.astype(np.float64)
        self.sample_rate_hz = sample_rate_hz
        self.frames, self.channels = self.samples.shape

    def blocks(self, start: int = 0, stop: int | None = None) -> Iterator[Samples]:
        stop = self.frames if stop is None else stop
        for at in range(start, stop, BLOCK_S * self.sample_rate_hz):
            yield self.samples[at : min(at + BLOCK_S * self.sample_rate_hz, stop)]

    def read(self, start: int, stop: int) -> Samples:
        return self.samples[start:stop]


def heard(samples: np.ndarray, rate: int = RATE_HZ) -> Heard:
    """What `listen` finds in *samples*."""
    return listen(ArraySource(samples, rate))


def levels_of(samples: np.ndarray, rate: int = RATE_HZ) -> Levels:
    """The millisecond table of *samples*."""
    return heard(samples, rate).levels


def table(
    level_dbfs: Sequence[float] | np.ndarray, rate: int = RATE_HZ, sounds: Sequence[int] = ()
) -> Levels:
    """A mono table written by hand: one level a row, as peak, as power and K-weighted alike, and what
    the ear would have heard; a voice where nothing is said of it."""
    peak = gain(np.asarray(level_dbfs, np.float64)).astype(np.float32)
    energy = peak**2 * np.float32(rate / 1000)
    heard = np.array(sounds or [Sound.VOICE] * len(peak), np.uint8)
    return Levels(rate, 1, peak, energy, energy, np.zeros_like(peak), energy, heard)


# --- tones --------------------------------------------------------------------------------------


def tone(seconds: float, dbfs: float, hz: float = 1000.0, rate: int = RATE_HZ) -> np.ndarray:
    """A sine whose peak is *dbfs*, shape (samples,)."""
    return tones([(seconds, dbfs)], hz, rate)


def tones(
    parts: Sequence[tuple[float, float]], hz: float = 1000.0, rate: int = RATE_HZ
) -> np.ndarray:
    """Tones of (seconds, dbfs) one after another on one continuous phase, shape (samples,)."""
    steps = [np.full(round(seconds * rate), float(gain(dbfs))) for seconds, dbfs in parts]
    level = np.concatenate(steps)
    return level * np.sin(2 * np.pi * hz * np.arange(len(level)) / rate)


def stereo(samples: np.ndarray) -> np.ndarray:
    """The same signal left and right."""
    return np.stack([samples, samples], axis=1)


SILENCE_DBFS = -300.0

#: EBU Tech 3341 (v4), table 1, cases whose integrated loudness is -23.0 LUFS: (seconds, dBFS).
EBU_INTEGRATED = {
    1: [(20, -23.0)],
    3: [(10, -36.0), (60, -23.0), (10, -36.0)],
    4: [(10, -72.0), (10, -36.0), (60, -23.0), (10, -36.0), (10, -72.0)],
    5: [(20, -26.0), (20.1, -20.0), (20, -26.0)],
}
#: EBU Tech 3341, cases 9 and 12: a constant short-term and momentary loudness of -23.0 LUFS.
EBU_SHORT_TERM_9 = [(1.34, -20.0), (1.66, -30.0)] * 5
EBU_MOMENTARY_12 = [(0.18, -20.0), (0.22, -30.0)] * 25
#: EBU Tech 3342 (v4), table 1: (dBFS of tones of 20 s each, loudness range in LU).
EBU_RANGE = {
    1: ((-20.0, -30.0), 10.0),
    2: ((-20.0, -15.0), 5.0),
    3: ((-40.0, -20.0), 20.0),
    4: ((-50.0, -35.0, -20.0, -35.0, -50.0), 15.0),
}
#: EBU Tech 3341, cases 15 to 19: (rate / frequency, amplitude, phase in degrees, dBTP).
EBU_TRUE_PEAK = {
    15: (4, 0.50, 0.0, -6.0),
    16: (4, 0.50, 45.0, -6.0),
    17: (6, 0.50, 60.0, -6.0),
    18: (8, 0.50, 67.5, -6.0),
    19: (4, 1.41, 45.0, +3.0),
}


def ebu_short_term_10(i: int) -> np.ndarray:
    """EBU Tech 3341, case 10: greatest short-term loudness -23.0 LUFS, i = 0 to 19."""
    return tones([(i * 0.15, SILENCE_DBFS), (3, -23.0), (1, SILENCE_DBFS)])


def ebu_short_term_11() -> np.ndarray:
    """EBU Tech 3341, case 11: segments of 6 s, greatest short-term loudness -38 to -19 LUFS."""
    return tones(
        [
            part
            for i in range(20)
            for part in [
                (i * 0.15, SILENCE_DBFS),
                (3, -38.0 + i),
                (3 - i * 0.15, SILENCE_DBFS),
            ]
        ]
    )


def ebu_momentary_13(i: int) -> np.ndarray:
    """EBU Tech 3341, case 13: greatest momentary loudness -23.0 LUFS, i = 0 to 19."""
    return tones([(i * 0.02, SILENCE_DBFS), (0.4, -23.0), (1, SILENCE_DBFS)])


def ebu_momentary_14() -> np.ndarray:
    """EBU Tech 3341, case 14: segments of 0.8 s, greatest momentary loudness -38 to -19 LUFS."""
    return tones(
        [
            part
            for i in range(20)
            for part in [
                (i * 0.02, SILENCE_DBFS),
                (0.4, -38.0 + i),
                (0.4 - i * 0.02, SILENCE_DBFS),
            ]
        ]
    )


def faded(samples: np.ndarray, rate: int = RATE_HZ, seconds: float = 0.01) -> np.ndarray:
    """*samples* with the linear fades that the true-peak cases need."""
    ramp = np.minimum(np.arange(len(samples)) / (seconds * rate), 1.0)
    return (samples.T * ramp * ramp[::-1]).T


def ebu_true_peak(case: int, seconds: float = 1.0, rate: int = RATE_HZ) -> tuple[np.ndarray, float]:
    """EBU Tech 3341, cases 15 to 23 (one channel of them), and the true peak in dBTP."""
    if case >= 20:
        return _ebu_inserted_cycle(case - 20, seconds, rate), 0.0
    divisor, amplitude, degrees, dbtp = EBU_TRUE_PEAK[case]
    n = np.arange(round(seconds * rate))
    return faded(amplitude * np.sin(2 * np.pi * n / divisor + np.radians(degrees)), rate), dbtp


def _ebu_inserted_cycle(offset: int, seconds: float, rate: int) -> np.ndarray:
    """One cycle of rate/4 at full scale inside rate/6 at half of it, made at four times the rate."""
    half = round(seconds * rate * 2 / 24) * 24
    around = 0.5 * np.sin(2 * np.pi * np.arange(half) / 24)
    inside = np.sin(2 * np.pi * np.arange(16) / 16)
    whole = np.concatenate([around, inside, around])
    lowpass = signal.firwin(1023, 0.25, window=("kaiser", 12.0))
    return faded(np.convolve(whole, lowpass, "same")[offset::4], rate)


# --- noise and speech ---------------------------------------------------------------------------


def noise(seconds: float, dbfs: float, seed: int = 1, rate: int = RATE_HZ) -> np.ndarray:
    """White noise of an RMS level, shape (samples,)."""
    rng = np.random.default_rng(seed)
    return rng.standard_normal(round(seconds * rate)) * float(gain(dbfs))


def room_tone(seconds: float, dbfs: float, seed: int = 1, rate: int = RATE_HZ) -> np.ndarray:
    """Dull noise as a quiet room has it, of an RMS level."""
    sos = signal.butter(1, [60, 4000], "bandpass", fs=rate, output="sos")
    dull = signal.sosfilt(sos, noise(seconds + 0.1, 0.0, seed, rate))[round(0.1 * rate) :]
    dull = dull[: round(seconds * rate)]
    return dull / np.sqrt(np.mean(dull**2)) * float(gain(dbfs))


@dataclass(frozen=True)
class Spoken:
    """A take that sounds like speech to a meter; ``spans_s`` says where it does, ``others_s`` where
    something else is heard, and what."""

    samples: np.ndarray
    rate: int
    spans_s: tuple[tuple[float, float], ...]
    others_s: tuple[tuple[float, float, Sound], ...] = ()

    @property
    def source(self) -> ArraySource:
        return ArraySource(self.samples, self.rate)

    @property
    def levels(self) -> Levels:
        """The table, heard by an ear that is never wrong: what stages do with what they are told."""
        return levels_of(self.samples, self.rate).with_sounds(self.sounds)

    @property
    def sounds(self) -> np.ndarray:
        """What every row is, by construction."""
        sounds = np.where(self.rows(), Sound.VOICE, Sound.ROOM).astype(np.uint8)
        for start, stop, sound in self.others_s:
            sounds[round(start * 1000) : round(stop * 1000)] = sound
        return sounds

    def with_sound(self, at_s: float, samples: np.ndarray, sound: Sound) -> Spoken:
        """The same with something else laid in."""
        mixed = self.samples.copy()
        begin = round(at_s * self.rate)
        mixed[begin : begin + len(samples)] += samples
        span = (at_s, at_s + len(samples) / self.rate, sound)
        return replace(self, samples=mixed, others_s=(*self.others_s, span))

    def rows(self, guard: int = 0) -> np.ndarray:
        """True in the rows that lie inside speech, *guard* rows from its edges."""
        mask = np.zeros(-(-len(self.samples) * 1000 // self.rate), bool)
        for start, stop in self.spans_s:
            mask[round(start * 1000) + guard : round(stop * 1000) - guard] = True
        return mask


def speech_like(
    phrases: int = 3,
    floor_dbfs: float | None = -65.0,
    speech_dbfs: float = -20.0,
    seed: int = 1,
    rate: int = RATE_HZ,
    head_s: float = 1.5,
    tail_s: float = 2.0,
    pause_s: float = 0.9,
) -> Spoken:
    """Phrases of vowels, hisses and stops with pauses of room tone (zeros without a floor)."""
    rng = np.random.default_rng(seed)
    parts, spans = [np.zeros(round(head_s * rate))], []
    at = len(parts[0])
    for n in range(phrases):
        phrase = np.concatenate([_syllable(rng, rate) for _ in range(rng.integers(3, 7))])
        rest = tail_s if n == phrases - 1 else pause_s * rng.uniform(0.7, 1.3)
        spans.append((at / rate, (at + len(phrase)) / rate))
        parts += [phrase, np.zeros(round(rest * rate))]
        at += len(phrase) + len(parts[-1])
    voice = np.concatenate(parts)
    voice *= float(gain(speech_dbfs)) / np.sqrt(np.mean(voice[voice != 0] ** 2))
    if floor_dbfs is not None:
        voice += room_tone(len(voice) / rate + 0.01, floor_dbfs, seed, rate)[: len(voice)]
    return Spoken(voice, rate, tuple(spans))


def _syllable(rng: np.random.Generator, rate: int) -> np.ndarray:
    """A consonant and a vowel: a hiss or a stop (closure, then a burst), or the vowel alone."""
    kind = rng.choice(["hiss", "stop", "none"])
    vowel = _vowel(rng, rate)
    if kind == "none":
        return vowel
    length = round(rng.uniform(0.06, 0.12) * rate if kind == "hiss" else 0.008 * rate)
    band = signal.butter(2, [2500, min(7500, 0.45 * rate)], "bandpass", fs=rate, output="sos")
    hiss = signal.sosfilt(band, rng.standard_normal(length + 200))[200:]
    hiss *= 0.25 / np.sqrt(np.mean(hiss**2)) * np.hanning(length + 2)[1:-1] ** 0.5
    closure = np.zeros(round(rng.uniform(0.04, 0.07) * rate) if kind == "stop" else 0)
    return (
        np.concatenate([hiss, vowel]) if kind == "hiss" else np.concatenate([vowel, closure, hiss])
    )


def _vowel(rng: np.random.Generator, rate: int) -> np.ndarray:
    """Harmonics of a gliding pitch under two formants, rising and falling softly."""
    length = round(rng.uniform(0.12, 0.25) * rate)
    pitch = np.linspace(*rng.uniform(95, 190, 2), length)
    phase = 2 * np.pi * np.cumsum(pitch) / rate
    formants = rng.uniform([350, 1000], [800, 2200])
    voice = np.zeros(length)
    for k in range(1, 25):
        shape = sum(1 / (1 + ((k * pitch.mean() - f) / (0.15 * f)) ** 2) for f in formants)
        voice += (shape + 0.05) / k**0.5 * np.sin(k * phase)
    edge = round(0.025 * rate)
    ramp = 0.5 - 0.5 * np.cos(np.pi * np.minimum((np.arange(length) + 1) / edge, 1.0))
    return voice / np.sqrt(np.mean(voice**2)) * ramp * ramp[::-1]


def burst(
    seconds: float, dbfs: float, low_hz: float = 700, high_hz: float = 3000, seed: int = 1
) -> np.ndarray:
    """Band noise with soft ends, of an RMS level: a breath, or a page, as far as a stage cares."""
    rng = np.random.default_rng(seed)
    sos = signal.butter(2, [low_hz, high_hz], "bandpass", fs=RATE_HZ, output="sos")
    noisy = signal.sosfilt(sos, rng.standard_normal(round(seconds * RATE_HZ)))
    noisy *= signal.windows.tukey(len(noisy), 0.3)
    return noisy * float(gain(dbfs)) / np.sqrt(np.mean(noisy**2))


# --- outside references -------------------------------------------------------------------------


def reference_true_peak_dbtp(samples: np.ndarray) -> float:
    """Greatest value after 32-fold oversampling by a filter that has nothing to do with ours."""
    x = samples.reshape(len(samples), -1)
    return float(amplitude_db(np.abs(signal.resample_poly(x, 32, 1, axis=0)).max()))


def _libebur128(samples: np.ndarray, rate: int) -> pyebur128.R128State:
    x = np.ascontiguousarray(samples.reshape(len(samples), -1))
    modes = pyebur128.MeasurementMode
    state = pyebur128.R128State(
        x.shape[1], rate, modes.MODE_I | modes.MODE_LRA | modes.MODE_TRUE_PEAK
    )
    state.add_frames(x.ravel(), len(x))
    return state


def libebur128_lufs(samples: np.ndarray, rate: int = RATE_HZ) -> float:
    """Integrated loudness after libebur128."""
    return pyebur128.get_loudness_global(_libebur128(samples, rate))


def libebur128_range_lu(samples: np.ndarray, rate: int = RATE_HZ) -> float:
    """Loudness range after libebur128."""
    return pyebur128.get_loudness_range(_libebur128(samples, rate))


def libebur128_true_peak_dbtp(samples: np.ndarray, rate: int = RATE_HZ) -> float:
    """Greatest true peak of all channels after libebur128."""
    state = _libebur128(samples, rate)
    channels = samples.reshape(len(samples), -1).shape[1]
    return float(amplitude_db(max(pyebur128.get_true_peak(state, c) for c in range(channels))))


def rms_dbfs(samples: np.ndarray) -> float:
    """RMS of all samples, full scale 1.0."""
    return float(power_db(np.mean(np.square(samples))))

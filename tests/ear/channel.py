"""From the mouth to the file: room echo, microphone, finishing, overload, codec.

The linear part and all gains act on each layer alone, so that labels stay true; what is not linear
acts on the mix and is mild enough to leave the labels as they are.
"""

from __future__ import annotations

import io

import numpy as np
import numpy.typing as npt
import soundfile
from clips import LEVEL
from layers import Layers
from numpy.random import Generator
from scipy import fft, ndimage, signal
from tools import Samples, gain_of, rms

#: Upper band limits in Hz and how often; the first three are of telephones and old recorders.
TOPS_HZ = ((3400, 4000, 5500, 8000, 11000, 16000, 22000), (0.05, 0.04, 0.06, 0.1, 0.15, 0.2, 0.4))
FINISHED_SHARE, FADED_SHARE = 0.15, 0.12
MOST_ECHO_S, HALLS_SHARE = 1.8, 0.16


# --- linear ---------------------------------------------------------------------------------------


def recorded(rng: Generator, layers: Layers, rate_hz: int) -> Layers:
    """With the room's echo on what sounds in it, and one microphone for everything."""
    count = len(layers.voice)
    size = fft.next_fast_len(count + int(MOST_ECHO_S * rate_hz), real=True)
    response = _microphone(rng, np.fft.rfftfreq(size, 1 / rate_hz).astype(np.float32))
    echo = fft.rfft(_echo(rng, rate_hz), size) if rng.random() < 0.6 else np.float32(1)

    def through(layer: Samples, chain: npt.NDArray[np.complexfloating]) -> Samples:
        if not layer.any():
            return layer
        return fft.irfft(fft.rfft(layer, size) * chain, size)[:count].astype(np.float32)

    return Layers(
        voice=through(layers.voice, response * echo),
        breath=through(layers.breath, response * echo),
        noise=through(layers.noise, response * echo),
        music=through(layers.music, response if rng.random() < 0.3 else np.abs(response) ** 0.3),
        room=through(layers.room, response),
    )


def _microphone(rng: Generator, f: Samples) -> Samples:
    """Tilt, some broad humps, a low cut and the upper end of the band."""
    f = np.maximum(f, 1)
    shape = np.ones(len(f), np.float32)
    if rng.random() < 0.7:
        shape *= (np.maximum(f, 30) / 1000) ** (rng.uniform(-4, 4) / 6.02)
    for _ in range(int(rng.integers(0, 4))):
        centre_hz = np.exp(rng.uniform(np.log(80), np.log(7000)))
        hump = np.exp(-0.5 * (np.log(f / centre_hz) / rng.uniform(0.15, 0.6)) ** 2)
        shape *= 1 + (gain_of(rng.uniform(-9, 9)) - 1) * hump
    if rng.random() < 0.4:
        shape /= 1 + (rng.uniform(40, 300) / f) ** (2 * int(rng.integers(1, 3)))
    top_hz = rng.choice(TOPS_HZ[0], p=TOPS_HZ[1])
    return (shape / (1 + (f / top_hz) ** 12)).astype(np.float32)


def _echo(rng: Generator, rate_hz: int) -> Samples:
    """The direct sound and a tail of noise that falls by 60 dB in 0.08 to 0.6 s, in a hall 2.5 s."""
    hall = rng.random() < HALLS_SHARE
    fall_s = rng.uniform(0.6, 2.5) if hall else rng.uniform(0.08, 0.6)
    count = int(min(fall_s, MOST_ECHO_S - 0.02) * rate_hz)
    tail = rng.standard_normal(count) * 10 ** (-3 * np.arange(count) / rate_hz / fall_s)
    tail *= gain_of(rng.uniform(-26, -4)) / np.sqrt(np.square(tail).sum())
    later = np.zeros(int(rng.uniform(0.001, 0.012) * rate_hz))
    echo = np.concatenate([later, tail]).astype(np.float32)
    echo[0] = 1
    return echo


# --- gains over time ------------------------------------------------------------------------------


def levelled(rng: Generator, layers: Layers) -> tuple[Layers, float]:
    """The whole take at some recording level; the level of speech in dBFS as well."""
    level_db = rng.uniform(-34, -12)
    loud = layers.voice[np.abs(layers.voice) > LEVEL / 5]
    return layers.times(float(gain_of(level_db)) / max(rms(loud), 1e-3)), level_db


def faded_take(rng: Generator, layers: Layers, rate_hz: int) -> Layers:
    """Some takes come out of nothing or go into it, speech or not."""
    gain = np.ones(len(layers.voice), np.float32)
    for turn in (1, -1):
        if rng.random() < FADED_SHARE:
            long = min(len(gain) // 3, int(rng.uniform(0.3, 4) * rate_hz))
            gain[::turn][:long] *= np.linspace(0, 1, long) ** rng.uniform(1, 2)
    return layers.times(gain)


def muted(rng: Generator, layers: Layers, rate_hz: int, room_kind: str) -> Layers:
    """Zeros where nothing was placed: often in a room of nothing, elsewhere now and then."""
    if layers.music.any() or rng.random() > (0.6 if room_kind == "nothing" else 0.04):
        return layers
    frame = rate_hz // 100
    sound = np.abs(layers.voice + layers.breath + layers.noise) > 3e-5
    opened = ndimage.maximum_filter1d(sound[::8].astype(np.float32), frame)
    gain = np.repeat(opened, 8)[: len(sound)]
    return layers.times(gain)


def finished(rng: Generator, layers: Layers, rate_hz: int) -> Layers:
    """As a finished file is: sections levelled, pauses lowered, ends faded into laid tone."""
    if rng.random() > FINISHED_SHARE:
        return layers
    kept = layers.voice + layers.breath if rng.random() < 0.4 else layers.voice
    level_db = _frame_levels_db(kept, rate_hz)
    active = level_db > level_db.max() - 50
    gain_db = _sections_db(rng, level_db, active) + _gate_db(rng, active)
    gain = gain_of(_per_sample(gain_db, len(kept), rate_hz)) * _ends(
        rng, active, len(kept), rate_hz
    )
    done = layers.times(gain)
    done.room += _laid(rng, gain)
    return done


def _frame_levels_db(x: Samples, rate_hz: int) -> Samples:
    width = rate_hz // 100
    frames = x[: len(x) // width * width].reshape(-1, width)
    return 10 * np.log10(np.mean(np.square(frames), axis=1) + 1e-12)


def _sections_db(rng: Generator, level_db: Samples, active: npt.NDArray[np.bool_]) -> Samples:
    """A slow gain that brings loud and quiet sections nearer to each other."""
    strength = rng.uniform(0.2, 0.9)
    loud = ndimage.maximum_filter1d(level_db, 60)
    steady = np.interp(np.arange(len(loud)), np.flatnonzero(active), loud[active])
    slow = ndimage.uniform_filter1d(steady, 100)
    return np.clip(-strength * (slow - np.median(slow)), -10, 10)


def _gate_db(rng: Generator, active: npt.NDArray[np.bool_]) -> Samples:
    """The gain of a gate: opened before a word, closed a while after, with ramps."""
    depth_db = rng.uniform(6, 24)
    before, behind = int(rng.integers(2, 12)), int(rng.integers(8, 40))
    width = before + behind + 1
    # The window reaches *behind* frames back and *before* frames ahead.
    opened = ndimage.maximum_filter1d(active.astype(np.float32), width, origin=behind - width // 2)
    ramp = int(rng.integers(2, 20))
    return -depth_db * (1 - ndimage.uniform_filter1d(opened, ramp))


def _ends(rng: Generator, active: npt.NDArray[np.bool_], count: int, rate_hz: int) -> Samples:
    """One between the first and the last word, with faded edges, and nothing outside of them."""
    spoken = np.flatnonzero(active)
    first = max(0.0, spoken[0] / 100 - rng.uniform(0.1, 0.8))
    last = min(count / rate_hz, spoken[-1] / 100 + rng.uniform(0.3, 1.5))
    places = np.array([first - rng.uniform(0.01, 0.4), first, last, last + rng.uniform(0.03, 0.8)])
    seconds = np.arange(count, dtype=np.float32) / rate_hz
    return np.interp(seconds, places, [0, 1, 1, 0]).astype(np.float32)


def _per_sample(frames: Samples, count: int, rate_hz: int) -> Samples:
    centres = (np.arange(len(frames)) + 0.5) * (rate_hz // 100)
    return np.interp(np.arange(count), centres, frames).astype(np.float32)


def _laid(rng: Generator, gain: Samples) -> Samples:
    """Tone laid into the emptied ends: none, or hiss from -90 to -60 dBFS."""
    if rng.random() < 0.4:
        return np.zeros(len(gain), np.float32)
    hiss = rng.standard_normal(len(gain), dtype=np.float32)
    return hiss * gain_of(rng.uniform(-90, -60)) * (gain < 0.02)


# --- not linear -----------------------------------------------------------------------------------


def in_a_file(rng: Generator, x: Samples, rate_hz: int) -> Samples:
    """Overload, DC, rumble, and the way through a codec or 16 bits."""
    if rng.random() < 0.12:
        most = np.quantile(np.abs(x[::7]), rng.uniform(0.985, 0.9995))
        x = np.clip(x, -most, most)
    x = np.clip(x, -1, 1)
    if rng.random() < 0.08:
        x = x + np.float32(rng.uniform(-0.03, 0.03))
    if rng.random() < 0.1:
        times = np.arange(len(x), dtype=np.float32) / rate_hz
        x = x + gain_of(rng.uniform(-60, -40)) * np.sin(2 * np.pi * rng.uniform(8, 40) * times)
    chance = rng.random()
    if chance < 0.1:
        return _coded(x, rate_hz, "MP3", "MPEG_LAYER_III")
    if chance < 0.14:
        return _coded(x, rate_hz, "OGG", "VORBIS")
    if chance < 0.5:
        dither = rng.uniform(-0.5, 0.5, len(x))
        return (np.round(x * 32768 + dither) / 32768).astype(np.float32)
    return x.astype(np.float32)


def _coded(x: Samples, rate_hz: int, container: str, codec: str) -> Samples:
    """Written and read back, at its old length and place."""
    file = io.BytesIO()
    soundfile.write(file, x, rate_hz, format=container, subtype=codec)
    file.seek(0)
    y, _ = soundfile.read(file, dtype="float32")
    part = min(len(x), len(y), 6 * rate_hz)
    likeness = signal.correlate(y[:part], x[:part], "full", method="fft")
    late = int(np.argmax(likeness)) - part + 1
    y = y[late:] if late > 0 else np.pad(y, (-late, 0))
    return np.pad(y, (0, max(0, len(x) - len(y))))[: len(x)].astype(np.float32)

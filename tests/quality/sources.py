"""Where the bench gets speech: recordings of the registered voices, and a synthesiser.

The voices, their packages and how one is fetched stand in `tests/ear/voices.py`; the bench plays
only those whose role is ``test`` or ``kept``, which no ear was ever trained on.

Conventions: an utterance is mono float64 at RATE_HZ, trimmed to its speech (`trimmed_to_speech`),
silent outside of it, its active level 0 dB. The same seed draws the same utterances.

A recording tells a clean truth only where it is clean. So each one is tidied first (`pieces_of`):
its own noise is taken down, what is soft, unvoiced and alone between words is taken out (a breath
of the speaker's own, most often), and it is parted where the speaker paused. What that leaves
unfit is left out.
"""

from __future__ import annotations

import functools
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soxr
from scipy import ndimage, signal

sys.path.insert(0, str(Path(__file__).parents[2] / "samples"))
sys.path.append(str(Path(__file__).parents[1] / "ear"))  # last, so that our own names win

import scene
from voices import PackageMissing, Voice, cache_folder, decoded, paths_of, voice_named

RATE_HZ = scene.RATE_HZ
FRAME = RATE_HZ // 100
#: A frame of 10 ms is speech above this, relative to the 95th percentile of its utterance.
SPEECH_UNDER_P95_DB = 45.0
#: Active level: the mean power of the frames that lie at most this far under the 95th percentile.
ACTIVE_UNDER_P95_DB = 20.0
#: A recording whose own noise comes nearer than this to its speech tells no clean truth.
NOISIEST_FLOOR_DB = -55.0
#: Noise up to this can be taken down without harm that would be heard as another recording.
TIDIED_FLOOR_DB = -27.0
#: Frames this far under the 95th percentile are no noise but zeros, or a fade into them.
NOTHING_DB = -75.0
#: A voice fades; what stays softer than this for longer than so many frames is the room behind it.
PLAIN_UNDER_P95_DB, MOST_RINGING_FRAMES = 35.0, 30
#: A soft sound alone: at least so long, so far from other speech, and at most so loud.
ALONE_FRAMES, ALONE_GAP, ALONE_UNDER_P95_DB = 10, 4, 18.0
#: Where the speaker paused this long, a recording is parted.
PARTED_FRAMES = 18
#: A toneless stretch within speech, this soft for so long, is a breath as likely as a consonant.
DOUBTFUL_FRAMES, DOUBTFUL_UNDER_P95_DB = 22, 20.0
#: What stands this far over a voice was no voice: a bump, a click.
MOST_OVER_P95_DB = 7.0
#: More over this than under it is no consonant.
WHISTLE_HZ = 12_000
SHORTEST_S, LONGEST_S, LONGEST_FILE_S = 0.25, 8.0, 40.0
EDGE_MS = 25.0
#: Voiced speech repeats itself at least this well from one period to the next.
VOICED = 0.5


class SpeechMissing(Exception):
    """A voice that is not to be had on this machine; says why."""


@dataclass(frozen=True)
class Synthetic:
    """A voice of the synthesiser."""

    voice: scene.Voice
    texts: str


SYNTHETIC: dict[str, Synthetic] = {
    "synth-en": Synthetic(scene.Voice("en-gb", 45, 160), "en"),
    "synth-en-high": Synthetic(scene.Voice("en-us+f3", 60, 175), "en"),
    "synth-de": Synthetic(scene.Voice("de", 35, 150), "de"),
    "synth-pl": Synthetic(scene.Voice("pl", 50, 165), "pl"),
    "whisper": Synthetic(scene.Voice("en-gb+whisper", 50, 150), "en"),
    "whisper-high": Synthetic(scene.Voice("de+whisperf", 50, 150), "de"),
    "laughter": Synthetic(scene.Voice("en-gb+f2", 75, 210), "laughter"),
}

#: How many pieces make a phrase, by what a voice's files hold.
PIECES_A_PHRASE = {"phrases": (1, 1), "words": (3, 5), "syllables": (4, 6)}

TEXTS = {
    "en": (
        "Each ship that stops at the quay brings salt, thick rope and post.",
        "Kate put eight tops on the shelf, then shut the chest.",
        "She sells fresh fish in frost and half of us sit still.",
        "Stop. Take the path past the church, up the steep steps.",
        "It was not yet six; the clock ticked on, soft and exact.",
        "Pat packed bits of brick, bark and apt bits of copper.",
        "His last guess was this: the first frost comes with the west wind.",
        "At dusk the bats left the loft, and the dog slept.",
    ),
    "de": (
        "Sechs Schiffe lagen still im Hafen, als der Nebel kam.",
        "Er packte Brot, Salz und acht Äpfel in die Kiste.",
        "Plötzlich klopft es; niemand spricht, und das Licht ist aus.",
        "Das letzte Stück des Weges ging sie zu Fuß, leise und rasch.",
        "Zwölf Töpfe standen auf dem Tisch, keiner passte.",
        "Frisch gefischt schmeckt es fast jedem, sagt der Koch.",
    ),
    "pl": (
        "Szary pies spał cicho pod starym stołem.",
        "Kasia kupiła sześć kaczek i kosz pełen śliwek.",
        "Tuż po szóstej przyszedł list z pieczęcią.",
        "Deszcz szeleścił, a potem wszystko ucichło.",
        "Czy ktoś tu jest, zapytał szeptem chłopiec.",
        "Trzy statki stoją w porcie, czwarty odpływa.",
    ),
    "laughter": (
        "ha ha ha ha ha ha!",
        "hi hi hi, ha ha ha!",
        "oh, ho ho ho, ha ha!",
    ),
}


# --- utterances -----------------------------------------------------------------------------------


def frame_levels_db(x: np.ndarray) -> np.ndarray:
    """Level of each whole frame of 10 ms, dBFS RMS."""
    whole = x[: len(x) // FRAME * FRAME].reshape(-1, FRAME)
    return np.asarray(10.0 * np.log10(np.mean(np.square(whole), axis=1) + 1e-16))


def p95_db(level_db: np.ndarray) -> float:
    """The level that the loudest twentieth of the frames passes."""
    return float(np.percentile(level_db, 95))


def own_floor_db(level_db: np.ndarray) -> float:
    """A recording's own noise, relative to its 95th percentile; zeros laid around it do not count."""
    under_db = level_db - p95_db(level_db)
    return float(np.percentile(under_db[under_db > NOTHING_DB], 5))


def rings_on(x: np.ndarray) -> bool:
    """Whether a trimmed recording begins or ends with more of its own room than of the voice."""
    level_db = frame_levels_db(x)
    plain = np.flatnonzero(level_db > p95_db(level_db) - PLAIN_UNDER_P95_DB)
    return bool(max(plain[0], len(level_db) - 1 - plain[-1]) > MOST_RINGING_FRAMES)


def active_level_db(x: np.ndarray) -> float:
    """Mean power of the loud frames."""
    level_db = frame_levels_db(x)
    loud = level_db[level_db > p95_db(level_db) - ACTIVE_UNDER_P95_DB]
    return float(10.0 * np.log10(np.mean(10.0 ** (loud / 10.0))))


def trimmed_to_speech(x: np.ndarray) -> np.ndarray:
    """Without the recording's own silence; the last 25 ms before and behind the speech fade."""
    level_db = frame_levels_db(x)
    spoken = np.flatnonzero(level_db > p95_db(level_db) - SPEECH_UNDER_P95_DB)
    edge = scene.samples_in(EDGE_MS / 1000.0)
    padded = np.pad(x, edge)
    kept = padded[spoken[0] * FRAME : (spoken[-1] + 1) * FRAME + 2 * edge].copy()
    ramp = np.sin(np.linspace(0.0, np.pi / 2.0, edge)) ** 2
    kept[:edge] *= ramp
    kept[-edge:] *= ramp[::-1]
    return kept / scene.gain_of(active_level_db(kept))


def voicing(x: np.ndarray) -> np.ndarray:
    """How well each frame of 10 ms repeats itself, 0 to 1: the best of lags from 2.5 to 14 ms."""
    rate = 8000
    low = soxr.resample(np.asarray(x, float), RATE_HZ, rate)
    size, hop = 320, 80
    count = len(x) // FRAME
    padded = np.pad(low, (size // 2 - hop // 2, size + hop * 2))
    frames = np.lib.stride_tricks.sliding_window_view(padded, size)[::hop][:count]
    spectrum = np.fft.rfft(frames * np.hanning(size), 2 * size)
    lags = np.fft.irfft(np.abs(spectrum) ** 2)[:, :size]
    window = np.fft.irfft(np.abs(np.fft.rfft(np.hanning(size), 2 * size)) ** 2)[:size]
    shares = lags[:, 20:112] / (lags[:, :1] + 1e-12) * (window[0] / window[20:112])
    return np.asarray(np.clip(shares.max(axis=1), 0.0, 1.0))


def framed(x: np.ndarray, size: int, hop: int) -> np.ndarray:
    """Overlapping windowed frames, shape (frames, size)."""
    frames = np.lib.stride_tricks.sliding_window_view(x, size)[::hop]
    return np.asarray(frames * np.hanning(size))


def overlapped(frames: np.ndarray, hop: int) -> np.ndarray:
    """Frames added up where they lie; *hop* divides their size."""
    count, size = frames.shape
    lanes = size // hop
    out = np.zeros((count + lanes, hop))
    for lane in range(lanes):
        out[lane : lane + count] += frames[:, lane * hop : (lane + 1) * hop]
    return out.reshape(-1)


def quieted(x: np.ndarray) -> np.ndarray:
    """The recording with its own noise taken down: a gain per band from its quietest frames."""
    size, hop = 1024, 256
    bands = np.fft.rfft(framed(np.pad(x, size), size, hop))
    power = np.abs(bands) ** 2
    whole = power.sum(axis=1)
    live = whole > whole.max() * 1e-9  # zeros laid around the recording say nothing of its noise
    quiet = live & (whole <= np.percentile(whole[live], 12))
    noise = power[quiet].mean(axis=0)
    gain = np.clip(1.0 - 3.5 * noise / np.maximum(power, 1e-20), 0.0, 1.0)
    gain = ndimage.uniform_filter(gain, (5, 3))
    frames = np.fft.irfft(bands * np.maximum(gain, 0.008)) * np.hanning(size)
    return overlapped(frames, hop)[size : size + len(x)] / 1.5  # four squared windows make 1.5


def runs(mask: np.ndarray) -> list[tuple[int, int]]:
    """Where a mask is set: starts and stops."""
    steps = np.flatnonzero(np.diff(mask.astype(np.int8), prepend=0, append=0))
    return list(zip(steps[0::2].tolist(), steps[1::2].tolist(), strict=True))


def tidied(samples: np.ndarray, rate_hz: int) -> np.ndarray | None:
    """A recording at RATE_HZ without rumble and with little noise of its own, or None."""
    if not 0.2 <= len(samples) / rate_hz <= LONGEST_FILE_S or not np.any(samples):
        return None
    mono = soxr.resample(np.asarray(samples, float), rate_hz, RATE_HZ)
    low_cut = signal.butter(2, 50.0, "highpass", fs=RATE_HZ, output="sos")
    edge = RATE_HZ // 10
    mono = signal.sosfiltfilt(low_cut, np.pad(mono, edge))[edge:-edge]
    level_db = frame_levels_db(mono)
    if len(level_db) < 20 or p95_db(level_db) < -60.0:
        return None
    floor_db = own_floor_db(level_db)
    if floor_db > TIDIED_FLOOR_DB:
        return None
    if floor_db > NOISIEST_FLOOR_DB:
        mono = quieted(mono)
    return np.asarray(mono)


def alone(x: np.ndarray, voicing_of_x: np.ndarray) -> list[tuple[int, int]]:
    """Frames of soft unvoiced sounds that stand alone: the speaker's own breaths, most often."""
    level_db = frame_levels_db(x)
    under_db = level_db - p95_db(level_db)
    voiced = voicing_of_x > VOICED
    found = runs(under_db > -SPEECH_UNDER_P95_DB)
    kept = []
    for n, (start, stop) in enumerate(found):
        before = start - found[n - 1][1] if n else ALONE_GAP
        behind = found[n + 1][0] - stop if n + 1 < len(found) else ALONE_GAP
        soft = under_db[start:stop].max() < -ALONE_UNDER_P95_DB
        toneless = voiced[start:stop].mean() < 0.2
        if stop - start >= ALONE_FRAMES and min(before, behind) >= ALONE_GAP and soft and toneless:
            kept.append((start, stop))
    return kept


def pieces_of(samples: np.ndarray, rate_hz: int) -> list[np.ndarray]:
    """The utterances of one recording; none where it is unfit."""
    mono = tidied(samples, rate_hz)
    if mono is None:
        return []
    voiced = voicing(mono)
    for start, stop in alone(mono, voiced):
        _fade_out_of(mono, (start - 1) * FRAME, (stop + 1) * FRAME)
    return [p for part in _parted(mono, voiced) if (p := _fit(part)) is not None]


def _fade_out_of(x: np.ndarray, start: int, stop: int) -> None:
    """Take a stretch out of *x*, with short fades at both ends."""
    start, stop = max(start, 0), min(stop, len(x))
    ramp = np.linspace(1.0, 0.0, FRAME // 2)
    x[start : start + len(ramp)] *= ramp[: max(stop - start, 0)]
    x[start + len(ramp) : stop - len(ramp)] = 0.0
    x[max(stop - len(ramp), 0) : stop] *= ramp[::-1][-min(len(ramp), stop) :]


def _parted(x: np.ndarray, voiced: np.ndarray) -> Iterator[np.ndarray]:
    """The stretches between a recording's own pauses."""
    level_db = frame_levels_db(x)
    spoken = level_db > p95_db(level_db) - SPEECH_UNDER_P95_DB
    soft = level_db < p95_db(level_db) - DOUBTFUL_UNDER_P95_DB
    for start, stop in runs(spoken & soft & (voiced < 0.45)):
        if stop - start >= DOUBTFUL_FRAMES:
            spoken[start:stop] = False
    joined: list[list[int]] = []
    for start, stop in runs(spoken):
        if joined and start - joined[-1][1] < PARTED_FRAMES:
            joined[-1][1] = stop
        else:
            joined.append([start, stop])
    for start, stop in joined:
        yield x[max(start - 4, 0) * FRAME : (stop + 4) * FRAME]


def _fit(part: np.ndarray) -> np.ndarray | None:
    """A stretch as an utterance, or None where it is too short, too long, or no voice's."""
    level_db = frame_levels_db(part)
    if len(level_db) < SHORTEST_S * 100 or own_floor_db(level_db) > -25.0:
        return None
    if level_db.max() > p95_db(level_db) + MOST_OVER_P95_DB or _whistles(part):
        return None
    kept = trimmed_to_speech(part)
    voiced = voicing(kept) > VOICED
    fits = SHORTEST_S <= len(kept) / RATE_HZ <= LONGEST_S and not rings_on(kept)
    return kept if fits and voiced.mean() > 0.2 and not _breathes_at_ends(kept, voiced) else None


def _whistles(x: np.ndarray) -> bool:
    """Whether there is a quarter of a second in which more lies over any voice than in it."""
    power = np.abs(np.fft.rfft(framed(np.pad(x, (0, RATE_HZ)), RATE_HZ // 4, RATE_HZ // 8))) ** 2
    over = np.fft.rfftfreq(RATE_HZ // 4, 1 / RATE_HZ) > WHISTLE_HZ
    loud = power.sum(axis=1) > 1e-3 * power.sum(axis=1).max()
    return bool((power[:, over].sum(axis=1) > power[:, ~over].sum(axis=1))[loud].any())


def _breathes_at_ends(x: np.ndarray, voiced: np.ndarray) -> bool:
    """Whether an utterance begins or ends with a long, soft, toneless stretch."""
    level_db = frame_levels_db(x)
    strong = np.flatnonzero(voiced | (level_db > p95_db(level_db) - 25.0))
    return bool(max(strong[0], len(level_db) - 1 - strong[-1]) > 22)


# --- voices ---------------------------------------------------------------------------------------


@functools.cache
def files_of(voice: Voice) -> list[Path]:
    """All files of a voice. Raises `SpeechMissing`."""
    # A cache folder may hold packages that somebody laid there by hand.
    by_hand = (cache_folder() / voice.package).is_dir()
    try:
        found = paths_of(voice, cache_folder() if by_hand else None)
    except PackageMissing as e:
        raise SpeechMissing(str(e)) from None
    if not found:
        raise SpeechMissing(f"{voice.package} has no files of {voice.name}")
    return found


def _read(path: Path) -> tuple[np.ndarray, int]:
    try:
        return decoded(path)
    except ModuleNotFoundError as e:
        raise SpeechMissing(f"{path.suffix} files need the Python package {e.name}") from None


class Drawn:
    """An endless draw of a voice's usable pieces, no file twice in a round."""

    def __init__(self, voice: Voice, rng: np.random.Generator) -> None:
        self._paths, self._rng = files_of(voice), rng
        self._order: list[Path] = []
        self._ready: list[np.ndarray] = []
        self.name = voice.name

    def next(self) -> np.ndarray:
        for _ in range(min(500, 4 * len(self._paths))):
            if self._ready:
                return self._ready.pop(0)
            if not self._order:
                self._order = [self._paths[i] for i in self._rng.permutation(len(self._paths))]
            self._ready = pieces_of(*_read(self._order.pop()))
        raise SpeechMissing(f"no recording of {self.name} is clean enough")


def utterances(name: str, count: int, rng: np.random.Generator) -> list[np.ndarray]:
    """*count* phrases of a voice, drawn by *rng*. Raises `SpeechMissing`."""
    if name in SYNTHETIC:
        return _synthetic(SYNTHETIC[name], count, rng)
    voice = voice_named(name)
    pieces = Drawn(voice, rng)
    return [_phrase(pieces, PIECES_A_PHRASE[voice.holds], rng) for _ in range(count)]


def phrase_of(pieces: Drawn, least_s: float, rng: np.random.Generator) -> np.ndarray:
    """Pieces in a row until they last *least_s*, with gaps of 60 to 200 ms between them."""
    parts = [pieces.next()]
    while sum(map(len, parts)) < least_s * RATE_HZ:
        parts += [np.zeros(scene.samples_in(rng.uniform(0.06, 0.2))), pieces.next()]
    return at_active_level(np.concatenate(parts))


def at_active_level(x: np.ndarray, level_db: float = 0.0) -> np.ndarray:
    """The same sound at another active level."""
    return x * scene.gain_of(level_db - active_level_db(x))


def _synthetic(voice: Synthetic, count: int, rng: np.random.Generator) -> list[np.ndarray]:
    texts = TEXTS[voice.texts]
    order = [texts[i] for i in rng.permutation(len(texts))]
    try:
        said = [scene.speak(order[i % len(order)], voice.voice) for i in range(count)]
    except scene.SynthesiserMissing as e:
        raise SpeechMissing(str(e)) from None
    except subprocess.CalledProcessError:
        raise SpeechMissing(f"espeak-ng has no voice {voice.voice.name}") from None
    return [trimmed_to_speech(x) for x in said]


def synthetic_phrase(name: str, rng: np.random.Generator) -> np.ndarray:
    """One phrase of the synthesiser. Raises `SpeechMissing`."""
    return _synthetic(SYNTHETIC[name], 1, rng)[0]


def _phrase(pieces: Drawn, count: tuple[int, int], rng: np.random.Generator) -> np.ndarray:
    """Some pieces in a row, with gaps of 60 to 220 ms between them."""
    parts: list[np.ndarray] = []
    for _ in range(int(rng.integers(count[0], count[1] + 1))):
        if parts:
            parts.append(np.zeros(scene.samples_in(rng.uniform(0.06, 0.22))))
        parts.append(pieces.next())
    return at_active_level(np.concatenate(parts))

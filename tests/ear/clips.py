"""From a voice's files to clips: short, clean pieces of speech that are speech from end to end.

A label is only as true as the clip. Recordings bring their own noise, their own pauses, and breaths
in them; those would be called voice. So each recording is high-passed, freed of its steady noise
where that is loud, trimmed, and emptied wherever nobody speaks. Clips have an active level of
-20 dB and are kept in the cache folder, one file a voice.
"""

from __future__ import annotations

import tempfile
import zlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy import signal
from synths import SYNTHS, TEXTS, spoken
from tools import Samples, faded, runs
from voices import Voice, cache_folder, decoded, paths_of

LEVEL = 0.1
FRAME_S = 0.01
LONGEST_S, SHORTEST_S = 12.0, 0.25
#: Speech lies above this, relative to the loudest twentieth of the frames.
SPEECH_UNDER_P95_DB = 45.0
#: A recording with its noise nearer than this to its speech is freed of noise first.
CLEAN_DB = 50.0
SILENT_DB = -60.0
#: Nobody speaks in a pause from this length on; shorter ones are closures.
PAUSE_FRAMES = 15
#: A piece between two pauses that is longer than a stop's release and never voiced is a breath.
RELEASE_FRAMES = 8
VOICED_UNDER_P95_DB, VOICED_HZ = 30.0, 1500.0
#: So much is taken of one voice: seconds, clips.
MOST_S, MOST_CLIPS = 600.0, 300


@dataclass(frozen=True)
class Clip:
    """A piece of speech."""

    samples: Samples
    rate_hz: int


def frames_of(x: Samples, rate_hz: int) -> npt.NDArray[np.float64]:
    """Whole frames of 10 ms, shape (frames, samples)."""
    width = max(1, int(rate_hz * FRAME_S))
    return x[: len(x) // width * width].reshape(-1, width).astype(np.float64)


def levels_db(frames: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Level of each frame."""
    return np.asarray(10 * np.log10(np.mean(np.square(frames), axis=1) + 1e-12))


def mean_hz(frames: npt.NDArray[np.float64], rate_hz: int) -> npt.NDArray[np.float64]:
    """Where the weight of each frame's spectrum lies: hiss is high, a vowel is low."""
    power = np.mean(np.square(frames), axis=1) + 1e-12
    step = np.mean(np.square(np.diff(frames, axis=1)), axis=1)
    return rate_hz / np.pi * np.arcsin(np.clip(np.sqrt(step / power) / 2, 0, 1))


def clips_of_voice(voice: Voice, root: Path | None = None) -> list[Clip]:
    """The clips of a recorded voice: from the cache, or made from its files."""
    kept = _kept_path(voice.name, repr(voice))
    if not kept.is_file():
        _keep(kept, _made(voice, root))
    return _read(kept)


def clips_of_synths() -> dict[str, list[Clip]]:
    """The clips of all synthetic voices."""
    found = {}
    for name, synth in SYNTHS.items():
        kept = _kept_path(name, repr((synth, TEXTS)))
        if not kept.is_file():
            made = [tidied(x, rate_hz) for x, rate_hz in spoken(name)]
            _keep(kept, [clip for clip in made if clip])
        found[name] = _read(kept)
    return found


def _kept_path(name: str, source: str) -> Path:
    """Where the clips of a voice are kept: another place when it, or this file, has changed."""
    key = zlib.crc32(Path(__file__).read_bytes(), zlib.crc32(source.encode()))
    return cache_folder() / "clips" / f"{name}-{key:08x}.npz"


def tidied(x: Samples, rate_hz: int) -> Clip | None:
    """One recording as a clip, or None where there is not enough speech in it."""
    x = x[: int(LONGEST_S * rate_hz)]
    if len(x) < SHORTEST_S * rate_hz:
        return None
    low_cut = signal.butter(2, 50, "highpass", fs=rate_hz, output="sos")
    x = signal.sosfiltfilt(low_cut, x - x.mean()).astype(np.float32)
    level_db = levels_db(frames_of(x, rate_hz))
    if np.percentile(level_db, 95) < SILENT_DB:
        return None
    if np.percentile(level_db, 95) - np.percentile(level_db, 4) < CLEAN_DB:
        x = quietened(x, rate_hz)
    return _trimmed(emptied(x, rate_hz), rate_hz)


def quietened(x: Samples, rate_hz: int) -> Samples:
    """Without most of its steady noise: the spectrum's softest tenth is taken off everywhere."""
    size = 512 if rate_hz <= 24_000 else 1024
    _, _, spectrum = signal.stft(x, rate_hz, nperseg=size, noverlap=3 * size // 4)
    power = np.abs(spectrum) ** 2
    whole = power.sum(axis=0)
    noise = power[:, whole <= np.percentile(whole, 10)].mean(axis=1, keepdims=True)
    gain = np.maximum(1 - 4 * noise / np.maximum(power, 1e-20), 0)
    gain = signal.convolve2d(gain, np.full((3, 5), 1 / 15), mode="same", boundary="symm")
    _, y = signal.istft(
        spectrum * np.maximum(gain, 0.01), rate_hz, nperseg=size, noverlap=3 * size // 4
    )
    return np.resize(y, len(x)).astype(np.float32)


def emptied(x: Samples, rate_hz: int) -> Samples:
    """Silent wherever nobody speaks: in pauses, and in what lies between pauses and is no voice."""
    frames = frames_of(x, rate_hz)
    level_db = levels_db(frames)
    p95_db = np.percentile(level_db, 95)
    loud = level_db > p95_db - SPEECH_UNDER_P95_DB
    voiced = (mean_hz(frames, rate_hz) < VOICED_HZ) & (level_db > p95_db - VOICED_UNDER_P95_DB)
    speech = np.zeros(len(loud), bool)
    for start, stop in _joined(runs(loud)):
        speech[start:stop] = stop - start <= RELEASE_FRAMES or voiced[start:stop].any()
    return x * _gate(speech, len(x), frames.shape[1])


def _joined(pieces: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Pieces with less than a pause between them as one."""
    joined: list[tuple[int, int]] = []
    for start, stop in pieces:
        if joined and start - joined[-1][1] < PAUSE_FRAMES:
            joined[-1] = (joined[-1][0], stop)
        else:
            joined.append((start, stop))
    return joined


def _gate(speech: npt.NDArray[np.bool_], count: int, width: int) -> Samples:
    """A gain of 0 or 1 a sample, a frame wider than the speech, with ramps of a frame."""
    wide = np.convolve(speech, np.ones(3), "same") > 0
    centres = (np.arange(len(wide)) + 0.5) * width
    return np.interp(np.arange(count), centres, wide.astype(np.float32)).astype(np.float32)


def _trimmed(x: Samples, rate_hz: int) -> Clip | None:
    frames = frames_of(x, rate_hz)
    level_db = levels_db(frames)
    p95_db = np.percentile(level_db[level_db > -110], 95) if np.any(level_db > -110) else -120.0
    spoken_frames = np.flatnonzero(level_db > p95_db - SPEECH_UNDER_P95_DB)
    if not len(spoken_frames) or p95_db < SILENT_DB:
        return None
    width = frames.shape[1]
    start, stop = max(0, spoken_frames[0] - 1) * width, (spoken_frames[-1] + 2) * width
    kept = x[start:stop]
    if len(kept) < SHORTEST_S * rate_hz:
        return None
    active = np.mean(10 ** (level_db[level_db > p95_db - 25] / 10))
    kept = faded(kept, width // 2, width // 2) * np.float32(LEVEL / np.sqrt(active))
    return Clip(np.clip(kept, -3, 3), rate_hz)


def _made(voice: Voice, root: Path | None) -> list[Clip]:
    paths = paths_of(voice, root)
    order = np.random.default_rng(zlib.crc32(voice.name.encode())).permutation(len(paths))
    clips: list[Clip] = []
    total_s = 0.0
    for i in order:
        x, rate_hz = decoded(paths[i])
        clip = tidied(x, rate_hz)
        if clip:
            clips.append(clip)
            total_s += len(clip.samples) / rate_hz
        if total_s > MOST_S or len(clips) >= MOST_CLIPS:
            break
    return clips


def _keep(path: Path, clips: list[Clip]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    parts = {f"s{i}": clip.samples.astype(np.float16) for i, clip in enumerate(clips)}
    with tempfile.TemporaryDirectory(dir=path.parent) as folder:
        unfinished = Path(folder) / path.name
        np.savez(unfinished, rates=np.array([clip.rate_hz for clip in clips]), **parts)
        unfinished.rename(path)


def _read(path: Path) -> list[Clip]:
    with np.load(path) as kept:
        rates = kept["rates"]
        return [Clip(kept[f"s{i}"].astype(np.float32), int(r)) for i, r in enumerate(rates)]

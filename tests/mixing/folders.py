"""Mixes for tests: folders made of arrays, and what comes of them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from fairtake.errors import ProfileInvalid
from fairtake.master import Finished, Job
from fairtake.mixing import finish_mix
from fairtake.profile import Profile
from fairtake.typed_file import typed
from signals import noise, speech_like

RATE = 44_100
#: Limiter and level alone, and the level so low that the limiter has nothing to do.
BARE = {
    "chain": ("limit", "normalise"),
    "channels": "keep",
    "normalise": {"by": "loudness", "target": -30.0, "mono_target": -30.0},
    "delivery": {"level_low": -31, "level_high": -29},
}
VOICE = '[[voice]]\nfile = "voice.wav"\n'


def profile(**tables: Any) -> Profile:
    return typed(tables, Profile, ProfileInvalid, "profile")


def make_mix(folder: Path, cues: str, **sounds: Any) -> Path:
    """A mix of ``name=samples``, or ``name=(samples, rate)``: each a WAV of 24 bits, or of floats where
    they are no numbers."""
    folder.mkdir(parents=True)
    for name, sound in sounds.items():
        samples, rate = sound if isinstance(sound, tuple) else (sound, RATE)
        kind = "PCM_24" if np.isfinite(samples).all() else "FLOAT"  # which bears the time of day
        soundfile.write(folder / f"{name}.wav", samples, rate, subtype=kind)
    (folder / "cues.toml").write_text(cues, "utf-8")
    return folder


def mixed(folder: Path, scratch: Path, settings: Profile | None = None) -> Finished:
    scratch.mkdir(exist_ok=True)
    return finish_mix(Job(folder, folder.name, folder.stem, "test", settings or Profile()), scratch)


def heard(path: Path) -> np.ndarray:
    """The samples of a file, shape (samples, channels), read by libsndfile."""
    return soundfile.read(path, always_2d=True)[0]


def gated_tone(spans_s: list[tuple[float, float]], seconds: float) -> np.ndarray:
    """A vowel of -23 dBFS RMS where the spans say, over a room of -90 dBFS: a voice with known edges."""
    t = np.arange(round(seconds * RATE)) / RATE
    on = np.zeros(len(t))
    for begin, end in spans_s:
        on[round(begin * RATE) : round(end * RATE)] = 1
    pitch = 140 * t + 0.8 * np.sin(2 * np.pi * 3 * t)  # a melody that moves, as a voice's does
    formants = ((600, 150), (1200, 200), (2500, 300))
    shape = [sum(1 / (1 + ((140 * k - f) / w) ** 2) for f, w in formants) for k in range(1, 25)]
    vowel = sum(a * np.sin(2 * np.pi * k * pitch + k) for k, a in enumerate(shape, 1))
    vowel *= 0.1 * np.sqrt(0.5) / np.sqrt(np.mean(vowel**2))
    return vowel * on + noise(seconds, -90.0, rate=RATE)[: len(t)]


def spoken(phrases: int = 2, seed: int = 1, **more: Any) -> np.ndarray:
    """Something like speech."""
    return speech_like(phrases, seed=seed, rate=RATE, **more).samples

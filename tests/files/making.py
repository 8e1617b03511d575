"""Takes for these tests: sound made in code, and files of every format made from it."""

from __future__ import annotations

import subprocess
from pathlib import Path

import imageio_ffmpeg
import numpy as np
import soundfile

ENCODER = imageio_ffmpeg.get_ffmpeg_exe()


def chord(rate: int = 44100, channels: int = 1, seconds: float = 1.0) -> np.ndarray:
    """Tones between 150 Hz and 3.1 kHz that never repeat, faded at both ends, peak about -6 dBFS.

    The right side differs from the left, so that swapped sides would show.
    """
    time = np.arange(round(seconds * rate)) / rate
    fade = np.minimum(1, np.minimum(time, time[::-1]) / 0.02)
    sides = [
        sum(np.sin(2 * np.pi * f * (1 + 0.05 * time) * time + f) for f in tones) * fade / 6
        for tones in ((150, 410, 1130, 2970), (190, 530, 1370, 2710))
    ]
    return np.stack(sides[:channels], axis=1)


def voice(
    rate: int = 48000,
    seconds: float = 5.0,
    level_db: float = -20.0,
    room_db: float = -65.0,
    seed: int = 7,
    head_s: float = 0.8,
    tail_s: float = 0.9,
) -> np.ndarray:
    """Something a speech finder takes for speech: voiced syllables in phrases, over room tone.

    Pulses of a wandering pitch near 120 Hz through three resonances, under an envelope of about
    four syllables a second, with a pause now and then. Shape (samples, 1).
    """
    random = np.random.default_rng(seed)
    n = round(seconds * rate)
    time = np.arange(n) / rate
    pitch = 120 + 15 * np.sin(2 * np.pi * 0.7 * time) + 5 * np.sin(2 * np.pi * 2.3 * time)
    phase = 2 * np.pi * np.cumsum(pitch) / rate
    source = np.zeros(n)
    for k in range(1, 30):
        formants = sum(
            a / (1 + ((120 * k - f) / w) ** 2)
            for a, f, w in ((1, 550, 120), (0.5, 1500, 150), (0.25, 2600, 200))
        )
        source += (formants + 0.02) * np.sin(k * phase)
    syllables = np.clip(np.sin(2 * np.pi * 2.0 * time) ** 2 * 1.6 - 0.25, 0, 1)
    spoken = (time > head_s) & (time < seconds - tail_s) & ((time % 2.5) < 2.1)
    source *= syllables * spoken
    loud = source[np.abs(source) > 0]
    source *= 10 ** (level_db / 20) / np.sqrt(np.mean(loud**2))
    room = random.normal(0, 10 ** (room_db / 20), n)
    return (source + room)[:, np.newaxis]


def room_tone(rate: int = 48000, seconds: float = 2.0, level_db: float = -62.0) -> np.ndarray:
    """Steady soft noise, shape (samples, 1)."""
    random = np.random.default_rng(3)
    return random.normal(0, 10 ** (level_db / 20), (round(seconds * rate), 1))


def write(path: Path, sound: np.ndarray, rate: int = 44100, subtype: str = "PCM_24",
          format: str | None = None) -> Path:  # fmt: skip
    """*sound* as a file that libsndfile writes."""
    soundfile.write(path, sound, rate, subtype=subtype, format=format)
    return path


def encode(path: Path, sound: np.ndarray, rate: int, *how: str) -> Path:
    """*sound* as a file that the encoder binary writes under the options *how*."""
    channels = str(sound.shape[1])
    raw = ("-f", "f64le", "-ar", str(rate), "-ac", channels, "-i", "-")
    run_encoder(*raw, *how, "-y", str(path), data=sound.astype("<f8").tobytes())
    return path


def decode(path: Path) -> np.ndarray:
    """The samples of *path* by the encoder binary, the second witness beside libsndfile."""
    with_channels = run_encoder(
        "-i", str(path), "-map", "0:a:0", "-f", "w64", "-c:a", "pcm_f64le", "-"
    )
    at = with_channels.index(b"data\xf3\xac\xd3\x11\x8c\xd1\x00\xc0\x4f\x8e\xdb\x8a") + 24
    channels = int.from_bytes(with_channels[with_channels.index(b"fmt ") + 26 :][:2], "little")
    return np.frombuffer(with_channels[at:], "<f8")[: (len(with_channels) - at) // 8].reshape(
        -1, channels
    )


def run_encoder(*arguments: str, data: bytes = b"") -> bytes:
    """What the encoder binary writes to its output, given *data*."""
    command = [ENCODER, "-hide_banner", "-v", "error", *arguments]
    return subprocess.run(command, input=data, capture_output=True, check=True).stdout

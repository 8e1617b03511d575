"""Where the bench gets speech: recordings from Debian packages, and a synthesiser.

A package is fetched with `apt-get download` the first time the bench runs, unpacked into the cache
folder and never installed; nothing of it belongs into this repository. Its sounds are played to
fairtake and measured, no more.

Conventions: an utterance is mono float64 at RATE_HZ, trimmed to its speech (`trimmed_to_speech`),
silent outside of it, its active level 0 dB. The same seed draws the same utterances.
"""

from __future__ import annotations

import contextlib
import functools
import os
import re
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
import soxr
from scipy import signal

sys.path.insert(0, str(Path(__file__).parents[2] / "samples"))

import scene

RATE_HZ = scene.RATE_HZ
FRAME = RATE_HZ // 100
#: A frame of 10 ms is speech above this, relative to the 95th percentile of its utterance.
SPEECH_UNDER_P95_DB = 45.0
#: Active level: the mean power of the frames that lie at most this far under the 95th percentile.
ACTIVE_UNDER_P95_DB = 20.0
#: A recording whose own noise comes nearer than this to its speech tells no clean truth.
NOISIEST_FLOOR_DB = -55.0
#: Frames this far under the 95th percentile are no noise but zeros, or a fade into them.
NOTHING_DB = -75.0
#: A voice fades; what stays softer than this for longer than so many frames is the room behind it.
PLAIN_UNDER_P95_DB, MOST_RINGING_FRAMES = 35.0, 30
SHORTEST_S, LONGEST_S = 0.25, 8.0
EDGE_MS = 25.0


class SpeechMissing(Exception):
    """A voice that is not to be had on this machine; says why."""


@dataclass(frozen=True)
class Recorded:
    """A voice of a package: the files below its folder whose path matches."""

    package: str
    pattern: str
    words_a_phrase: tuple[int, int] = (1, 1)


@dataclass(frozen=True)
class Synthetic:
    """A voice of the synthesiser."""

    voice: scene.Voice
    texts: str


VOICES: dict[str, Recorded | Synthetic] = {
    "nl-low": Recorded("fillets-ng-data-nl", r"/[^/]+-m-[^/]+\.ogg$"),
    "nl-high": Recorded("fillets-ng-data-nl", r"/[^/]+-v-[^/]+\.ogg$"),
    "lt-words": Recorded("ktuberling-data", r"/sounds/lt/[^/]+\.(wav|ogg)$", (3, 5)),
    "uk-letters": Recorded("klettres-data", r"/uk/(alpha|syllab)/", (4, 6)),
    "da-letters": Recorded("klettres-data", r"/da/(alpha|syllab)/", (4, 6)),
    "en-letters": Recorded("klettres-data", r"/en_GB/(alpha|syllab)/", (4, 6)),
    "lt-letters": Recorded("klettres-data", r"/lt/(alpha|syllab)/", (4, 6)),
    "pt-letters": Recorded("klettres-data", r"/pt_BR/(alpha|syllab)/", (4, 6)),
    "tn-letters": Recorded("klettres-data", r"/tn/(alpha|syllab)/", (4, 6)),
    "synth-en": Synthetic(scene.Voice("en-gb", 45, 160), "en"),
    "synth-en-high": Synthetic(scene.Voice("en-us+f3", 60, 175), "en"),
    "synth-de": Synthetic(scene.Voice("de", 35, 150), "de"),
    "synth-pl": Synthetic(scene.Voice("pl", 50, 165), "pl"),
    "whisper": Synthetic(scene.Voice("en-gb+whisper", 50, 150), "en"),
    "whisper-high": Synthetic(scene.Voice("de+whisperf", 50, 150), "de"),
    "laughter": Synthetic(scene.Voice("en-gb+f2", 75, 210), "laughter"),
}

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


# --- packages -------------------------------------------------------------------------------------


def cache_folder() -> Path:
    """Where fetched packages are kept: $FAIRTAKE_BENCH_CACHE, or the user's cache folder."""
    own = os.environ.get("FAIRTAKE_BENCH_CACHE")
    base = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    return Path(own) if own else base / "fairtake-bench"


@functools.cache
def unpacked(package: str) -> Path:
    """The folder of an unpacked package; fetched when it is not there yet.

    Raises `SpeechMissing` where that is not possible.
    """
    folder = cache_folder() / package
    if folder.is_dir():
        return folder
    cache_folder().mkdir(parents=True, exist_ok=True)
    # Each worker of the bench in a folder of its own: the first one there has fetched for all.
    with tempfile.TemporaryDirectory(dir=cache_folder()) as fetching:
        _run(["apt-get", "download", package], Path(fetching))
        (file,) = Path(fetching).glob("*.deb")
        _run(["dpkg-deb", "-x", file.name, "files"], Path(fetching))
        with contextlib.suppress(OSError):
            (Path(fetching) / "files").rename(folder)
    return folder


def _run(command: list[str], folder: Path) -> None:
    try:
        subprocess.run(command, cwd=folder, check=True, capture_output=True, text=True)
    except FileNotFoundError:
        raise SpeechMissing(f"there is no {command[0]} here") from None
    except subprocess.CalledProcessError as e:
        said = e.stderr.strip().splitlines()
        raise SpeechMissing(f"{' '.join(command)} says: {said[-1] if said else '?'}") from None


@functools.cache
def recordings(voice: Recorded) -> list[Path]:
    """All files of a voice, in an order that does not depend on the machine."""
    paths = sorted(unpacked(voice.package).rglob("*"))
    found = [p for p in paths if p.suffix in (".ogg", ".wav") and re.search(voice.pattern, str(p))]
    if not found:
        raise SpeechMissing(f"{voice.package} has no such files")
    return found


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


def loaded(path: Path) -> np.ndarray | None:
    """A recording as an utterance, or None where its own noise or length makes it unfit."""
    x, rate = soundfile.read(path, always_2d=True)
    mono = x.mean(axis=1)
    if not SHORTEST_S <= len(mono) / rate <= LONGEST_S * 2 or not np.any(mono):
        return None
    mono = soxr.resample(mono, rate, RATE_HZ)
    low_cut = signal.butter(2, 50.0, "highpass", fs=RATE_HZ, output="sos")
    mono = signal.sosfiltfilt(low_cut, np.pad(mono, RATE_HZ // 10))[RATE_HZ // 10 : -RATE_HZ // 10]
    level_db = frame_levels_db(mono)
    if len(level_db) < 20 or own_floor_db(level_db) > NOISIEST_FLOOR_DB:
        return None
    kept = trimmed_to_speech(mono)
    fits = SHORTEST_S <= len(kept) / RATE_HZ <= LONGEST_S and not rings_on(kept)
    return kept if fits else None


def utterances(name: str, count: int, rng: np.random.Generator) -> list[np.ndarray]:
    """*count* phrases of a voice, drawn by *rng*. Raises `SpeechMissing`."""
    voice = VOICES[name]
    if isinstance(voice, Synthetic):
        return _synthetic(voice, count, rng)
    words = _drawn_words(voice, rng)
    return [_phrase(words, voice.words_a_phrase, rng) for _ in range(count)]


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


class _drawn_words:
    """An endless draw of a voice's usable recordings, no file twice in a round."""

    def __init__(self, voice: Recorded, rng: np.random.Generator) -> None:
        self._paths, self._rng, self._order = recordings(voice), rng, list[Path]()

    def next(self) -> np.ndarray:
        for _ in range(400):
            if not self._order:
                self._order = [self._paths[i] for i in self._rng.permutation(len(self._paths))]
            found = loaded(self._order.pop())
            if found is not None:
                return found
        raise SpeechMissing("no recording of this voice is clean enough")


def _phrase(
    words: _drawn_words, count: tuple[int, int], rng: np.random.Generator
) -> np.ndarray:  # fmt: skip
    """Recorded words in a row, with gaps of 60 to 220 ms between them."""
    parts: list[np.ndarray] = []
    for _ in range(int(rng.integers(count[0], count[1] + 1))):
        if parts:
            parts.append(np.zeros(scene.samples_in(rng.uniform(0.06, 0.22))))
        parts.append(words.next())
    joined = np.concatenate(parts)
    return joined / scene.gain_of(active_level_db(joined))

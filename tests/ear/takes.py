"""One labelled take from a seed, and whole sets of them in the cache folder.

The same set name, number and recipe give the same take: features as the product has them, a class a
frame, and which frames count.
"""

from __future__ import annotations

import functools
import hashlib
import json
import multiprocessing
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from channel import faded_take, finished, in_a_file, levelled, muted, recorded
from clips import Clip, clips_of_synths, clips_of_voice
from labels import CLASSES, labels_of
from layers import Material, scene
from numpy.random import default_rng
from voices import Role, cache_folder, decoded, fetched, voices_of

from fairtake.sound.ear.features import features_of

RATES_HZ = ((16_000, 22_050, 24_000, 32_000, 44_100, 48_000), (0.32, 0.18, 0.26, 0.06, 0.11, 0.07))
#: The files a take depends on; a change of one of them asks for new takes.
GENERATORS = (
    "breaths", "channel", "clips", "deliveries", "labels", "layers", "music", "noises", "packages",
    "rooms", "speech", "synths", "takes", "throats", "tools", "voices",
)  # fmt: skip
#: Free recordings that stand between the made noises and tunes, whatever voices are used.
NOISE_FILES = "click build flippage lumberjack refresh smith stonemason"
MOST_TUNE_S = 60


@dataclass(frozen=True)
class Take:
    """Features (frames, FEATURES), classes and counts (frames,), and what was drawn."""

    features: npt.NDArray[np.float16]
    classes: npt.NDArray[np.int8]
    counts: npt.NDArray[np.bool_]
    about: dict[str, object]


def take_of(name: str, number: int, material: Material) -> Take:
    """Take *number* of the set *name*."""
    return sounding_take(name, number, material)[2]


def sounding_take(name: str, number: int, material: Material) -> tuple[np.ndarray, int, Take]:
    """The same with its samples and their rate, to look at or to listen to."""
    rng = default_rng([zlib.crc32(name.encode()), number])
    rate_hz = int(rng.choice(RATES_HZ[0], p=RATES_HZ[1]))
    drawn = scene(rng, material, rate_hz)
    layers, level_dbfs = levelled(rng, recorded(rng, drawn.layers, rate_hz))
    layers = muted(rng, layers, rate_hz, drawn.room_kind)
    layers = faded_take(rng, finished(rng, layers, rate_hz), rate_hz)
    samples = in_a_file(rng, layers.mixed(), rate_hz)
    labels = labels_of(layers, rate_hz)
    about = {
        "rate_hz": rate_hz,
        "level_dbfs": round(level_dbfs, 1),
        "room": drawn.room_kind,
        "speakers": drawn.manner.speakers,
        "whispering": drawn.manner.whispering,
        "music": bool(drawn.layers.music.any()),
    }
    features = features_of(samples, rate_hz).astype(np.float16)
    return samples, rate_hz, Take(features, labels.classes, labels.counts, about)


# --- material -------------------------------------------------------------------------------------


def material_of(*roles: Role) -> Material:
    """The clips of all voices in these roles, with the free noises and tunes."""
    voices = {voice.name: clips_of_voice(voice) for voice in voices_of(*roles)}
    if "train-free" in roles:
        voices |= clips_of_synths()
    return Material({k: v for k, v in voices.items() if v}, _noises(), _tunes())


def _noises() -> list[Clip]:
    folder = fetched("unknown-horizons") / "usr/share/unknown-horizons/content/audio/sounds"
    return [Clip(*decoded(folder / f"{name}.ogg")) for name in NOISE_FILES.split()]


def _tunes() -> list[Clip]:
    """The first minute of each piece of two packages."""
    game = fetched("unknown-horizons") / "usr/share/unknown-horizons/content/audio/music"
    waiting = fetched("asterisk-moh-opsound-g722") / "usr/share/asterisk/moh"
    tunes = []
    for path in [*sorted(game.glob("*.ogg")), *sorted(waiting.glob("*.g722"))]:
        samples, rate_hz = decoded(path)
        tunes.append(Clip(samples[: MOST_TUNE_S * rate_hz], rate_hz))
    return tunes


# --- sets -----------------------------------------------------------------------------------------


@functools.cache
def recipe_key() -> str:
    """Tells one recipe's takes from another's."""
    texts = [(Path(__file__).parent / f"{name}.py").read_bytes() for name in GENERATORS]
    return hashlib.sha256(b"".join(texts)).hexdigest()[:12]


def set_folder(name: str) -> Path:
    """Where the takes of a set are kept."""
    return cache_folder() / f"takes-{recipe_key()}" / name


def made(name: str, count: int, roles: Sequence[Role], processes: int) -> list[Path]:
    """The files of the first *count* takes of a set; makes those that are missing."""
    folder = set_folder(name)
    folder.mkdir(parents=True, exist_ok=True)
    paths = [folder / f"{number:05d}.npz" for number in range(count)]
    missing = [number for number, path in enumerate(paths) if not path.is_file()]
    if missing:
        material_of(*roles)  # clips into the cache before the processes want them all at once
        shares = [(folder, missing[n::processes], roles) for n in range(processes)]
        with multiprocessing.get_context("spawn").Pool(processes) as pool:
            pool.map(_make_share, shares)
    return paths


def _make_share(share: tuple[Path, list[int], Sequence[Role]]) -> None:
    folder, numbers, roles = share
    material = material_of(*roles)
    for number in numbers:
        path = folder / f"{number:05d}.npz"
        if not path.is_file():
            _keep(path, take_of(folder.name, number, material))


def _keep(path: Path, take: Take) -> None:
    """Whole or not at all: a take that is there is finished."""
    unfinished = path.with_suffix(".part")
    with unfinished.open("wb") as file:
        np.savez(
            file,
            features=take.features,
            classes=take.classes,
            counts=take.counts,
            about=np.array(json.dumps(take.about)),
        )
    unfinished.rename(path)


def kept(path: Path) -> Take:
    """A take from its file."""
    with np.load(path) as file:
        about = json.loads(str(file["about"]))
        return Take(file["features"], file["classes"], file["counts"], about)


__all__ = [
    "CLASSES",
    "Take",
    "kept",
    "made",
    "material_of",
    "set_folder",
    "sounding_take",
    "take_of",
]

"""The layers of one take: voice, breaths, noises, music, room, each alone, so that labels are true.

Conventions: every layer has the take's length and rate; the voice's active level is -20 dB before
the take's own gain, and the levels of the others are told against it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields

import music
import numpy as np
import rooms
from breaths import breath
from clips import LEVEL, Clip
from numpy.random import Generator
from speech import Manner, Spoken, pauses_of, some_manner, spoken
from tools import Samples, added, faded, gain_of

from noises import noise, small_click

LENGTH_S = (16.0, 28.0)
MUSIC_SHARE = 0.36


@dataclass(frozen=True)
class Material:
    """What takes are made from."""

    voices: Mapping[str, Sequence[Clip]]
    noises: Sequence[Clip]
    tunes: Sequence[Clip]


@dataclass
class Layers:
    """The parts of a take."""

    voice: Samples
    breath: Samples
    noise: Samples
    music: Samples
    room: Samples

    def all(self) -> list[Samples]:
        """The layers in their order."""
        return [getattr(self, field.name) for field in fields(self)]

    def times(self, gain: Samples | float) -> Layers:
        """All layers with one gain."""
        return Layers(*(layer * np.float32(gain) for layer in self.all()))

    def mixed(self) -> Samples:
        """The take."""
        return np.sum(self.all(), axis=0, dtype=np.float32)


@dataclass(frozen=True)
class Scene:
    """One take before the microphone: its layers and what was drawn for it."""

    layers: Layers
    manner: Manner
    room_kind: str


def scene(rng: Generator, material: Material, rate_hz: int) -> Scene:
    """Draws a whole take."""
    manner = some_manner(rng, material.voices)
    placed = spoken(rng, manner, material.voices, rate_hz, rng.uniform(*LENGTH_S))
    with_music = rng.random() < MUSIC_SHARE
    if with_music and rng.random() < 0.4:  # time for an intro
        later = int(rng.uniform(2, 7) * rate_hz)
        placed = [Spoken(one.start + later, one.samples) for one in placed]
    count = placed[-1].stop + int(rng.uniform(0.4, 5 if with_music else 4) * rate_hz)
    layers = Layers(*(np.zeros(count, np.float32) for _ in fields(Layers)))
    for one in placed:
        added(layers.voice, one.samples, one.start)
    _breathe(rng, layers, placed, manner, material, rate_hz)
    _disturb(rng, layers, placed, material.noises, rate_hz)
    if with_music:
        course = music.course_db(rng, [(s.start, s.stop) for s in placed], count, rate_hz)
        tune = music.piece(rng, count, rate_hz, material.tunes)
        layers.music += LEVEL * music.gained(tune, course)
    kind = rooms.some_kind(rng)
    under_db = 130.0 if kind == "nothing" else _room_under_db(rng)
    layers.room += rooms.room(rng, kind, count, rate_hz) * LEVEL * gain_of(-under_db)
    return Scene(layers, manner, kind)


def _room_under_db(rng: Generator) -> float:
    """How far the room lies under speech: mostly 30 to 60 dB, in one take of six down to 14."""
    return float(rng.uniform(14, 30) if rng.random() < 0.17 else rng.uniform(26, 66))


def _breathe(
    rng: Generator, layers: Layers, placed: Sequence[Spoken], manner: Manner, material: Material,
    rate_hz: int,
) -> None:  # fmt: skip
    """Breaths in the pauses: before the next word, after the last, or anywhere between."""
    often = rng.choice([0, 0.4, 0.8, 0.95], p=[0.15, 0.2, 0.3, 0.35])
    range_db = (-26, -4) if manner.whispering == "all" else (-38, -11)
    level_db, pauses = rng.uniform(*range_db), pauses_of(placed, len(layers.voice))
    names = sorted(material.voices)
    lenders = [c for n in rng.choice(names, min(3, len(names)), replace=False) for c in material.voices[str(n)]]  # fmt: skip
    whispered = manner.whispering != "none"
    for i, pause in enumerate(pauses):
        inner = 0 < i < len(pauses) - 1
        if pause[1] - pause[0] < 0.12 * rate_hz or rng.random() > often * (1 if inner else 0.7):
            continue
        for _ in range(1 if rng.random() < 0.85 else 2):
            louder = 6 if manner.whispering == "some" and rng.random() < 0.2 else 0
            air = breath(rng, rate_hz, lenders, whispered) * LEVEL
            air = air * gain_of(level_db + rng.normal(0, 5) + louder)
            air = _fitting(air, pause[1] - pause[0] + int(0.08 * rate_hz), rate_hz)
            at = _breath_start(rng, len(air), pause, (i > 0, i < len(pauses) - 1), rate_hz)
            added(layers.breath, air, at)
            if rng.random() < 0.25:
                opening = small_click(rng, rate_hz) * LEVEL * gain_of(rng.uniform(-30, -8))
                added(layers.noise, opening, at - int(rng.uniform(0, 0.03) * rate_hz))


def _fitting(air: Samples, most: int, rate_hz: int) -> Samples:
    """A breath no longer than its pause, whose end it may overlap a little."""
    if len(air) <= most:
        return air
    kept = air[: max(int(0.1 * rate_hz), most)]
    return faded(kept, 0, len(kept) // 4)


def _breath_start(
    rng: Generator, count: int, pause: tuple[int, int], words: tuple[bool, bool], rate_hz: int
) -> int:
    """Where a breath begins. *words*: whether there is one before the pause, and one behind it."""
    start, stop = pause
    overlap, chance = int(rng.uniform(-0.05, 0.08) * rate_hz), rng.random()
    if chance < 0.38 and words[1]:
        return max(0, stop - count - overlap)
    if chance < 0.52 and words[0]:
        return start + overlap
    return start + int(rng.uniform(0, max(1, stop - start - count)))


def _disturb(
    rng: Generator, layers: Layers, placed: Sequence[Spoken], recorded: Sequence[Clip], rate_hz: int
) -> None:
    """Noises in the pauses, and in some takes under the words."""
    count = len(layers.voice)
    for start, stop in pauses_of(placed, count):
        for _ in range(min(4, rng.poisson(0.35 * (stop - start) / rate_hz + 0.1))):
            one = noise(rng, rate_hz, recorded)
            at = start + int(rng.uniform(0, 1) * max(1, stop - start - len(one)))
            added(layers.noise, one * LEVEL * gain_of(rng.uniform(-36, 3)), at)
    for _ in range(3 if rng.random() < 0.3 else 0):
        one = noise(rng, rate_hz, recorded) * LEVEL * gain_of(rng.uniform(-30, -5))
        added(layers.noise, one, int(rng.uniform(0, count)))

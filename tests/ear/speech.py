"""Who speaks when in one take: clips, said in many ways, laid along a time line."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from clips import Clip
from deliveries import broken_off, drawn_out, held, laughed, whispered
from numpy.random import Generator
from throats import Throat, some_throat, through
from tools import Samples, gain_of

#: Seconds between clips.
PAUSES_S = {"tight": (0.05, 0.5), "normal": (0.2, 1.3), "slow": (0.5, 3.0)}
LONG_PAUSE_S = (1.5, 4.0)
#: A voice with much connected speech is drawn so many times as often as one of words.
PHRASE_S, MUCH_S, MUCH_COUNTS = 1.8, 100.0, 4.0
#: Who whispers in between goes on doing so for some clips: how likely one begins to, and goes on.
ASIDE_BEGINS, ASIDE_GOES_ON = 0.12, 0.85


@dataclass(frozen=True)
class Spoken:
    """A clip in its place."""

    start: int
    samples: Samples

    @property
    def stop(self) -> int:
        """The sample after its last."""
        return self.start + len(self.samples)


@dataclass(frozen=True)
class Manner:
    """How a take is spoken."""

    speakers: tuple[str, ...]
    levels_db: tuple[float, ...]
    throats: tuple[Throat, ...]
    whispering: str
    pace: str
    section_step_db: float


def some_manner(rng: Generator, voices: Mapping[str, Sequence[Clip]]) -> Manner:
    """One to three speakers, whispered or not, with shouted and quiet sections in some takes."""
    names = sorted(voices)
    often = np.array([_often(voices[name]) for name in names])
    count = min(len(names), int(rng.choice([1, 2, 3], p=[0.68, 0.2, 0.12])))
    speakers = rng.choice(names, count, replace=False, p=often / often.sum())
    return Manner(
        speakers=tuple(str(name) for name in speakers),
        throats=tuple(some_throat(rng) for _ in range(count)),
        levels_db=(0.0, *rng.uniform(-8, 4, count - 1)),
        whispering=str(rng.choice(["all", "some", "none"], p=[0.12, 0.12, 0.76])),
        pace=str(rng.choice(list(PAUSES_S))),
        section_step_db=float(rng.uniform(3, 13)) if rng.random() < 0.3 else 0.0,
    )


def _often(clips: Sequence[Clip]) -> float:
    seconds = sum(len(clip.samples) / clip.rate_hz for clip in clips)
    connected = seconds / max(1, len(clips)) > PHRASE_S
    return MUCH_COUNTS if connected and seconds > MUCH_S else 1.0


def spoken(
    rng: Generator,
    manner: Manner,
    voices: Mapping[str, Sequence[Clip]],
    rate_hz: int,
    length_s: float,
) -> list[Spoken]:
    """Clips in a row until *length_s*, the first one after its own pause."""
    at, placed = int(rng.uniform(0.3, 3.5) * rate_hz), list[Spoken]()
    turn, section_db, aside = 0, 0.0, False
    while at < length_s * rate_hz or not placed:
        if rng.random() < 0.45:
            turn += 1
        if rng.random() < 0.3:
            section_db = rng.uniform(-1, 1) * manner.section_step_db
        speaker = turn % len(manner.speakers)
        clips = voices[manner.speakers[speaker]]
        clip = clips[int(rng.integers(len(clips)))]
        if manner.whispering == "some":
            aside = rng.random() < (ASIDE_GOES_ON if aside else ASIDE_BEGINS)
        said = _said(rng, manner, clip, manner.throats[speaker], rate_hz, aside)
        level_db = manner.levels_db[speaker] + section_db + rng.normal(0, 1.5)
        placed.append(Spoken(at, said * gain_of(level_db)))
        at = placed[-1].stop + int(_pause_s(rng, manner) * rate_hz)
    return placed


def _said(
    rng: Generator, manner: Manner, clip: Clip, throat: Throat, rate_hz: int, aside: bool
) -> Samples:
    """One clip, perhaps another way, by another person, at the take's rate."""
    clip = _delivered(rng, clip)
    gain_db = 0.0
    if manner.whispering == "all" or aside:
        clip = whispered(rng, clip)
        gain_db = rng.uniform(-14, -2) if aside else 0.0
    return through(rng, clip, throat, rate_hz) * gain_of(gain_db)


def _delivered(rng: Generator, clip: Clip) -> Clip:
    chance = rng.random()
    if chance < 0.28:
        return drawn_out(rng, clip)
    if chance < 0.44:
        return held(rng, clip, alone=chance < 0.33)
    if chance < 0.50:
        return laughed(rng, clip)
    if chance < 0.55:
        return broken_off(rng, clip)
    return clip


def _pause_s(rng: Generator, manner: Manner) -> float:
    return float(rng.uniform(*(PAUSES_S[manner.pace] if rng.random() < 0.9 else LONG_PAUSE_S)))


def pauses_of(placed: Sequence[Spoken], count: int) -> list[tuple[int, int]]:
    """The stretches between clips, with what lies before the first and behind the last."""
    starts = [0, *(one.stop for one in placed)]
    stops = [*(one.start for one in placed), count]
    return list(zip(starts, stops, strict=True))

"""Sparing: where the proof of speech found harm, what did it does less, there and close around.

Conventions: a *share* of 1 takes a stage's gain away altogether, 0 leaves it as it is. Inside a harmed
place it is 1, and falls to 0 over `AROUND_ROWS` on either side. Rows are those of the finished take.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from fairtake.sound.levels import Rows
from fairtake.sound.proof import Harm, Proof

AROUND_ROWS = 150
#: What lowers pauses, and what lowers loud sound.
Doer = Literal["pauses", "peaks"]
DOERS: dict[Doer, tuple[str, ...]] = {"pauses": ("gate", "breath"), "peaks": ("compress", "limit")}
#: Shorter than this nothing was lost that anybody hears: of what lies in a pause, and of what is loud.
LEAST_ROWS: dict[Doer, int] = {"pauses": 15, "peaks": 10}


@dataclass(frozen=True, order=True)
class Spared:
    """Rows from *start* up to *stop*, in which what lowers *by* is to do nothing."""

    start: int
    stop: int
    by: Doer


def wanted(stages: Proof, whole: Proof) -> frozenset[Spared]:
    """What is to be spared after the proof of the *stages* alone, and of all with the limiter.

    A loud edge was pressed by what lowers loud sound; any other harm that the stages did by themselves
    was done by what lowers pauses; what only shows with the limiter is the limiter's.
    """
    by_stages = [_spared(harm, "peaks" if harm.pressed else "pauses") for harm in stages.harms]
    by_limit = [_spared(harm, "peaks") for harm in whole.harms if not _within(harm, stages.harms)]
    return frozenset(place for place in (*by_stages, *by_limit) if _matters(place))


def added(spared: frozenset[Spared], more: frozenset[Spared]) -> frozenset[Spared]:
    """*spared* and those of *more* that lie in none of them: what was spared already and is harmed all
    the same, was harmed by something else."""
    new = {m for m in more if not any(m.by == s.by and _overlap(m, s) for s in spared)}
    return spared | new


def _spared(harm: Harm, by: Doer) -> Spared:
    return Spared(harm.start, harm.stop, by)


def _within(harm: Harm, others: tuple[Harm, ...]) -> bool:
    return any(_overlap(harm, other) for other in others)


def _overlap(one: Harm | Spared, other: Harm | Spared) -> bool:
    return one.start < other.stop and other.start < one.stop


def _matters(place: Spared) -> bool:
    """A moment too short to be heard is no reason to leave a pause as it was."""
    return place.stop - place.start >= LEAST_ROWS[place.by]


def share_spared(
    places: Sequence[Spared] | frozenset[Spared], stage: str, rows: int
) -> Rows | None:
    """By which share the gain of *stage* is taken away in each of *rows*; None where nowhere."""
    here = [place for place in places if stage in DOERS[place.by]]
    if not here:
        return None
    share = np.zeros(rows, np.float32)
    for place in here:
        begin, end = max(place.start - AROUND_ROWS, 0), min(place.stop + AROUND_ROWS, rows)
        row = np.arange(begin, end)
        away = np.maximum(np.maximum(place.start - row, row - place.stop + 1), 0) / AROUND_ROWS
        fall = 0.5 + 0.5 * np.cos(np.pi * np.minimum(away, 1))
        share[begin:end] = np.maximum(share[begin:end], fall)
    return share

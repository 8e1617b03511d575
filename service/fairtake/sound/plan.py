"""plan: from levels and a profile to everything that will be done to the take.

The chain is folded: each stage sees the levels as the stages before it left them. `limit` and
`normalise` come last wherever the profile lists them, and are solved together, because each
changes what the other needs.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from fairtake.profile import Profile
from fairtake.sound.filters import Sections
from fairtake.sound.levels import Blemish, Levels, Piece, Rows, cut
from fairtake.sound.makeup import solve, unlimited_db
from fairtake.sound.proof import spoken_power
from fairtake.sound.stage import BandGain, Work
from fairtake.sound.stages.breath import breath
from fairtake.sound.stages.compress import compress
from fairtake.sound.stages.deess import deess
from fairtake.sound.stages.gate import gate
from fairtake.sound.stages.limit import (
    LimitSettings,
    foreseen_db,
    limit,
    limit_note,
)
from fairtake.sound.stages.normalise import level_of, normalise
from fairtake.sound.stages.repair import repair
from fairtake.sound.stages.ride import ride
from fairtake.sound.stages.rumble import rumble
from fairtake.sound.stages.tone import tone
from fairtake.sound.stages.trim import trim
from fairtake.sound.thin import Thin, thin

STAGES: dict[str, Callable[[Levels, Any], Work]] = {
    "repair": repair,
    "rumble": rumble,
    "trim": trim,
    "gate": gate,
    "breath": breath,
    "ride": ride,
    "compress": compress,
    "deess": deess,
    "tone": tone,
    "limit": limit,
    "normalise": normalise,
}
#: The pair that is solved together, after all others.
LAST = ("limit", "normalise")
#: What is left of the compressor's reduction, and of the limiter's fast one, when a consonant was
#: pressed down.
PRESSED_SHARE = 0.5


@dataclass(frozen=True)
class Correction:
    """What the files already written showed to be needed, in dB.

    ``level_db`` is added to the level that is aimed at, ``ceiling_db`` taken from the ceiling, ``mp3_db``
    added to what the encoder gets, and ``down_db`` taken from everything after the limiter.
    ``gentler`` and ``slower`` count how often the proof of speech asked for milder settings of what
    lowers pauses, the gate and the breaths, and of what lowers loud sound: a compressor that takes
    less and a limiter that takes less of its work fast. ``peaks_known`` asks for a plan from the true
    peaks of the finished take, which the sound itself has told.
    """

    level_db: float = 0.0
    ceiling_db: float = 0.0
    mp3_db: float = 0.0
    down_db: float = 0.0
    gentler: int = 0
    slower: int = 0
    peaks_known: bool = False


@dataclass(frozen=True)
class StageGain:
    """What one stage did to the level, thinned: over the take as it came, or behind the cut."""

    stage: str
    gain_db: Thin
    is_cut: bool


@dataclass(frozen=True)
class Plan:
    """What render will do. ``gain_db`` is the sum of all stages' gains, without the limiter, one
    value a row of the finished take; ``limited_db`` what the limiter is foreseen to add, 0 or less;
    ``drawn`` is that of `Chained`;
    ``tone_db`` the level of the room tone that is added to it, dBFS RMS, where there is any."""

    repairs: tuple[Blemish, ...]
    filters: tuple[Sections, ...]
    pieces: tuple[Piece, ...]
    bands: tuple[BandGain, ...]
    gain_db: Rows
    limit: LimitSettings
    makeup_db: float
    short_db: float
    notes: dict[str, dict[str, Any]]
    spoken: Rows
    tone_db: Rows | None = None
    limited_db: Rows = field(default_factory=lambda: np.zeros(0, np.float32))
    drawn: tuple[StageGain, ...] = ()

    def without_curves(self) -> Plan:
        """The plan without its long arrays, once they have been used."""
        return replace(
            self,
            gain_db=self.gain_db[:0].copy(),
            limited_db=self.limited_db[:0].copy(),
            bands=(),
            spoken=self.spoken[:0].copy(),
            tone_db=None,
        )


@dataclass(frozen=True)
class Chained:
    """What the stages made of a take, before `limit` and `normalise`: *levels* under their gains.

    ``drawn`` holds the gain of each stage that moved the level, for pictures.
    """

    levels: Levels
    repairs: tuple[Blemish, ...]
    filters: tuple[Sections, ...]
    pieces: tuple[Piece, ...]
    bands: tuple[BandGain, ...]
    tone_db: Rows | None
    notes: dict[str, dict[str, Any]]
    spoken: Rows
    drawn: tuple[StageGain, ...]

    @property
    def gain_db(self) -> Rows | None:
        """The sum of all stages' gains; None where no stage has one."""
        return self.levels.gain_db


def make_plan(
    levels: Levels,
    profile: Profile,
    correction: Correction = Correction(),
    true_peaks: Rows | None = None,
) -> Plan:
    """Decide everything about the sound of a take: `chained`, then `settled`."""
    return settled(chained(levels, profile, correction), profile, correction, true_peaks)


def chained(levels: Levels, profile: Profile, correction: Correction = Correction()) -> Chained:
    """Fold the chain: each stage sees the levels as the stages before it left them."""
    profile = softened(profile, correction)
    repairs: list[Blemish] = []
    filters: list[Sections] = []
    bands: list[BandGain] = []
    pieces: tuple[Piece, ...] = (Piece(0, levels.rows),)
    tone_db: Rows | None = None
    notes: dict[str, dict[str, Any]] = {}
    drawn: list[StageGain] = []
    is_cut = False
    for name in profile.chain:
        if name in LAST:
            notes[name] = {}  # keeps the profile's order in the receipt
            continue
        work = STAGES[name](levels, profile.stage(name))
        repairs += work.repairs
        filters += work.filters
        if work.levels is not None:
            levels = work.levels
        if work.pieces is not None:
            pieces = work.pieces
            levels = levels.cut(pieces)
            bands = [replace(band, gain_db=cut(band.gain_db, pieces)) for band in bands]
            is_cut = True
        bands += work.bands
        for gain_db in (work.gain_db, *(band.gain_db for band in work.bands)):
            if gain_db is not None and gain_db.any():
                drawn.append(StageGain(name, thin(gain_db), is_cut))
        if work.gain_db is not None:
            levels = levels.with_gain(work.gain_db)
            tone_db = None if tone_db is None else tone_db + work.gain_db
        tone_db = tone_db if work.tone_db is None else work.tone_db
        notes[name] = work.note
    return Chained(
        levels, tuple(repairs), tuple(filters), pieces, tuple(bands), tone_db, notes,
        spoken_power(levels), tuple(drawn),
    )  # fmt: skip


def settled(
    done: Chained, profile: Profile, correction: Correction, true_peaks: Rows | None = None
) -> Plan:
    """The plan: level and ceiling solved together, behind what the chain has *done*.

    *true_peaks* are those of the finished take's rows without any gain, amplitudes, where the sound
    was heard for them: what the limiter does is then foreseen exactly.
    Raises `TargetUnreachable` where the profile wants no take that misses its level.
    """
    profile = softened(profile, correction)
    ceiling = replace_ceiling(profile.limit, correction.ceiling_db)
    levels = done.levels
    if true_peaks is not None:
        levels = replace(levels, heard_peak=true_peaks)
    solved = solve(levels, done.spoken > 0, ceiling, profile.normalise, correction.level_db)
    notes = dict(done.notes)
    notes["limit"] = {**limit_note(-solved.limited_db), "ceiling_dbtp": profile.limit.ceiling_dbtp}
    notes["normalise"] = {
        "makeup_db": round(solved.makeup_db, 2),
        "short_of_target_db": round(solved.short_db, 2),
    }
    gain_db = levels.with_gain(solved.makeup_db - solved.pauses_db).gain_db
    assert gain_db is not None
    makeup_db = np.float32(solved.makeup_db)
    return Plan(
        done.repairs, done.filters, done.pieces, done.bands, gain_db, ceiling,
        solved.makeup_db, solved.short_db, notes, done.spoken,
        None if done.tone_db is None else done.tone_db + makeup_db, solved.limited_db, done.drawn,
    )  # fmt: skip


def softened(profile: Profile, asked: Correction) -> Profile:
    """*profile* with the stages that harmed speech made milder."""
    share = 0.5**asked.gentler
    milder = {
        "gate": {
            "range_db": profile.gate.range_db * share,
            "hold_ms": profile.gate.hold_ms / share,
        },
        "breath": {"amount_db": profile.breath.amount_db * share},
        "compress": {"reduction_db": profile.compress.reduction_db * PRESSED_SHARE**asked.slower},
        "limit": {"fast_db": profile.limit.fast_db * PRESSED_SHARE**asked.slower},
    }
    return profile.model_copy(
        update={name: profile.stage(name).model_copy(update=new) for name, new in milder.items()}
    )


def replace_ceiling(settings: LimitSettings, lower_by_db: float) -> LimitSettings:
    """*settings* with the ceiling lowered."""
    return settings.model_copy(update={"ceiling_dbtp": settings.ceiling_dbtp - lower_by_db})


def limiting(done: Chained, profile: Profile, correction: Correction) -> tuple[Rows, float]:
    """The take's gain as it would be without a limiter, dB a row, and the level that limiting it
    would cost, dB: whether the peaks have to be known better than listening tells."""
    profile = softened(profile, correction)
    ceiling, by = replace_ceiling(profile.limit, correction.ceiling_db), profile.normalise.by
    makeup_db = unlimited_db(done.levels, ceiling, profile.normalise)
    louder = done.levels.with_gain(makeup_db + correction.level_db)
    assert louder.gain_db is not None
    reduction = foreseen_db(louder, ceiling)
    if not reduction.any():
        return louder.gain_db, 0.0
    before, after = level_of(louder, by), level_of(louder.with_gain(-reduction), by)
    return louder.gain_db, 0.0 if before is None or after is None else before - after

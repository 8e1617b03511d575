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
from fairtake.sound.overs import Over, lowered_db
from fairtake.sound.phase import NO_PHASE, Phase
from fairtake.sound.proof import spoken_power
from fairtake.sound.spared import Spared, share_spared
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
    limiter_db,
)
from fairtake.sound.stages.normalise import level_of, normalise
from fairtake.sound.stages.phase import ANGLES_DEG, TurnedPeaks, phase, phase_note
from fairtake.sound.stages.repair import repair
from fairtake.sound.stages.ride import ride
from fairtake.sound.stages.rumble import rumble
from fairtake.sound.stages.tone import tone
from fairtake.sound.stages.trim import trim
from fairtake.sound.thin import Thin, thin
from fairtake.units import gain, power_db, power_gain

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
    "phase": phase,
    "limit": limit,
    "normalise": normalise,
}
#: Those that are solved together, after all others.
LAST = ("phase", "limit", "normalise")


@dataclass(frozen=True)
class Correction:
    """What the files already written showed to be needed, in dB.

    ``level_db`` is added to the level that is aimed at, ``ceiling_db`` taken from the ceiling and besides in
    ``overs`` what the MP3 stood over it there, ``mp3_db``
    added to what the encoder gets, and ``down_db`` taken from everything after the limiter.
    ``spared`` are the places in which the proof of speech found harm: what did it does nothing
    there. ``peaks_known`` asks for a plan from the true peaks of the finished take, which the sound
    itself has told. ``phase`` is how the take is turned, and ``phase_won_db`` what that wins.
    """

    level_db: float = 0.0
    ceiling_db: float = 0.0
    mp3_db: float = 0.0
    down_db: float = 0.0
    overs: tuple[Over, ...] = ()
    spared: frozenset[Spared] = frozenset()
    peaks_known: bool = False
    phase: Phase = NO_PHASE
    phase_won_db: float = 0.0


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
    ``drawn`` is that of `Chained`; ``slow`` says where the limiter takes nothing fast, as a share;
    ``lower_db`` where it keeps lower than its ceiling, and by how much;
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
    phase: Phase = NO_PHASE
    tone_db: Rows | None = None
    limited_db: Rows = field(default_factory=lambda: np.zeros(0, np.float32))
    slow: Rows | None = None
    lower_db: Rows | None = None
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
            slow=None,
            lower_db=None,
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
    phase: Phase = NO_PHASE

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
    repairs: list[Blemish] = []
    filters: list[Sections] = []
    bands: list[BandGain] = []
    pieces: tuple[Piece, ...] = (Piece(0, levels.rows),)
    tone_db: Rows | None = None
    notes: dict[str, dict[str, Any]] = {}
    drawn: list[StageGain] = []
    is_cut = False
    early: list[tuple[str, Rows]] = []  # gains of the stages before the cut
    for name in profile.chain:
        if name in LAST:
            notes[name] = {}  # keeps the profile's order in the receipt
            continue
        work = STAGES[name](levels, profile.stage(name))
        spared = frozenset() if "trim" in later(profile.chain, name) else correction.spared
        repairs += work.repairs
        filters += work.filters
        if work.levels is not None:
            levels = work.levels
        if work.pieces is not None:
            pieces = work.pieces
            levels = levels.cut(pieces)
            bands = [replace(band, gain_db=cut(band.gain_db, pieces)) for band in bands]
            levels = levels.with_gain(given_back_db(early, pieces, correction.spared))
            is_cut = True
        bands += work.bands
        gained = spared_gain_db(work.gain_db, name, spared)
        if gained is not None and not is_cut:
            early.append((name, gained))
        for gain_db in (gained, *(band.gain_db for band in work.bands)):
            if gain_db is not None and gain_db.any():
                drawn.append(StageGain(name, thin(gain_db), is_cut))
        if gained is not None:
            levels = levels.with_gain(gained)
            tone_db = None if tone_db is None else tone_db + gained
        tone_db = tone_db if work.tone_db is None else work.tone_db
        notes[name] = work.note
    return Chained(
        levels, tuple(repairs), tuple(filters), pieces, tuple(bands), tone_db, notes,
        spoken_power(levels), tuple(drawn), correction.phase,
    )  # fmt: skip


def later(chain: tuple[str, ...], name: str) -> tuple[str, ...]:
    """The stages behind *name*."""
    return chain[chain.index(name) + 1 :]


def given_back_db(
    early: list[tuple[str, Rows]], pieces: tuple[Piece, ...], spared: frozenset[Spared]
) -> Rows:
    """What stages before the cut took in places that are spared: those are told behind the cut."""
    back = np.zeros(sum(piece.rows for piece in pieces), np.float32)
    for name, gain_db in early:
        share = share_spared(spared, name, len(back))
        if share is not None:
            back -= cut(gain_db, pieces) * share
    return back


def spared_gain_db(gain_db: Rows | None, stage: str, spared: frozenset[Spared]) -> Rows | None:
    """A stage's gain, but for the places in which it is to do nothing."""
    share = None if gain_db is None else share_spared(spared, stage, len(gain_db))
    return gain_db if gain_db is None or share is None else gain_db * (1 - share)


def settled(
    done: Chained, profile: Profile, correction: Correction, true_peaks: Rows | None = None
) -> Plan:
    """The plan: level and ceiling solved together, behind what the chain has *done*.

    *true_peaks* are those of the finished take's rows without any gain, amplitudes, where the sound
    was heard for them: what the limiter does is then foreseen exactly.
    Raises `TargetUnreachable` where the profile wants no take that misses its level.
    """
    ceiling = replace_ceiling(profile.limit, correction.ceiling_db)
    levels = done.levels
    slow = share_spared(correction.spared, "limit", levels.rows)
    lower_db = lowered_db(correction.overs, levels.rows)
    if true_peaks is not None:
        levels = replace(levels, heard_peak=true_peaks)
    # To keep lower in a place is to meet higher peaks there.
    met = (
        levels
        if lower_db is None
        else replace(levels, heard_peak=levels.heard_peak * gain(lower_db))
    )
    solved = solve(met, done.spoken > 0, ceiling, profile.normalise, correction.level_db, slow)
    notes = dict(done.notes)
    notes["limit"] = {**limit_note(-solved.limited_db), "ceiling_dbtp": profile.limit.ceiling_dbtp}
    if "phase" in notes:
        notes["phase"] = phase_note(correction.phase, correction.phase_won_db)
    notes["normalise"] = {
        "makeup_db": round(solved.makeup_db, 2),
        "short_of_target_db": round(solved.short_db, 2),
    }
    gain_db = levels.with_gain(solved.makeup_db - solved.pauses_db).gain_db
    assert gain_db is not None
    makeup_db = np.float32(solved.makeup_db)
    return Plan(
        done.repairs, done.filters, done.pieces, done.bands, gain_db, ceiling,
        solved.makeup_db, solved.short_db, notes, done.spoken, done.phase,
        None if done.tone_db is None else done.tone_db + makeup_db, solved.limited_db, slow,
        lower_db, done.drawn,
    )  # fmt: skip


def replace_ceiling(settings: LimitSettings, lower_by_db: float) -> LimitSettings:
    """*settings* with the ceiling lowered."""
    return settings.model_copy(update={"ceiling_dbtp": settings.ceiling_dbtp - lower_by_db})


def best_angle(
    done: Chained, profile: Profile, correction: Correction, found: TurnedPeaks, least: Rows
) -> tuple[float, float]:
    """The angle, degrees, at which limiting takes the least level of the take, and how much less that is
    than without turning, dB. *least* is where the limiter begins, an amplitude before the gain."""
    levels, ceiling = done.levels, replace_ceiling(profile.limit, correction.ceiling_db)
    power = levels.k_power if profile.normalise.by == "loudness" else levels.power
    slow = share_spared(correction.spared, "limit", levels.rows)
    left = [
        float((power * power_gain(-limiter_db(found.over_db(least, n), ceiling, slow))).sum())
        for n in range(len(ANGLES_DEG))
    ]
    best = int(np.argmax(left))
    return ANGLES_DEG[best], float(power_db(left[best]) - power_db(left[ANGLES_DEG.index(0.0)]))


def limiting(done: Chained, profile: Profile, correction: Correction) -> tuple[Rows, float]:
    """The take's gain as it would be without a limiter, dB a row, and the level that limiting it
    would cost, dB: whether the peaks have to be known better than listening tells."""
    ceiling, by = replace_ceiling(profile.limit, correction.ceiling_db), profile.normalise.by
    makeup_db = unlimited_db(done.levels, ceiling, profile.normalise)
    louder = done.levels.with_gain(makeup_db + correction.level_db)
    assert louder.gain_db is not None
    slow = share_spared(correction.spared, "limit", louder.rows)
    reduction = foreseen_db(louder, ceiling, slow)
    if not reduction.any():
        return louder.gain_db, 0.0
    before, after = level_of(louder, by), level_of(louder.with_gain(-reduction), by)
    return louder.gain_db, 0.0 if before is None or after is None else before - after

"""The make-up gain, solved together with the limiter, so that no pass is made to find a level."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from fairtake.errors import TargetUnreachable
from fairtake.sound.levels import Levels, Rows
from fairtake.sound.runs import Mask
from fairtake.sound.stages.limit import LimitSettings, Pauses, aim_dbtp, limiter_db
from fairtake.sound.stages.normalise import NormaliseSettings, level_of
from fairtake.units import FLOOR_DB

CLOSE_ENOUGH_DB = 0.005
#: However hard the limiter works, a dB of gain is taken to bring at least so much level.
LEAST_SLOPE = 0.3
MOST_TURNS = 40
#: So near the target is there; so far from it is a level that was not reached.
REACHED_DB, MISSED_DB = 0.02, 0.1
#: Where the target is not reached: gain that brings less than this of itself would only feed the limiter.
WORTH_SLOPE = 0.05


def most_makeup_db(levels: Levels, settings: LimitSettings) -> float:
    """The gain with which the greatest peak is lowered by all that the limiter may take."""
    loudest_db = float(levels.peak_dbfs.max(initial=FLOOR_DB))
    return aim_dbtp(settings) + settings.most_reduction_db - loudest_db


def unlimited_db(
    levels: Levels, limit_settings: LimitSettings, normalise_settings: NormaliseSettings
) -> float:
    """The make-up gain where the limiter has nothing to do."""
    level = level_of(levels, normalise_settings.by)
    target = normalise_settings.target_for(levels.channels)
    wanted_db = 0.0 if level is None else target - level
    return min(wanted_db, most_makeup_db(levels, limit_settings))


@dataclass(frozen=True)
class Solved:
    """Make-up gain, how many dB the level stays short of its target, by how much pauses follow the
    limiter, and what it takes, 0 or less."""

    makeup_db: float
    short_db: float
    pauses_db: Rows
    limited_db: Rows


def solve(
    levels: Levels,
    spoken: Mask,
    limit_settings: LimitSettings,
    normalise_settings: NormaliseSettings,
    level_db: float = 0.0,
    slow_share: Rows | None = None,
) -> Solved:
    """The make-up gain that brings the target and *level_db*, limiter and all, or the nearest worth it.

    *slow_share* is that of `fairtake.sound.stages.limit.limiter_db`.
    Raises `TargetUnreachable` where the profile takes no nearest level.
    """
    most_db = most_makeup_db(levels, limit_settings)
    target = normalise_settings.target_for(levels.channels) + level_db
    over_db = levels.peak_dbfs - np.float32(aim_dbtp(limit_settings))
    pauses = Pauses(spoken)

    def under(makeup_db: float) -> Solved:
        reduction = limiter_db(over_db + np.float32(makeup_db), limit_settings, slow_share)
        lower_db = pauses.lowered_db(reduction)
        limited = levels.with_gain(makeup_db).with_gain(-reduction - lower_db)
        level = level_of(limited, normalise_settings.by)
        return Solved(makeup_db, 0.0 if level is None else target - level, lower_db, -reduction)

    first_db = unlimited_db(levels, limit_settings, normalise_settings) + level_db
    found = _sought(under, min(first_db, most_db), most_db)
    if found.short_db > REACHED_DB:
        found = _nearest(under, most_db - limit_settings.most_reduction_db, most_db)
    if found.short_db > MISSED_DB and normalise_settings.when_out_of_reach == "quarantine":
        raise TargetUnreachable(
            f"The nearest clean level is {found.short_db:.1f} dB short of "
            f"{target:g} {normalise_settings.unit}."
        )
    return found if abs(found.short_db) > REACHED_DB else replace(found, short_db=0.0)


def _sought(under: Callable[[float], Solved], first_db: float, most_db: float) -> Solved:
    """The target by steps from *first_db* on, *most_db* of gain at most.

    Raising the gain raises the level by as much, less what the limiter takes away. Each step is
    what is still missing over what the last step brought, and comes to rest where both hold.
    """
    found, slope = under(first_db), 1.0
    for _ in range(MOST_TURNS):
        step_db = min(found.makeup_db + found.short_db / slope, most_db) - found.makeup_db
        if min(abs(found.short_db), abs(step_db)) < CLOSE_ENOUGH_DB:
            break
        further = under(found.makeup_db + step_db)
        slope = min(max((found.short_db - further.short_db) / step_db, LEAST_SLOPE), 1.0)
        found = further
    return found


def _nearest(under: Callable[[float], Solved], least_db: float, most_db: float) -> Solved:
    """What is worth most of the gains from *least_db*, where limiting begins, to *most_db*.

    Every dB is tried, for the level does not rise steadily with gain: the limiter may take away all
    that more of it brings, or more, while a softer passage still comes up. Gain has to be worth it.
    """
    best = under(least_db)
    for makeup_db in np.linspace(least_db, most_db, 1 + math.ceil(most_db - least_db))[1:].tolist():
        found = under(makeup_db)
        if found.short_db <= 0:
            return _sought(under, makeup_db, most_db)
        if found.short_db + WORTH_SLOPE * makeup_db < best.short_db + WORTH_SLOPE * best.makeup_db:
            best = found
    return best

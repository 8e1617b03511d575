"""fairtake.sound.makeup: the make-up gain, held against a search through all gains there are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fairtake.errors import TargetUnreachable
from fairtake.sound.levels import Levels
from fairtake.sound.makeup import Solved, most_makeup_db, solve
from fairtake.sound.stages.limit import LimitSettings, Pauses, aim_dbtp, limiter_db
from fairtake.sound.stages.normalise import NormaliseSettings, level_of
from fairtake.units import gain
from signals import table

LIMIT = LimitSettings()


def phrases(*levels_dbfs: float, syllables_db: float = 8.0, crest_db: float = 14.0) -> Levels:
    """Phrases of 4 s at the levels given, four syllables a second of so much more and less, their
    peaks so far above."""
    ms = np.arange(4000)
    syllables = syllables_db / 2 * np.sin(2 * np.pi * 4 * ms / 1000)
    level = np.concatenate([level + syllables for level in levels_dbfs])
    return replace(table(level), heard_peak=gain(level + crest_db).astype(np.float32))


def solved(levels: Levels, target: float, by: str = "loudness", **how: object) -> Solved:
    spoken = np.ones(len(levels.peak_dbfs), bool)
    return solve(levels, spoken, LIMIT, NormaliseSettings(by=by, target=target, **how))


def level_under(levels: Levels, makeup_db: float, by: str = "loudness") -> float:
    """What the limiter leaves of *levels* with so much gain."""
    over_db = levels.peak_dbfs + np.float32(makeup_db - aim_dbtp(LIMIT))
    reduction = limiter_db(over_db, LIMIT)
    lower_db = Pauses(np.ones(len(reduction), bool)).lowered_db(reduction)
    level = level_of(levels.with_gain(makeup_db - reduction - lower_db), by)
    assert level is not None
    return level


@given(
    levels_dbfs=st.lists(st.floats(-45, -10), min_size=1, max_size=5),
    syllables_db=st.floats(0, 16),
    crest_db=st.floats(3, 18),
    target=st.floats(-24, -8),
    by=st.sampled_from(["loudness", "rms"]),
)
@settings(max_examples=100, deadline=None, derandomize=True)
def test_no_other_gain_is_worth_more(levels_dbfs, syllables_db, crest_db, target, by):
    """A target that one of the whole dB of limiting reaches is reached. Else none of them is worth
    more: what it brings is under a twentieth of itself."""
    levels = phrases(*levels_dbfs, syllables_db=syllables_db, crest_db=crest_db)
    found = solved(levels, target, by)
    most_db = most_makeup_db(levels, LIMIT)
    assert found.makeup_db <= most_db + 1e-6
    level = level_under(levels, found.makeup_db, by)
    assert level == pytest.approx(target - found.short_db, abs=0.03)
    if found.short_db == 0:
        return
    for gain_db in np.linspace(most_db - LIMIT.most_reduction_db, most_db, 13):
        other = level_under(levels, gain_db, by)
        assert other < target + 0.02
        assert other - level < 0.05 * (gain_db - found.makeup_db) + 0.02


def test_a_target_that_only_some_gain_reaches_is_reached():
    """Between two gains that leave the level 0.4 and 1 dB short lies one that does not: from the
    last on, a soft phrase counts in the loudness and draws it down (the relative gate of BS.1770)."""
    levels, target = phrases(-39.0, -25.0, -27.0, -17.0, syllables_db=0.0, crest_db=13.0), -14.95
    most_db = most_makeup_db(levels, LIMIT)
    assert level_under(levels, most_db - 3.5) < target - 0.25
    assert level_under(levels, most_db) < target - 0.9
    found = solved(levels, target)
    assert found.short_db == 0
    assert level_under(levels, found.makeup_db) == pytest.approx(target, abs=0.03)


@pytest.mark.parametrize("levels_dbfs", [(-26.0,), (-32.0, -12.0, -32.0), (-12.0, -30.0, -30.0)])
@pytest.mark.parametrize("by", ["loudness", "rms"])
def test_a_louder_target_makes_nothing_softer(levels_dbfs, by):
    """Also where none of them can be reached."""
    levels = phrases(*levels_dbfs)
    reached = [target - solved(levels, target, by).short_db for target in range(-20, -7)]
    assert np.diff(reached).min() > -0.1


def test_what_is_hardly_short_is_not_refused():
    """A profile that takes no nearest level takes one that is short by less than 0.1 dB, as the
    finished file's check does; beyond that the error says how much."""
    levels = phrases(-26.0)
    nearest = -8.0 - solved(levels, -8.0).short_db
    strict = {"when_out_of_reach": "quarantine"}
    assert solved(levels, nearest + 0.06, **strict).short_db < 0.1
    with pytest.raises(TargetUnreachable, match=r"0\.5 dB short of"):
        solved(levels, nearest + 0.5, **strict)

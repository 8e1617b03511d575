"""fairtake.sound.plan: the chain folded, level and ceiling solved together."""

from __future__ import annotations

import importlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fairtake.errors import TargetUnreachable
from fairtake.profile import Profile
from fairtake.sound.loudness import integrated_lufs
from fairtake.sound.plan import STAGES, Correction, Plan, chained, limiting, make_plan
from fairtake.sound.render import Rendering, peaks_without_gain
from fairtake.sound.runs import runs
from fairtake.sound.spared import Spared
from fairtake.sound.stages.compress import compress
from fairtake.sound.stages.gate import gate
from fairtake.sound.stages.limit import aim_dbtp, limit
from fairtake.sound.stages.tone import tone
from fairtake.units import gain
from signals import (
    heard,
    libebur128_lufs,
    libebur128_true_peak_dbtp,
    reference_true_peak_dbtp,
    rms_dbfs,
    speech_like,
    table,
)

ORDERS = [
    ("trim", "gate", "compress", "limit", "normalise"),
    ("trim", "gate", "compress", "normalise", "limit"),
    ("limit", "normalise", "trim", "gate", "compress"),
    ("normalise", "trim", "limit", "gate", "compress"),
    ("gate", "compress", "limit", "trim", "normalise"),
]
BARE = ("limit", "normalise")
#: The signal's harmonics all begin in step. A high-pass turns them apart and raises its peaks by
#: 1.5 dB, which the table tells in part only; a voice's rise by half a dB, and are told.
AS_HEARD = tuple(name for name in Profile().chain if name != "rumble")


def rendered(source, plan: Plan, rate: int = 48_000) -> np.ndarray:
    return np.concatenate(list(Rendering(source, plan, rate)))


@pytest.mark.parametrize("chain", ORDERS)
def test_target_met_in_any_order(chain):
    """Level within 0.05 LU and peak under the ceiling, by libebur128, wherever the pair stands."""
    take = speech_like(3, -62.0, -26.0)
    profile = Profile(chain=chain, normalise={"target": -15.0})
    plan = make_plan(take.levels, profile)
    out = rendered(take.source, plan)
    assert plan.short_db == 0
    assert plan.notes["limit"]["greatest_db"] > 1
    assert libebur128_lufs(out) == pytest.approx(-15.0, abs=0.05)
    assert libebur128_true_peak_dbtp(out) <= -1.0
    assert reference_true_peak_dbtp(out) <= -1.0


@given(
    level_dbfs=st.floats(-50, 0),
    floor_db=st.floats(-60, -30),
    target=st.sampled_from([-23.0, -18.0, -14.0]),
    seed=st.integers(0, 999),
)
@settings(max_examples=10, deadline=None, derandomize=True)
def test_target_met_from_any_level(level_dbfs, floor_db, target, seed):
    """However loud or quiet the take, the finished one stands where it should, by libebur128."""
    take = speech_like(2, level_dbfs + floor_db, level_dbfs, seed=seed)
    profile = Profile(chain=AS_HEARD, normalise={"target": target}, limit={"fast_db": 5})
    plan = make_plan(take.levels, profile)
    level = libebur128_lufs(rendered(take.source, plan))
    assert level == pytest.approx(target - plan.short_db, abs=0.05)
    assert plan.short_db == 0 or target == -14.0  # so much limiting is not always allowed


def test_limiting_speech_does_not_lift_the_pauses():
    """In the middle of a pause the gain lies as far under the speech's as the limiter takes there."""
    take = speech_like(2, -62.0, -26.0, pause_s=2.0)
    profile = Profile(chain=("trim", "limit", "normalise"), normalise={"target": -14.0})
    plan = make_plan(take.levels, profile)
    levels = take.levels.cut(plan.pieces).with_gain(plan.makeup_db)
    limited_db = limit(levels, profile.limit).gain_db
    taken_db = limited_db[plan.spoken > 0].mean()
    assert taken_db < -1.5
    starts, stops = runs(plan.spoken > 0)
    longest = int(np.argmax(starts[1:] - stops[:-1]))
    pause = (stops[longest] + starts[longest + 1]) // 2
    fallen_db = plan.gain_db[pause] - plan.makeup_db + limited_db[pause]
    assert fallen_db == pytest.approx(taken_db, abs=0.7)
    np.testing.assert_allclose(plan.gain_db[plan.spoken > 0], plan.makeup_db, atol=1e-3)


def test_rms_target():
    """By rms it is the plain RMS of the whole finished take that meets the target."""
    take = speech_like(3, -62.0, -30.0)
    profile = Profile(
        chain=AS_HEARD, normalise={"by": "rms", "target": -20.0}, limit={"ceiling_dbtp": -3.0}
    )
    plan = make_plan(take.levels, profile)
    assert rms_dbfs(rendered(take.source, plan)) == pytest.approx(-20.0, abs=0.05)


def peaky(peak_dbfs: float) -> np.ndarray:
    """Four seconds at -30 dBFS with one row that peaks."""
    level = np.full(4000, -30.0)
    level[1000] = peak_dbfs
    return level


@pytest.mark.parametrize("peak_dbfs", [-10.0, 0.0, 12.0])
@pytest.mark.parametrize("most_db", [0.0, 3.0, 9.0])
def test_most_reduction_is_respected(peak_dbfs, most_db):
    """Peaks are never lowered by more than allowed, not even those of a take far too hot."""
    profile = Profile(chain=BARE, limit={"most_reduction_db": most_db}, normalise={"target": -8.0})
    plan = make_plan(table(peaky(peak_dbfs)), profile)
    assert plan.notes["limit"]["greatest_db"] == pytest.approx(most_db, abs=0.011)
    assert peak_dbfs + plan.makeup_db - most_db == pytest.approx(aim_dbtp(profile.limit), abs=0.01)
    assert plan.short_db > 1
    assert plan.notes["normalise"]["short_of_target_db"] == round(plan.short_db, 2)


def test_gain_that_brings_no_level_is_not_taken():
    """Short of its target, 6 dB more gain would bring 0.3 dB at most; and it is as near as 30 dB get.

    A voice of even level: beyond what the limiter takes fast it lowers all of it as slowly.
    """
    profile = Profile(chain=BARE, normalise={"target": -10.0}, limit={"most_reduction_db": 40})
    levels = speech_like(4, -62.0, -26.0).levels
    plan = make_plan(levels, profile)

    def level(makeup_db: float) -> float:
        louder = levels.with_gain(makeup_db)
        return integrated_lufs(louder.with_gain(limit(louder, profile.limit).gain_db).k_power)

    here = level(plan.makeup_db)
    assert plan.short_db > 1
    assert plan.notes["limit"]["greatest_db"] < 15
    assert level(plan.makeup_db + 6) < here + 0.3
    assert level(plan.makeup_db + 30) < here + 0.5
    assert level(plan.makeup_db - 6) < here - 0.3


def test_out_of_reach_is_said():
    """A profile that takes no nearest level gets an error that says how much is missing."""
    profile = Profile(
        chain=BARE,
        limit={"most_reduction_db": 3.0},
        normalise={"target": -14.0, "when_out_of_reach": "quarantine"},
    )
    with pytest.raises(TargetUnreachable, match=r"14\.2 dB short of -14 LUFS"):
        make_plan(table(peaky(0.0)), profile)


def test_within_reach_is_not_refused():
    """The same profile takes what it can finish."""
    profile = Profile(chain=BARE, normalise={"when_out_of_reach": "quarantine"})
    assert make_plan(table(np.full(4000, -30.0)), profile).short_db == 0


def test_gain_is_plain_without_limiting():
    """With nothing to limit the gain is target less level, in every row. By algebra."""
    plan = make_plan(table(np.full(4000, -40.0)), Profile(chain=BARE, normalise={"target": -20.0}))
    assert plan.gain_db == pytest.approx(20.691, abs=0.006)  # BS.1770-5: -0.691 in the definition
    assert plan.makeup_db == pytest.approx(20.691, abs=0.006)


def test_correction():
    """What proving found is taken in: the level by as much, the ceiling lower by as much."""
    levels, profile = table(np.full(4000, -40.0)), Profile(chain=BARE)
    one, other = (make_plan(levels, profile, c) for c in (Correction(), Correction(0.25, 0.5)))
    assert other.makeup_db - one.makeup_db == pytest.approx(0.25, abs=1e-6)
    assert one.limit.ceiling_dbtp - other.limit.ceiling_dbtp == pytest.approx(0.5)
    assert other.notes["limit"]["ceiling_dbtp"] == profile.limit.ceiling_dbtp


def test_gain_is_the_sum_of_the_stages():
    """The plan's gain is what the stages ask for and the make-up gain, over the finished rows."""
    levels, profile = speech_like(2, -62.0).levels, Profile(chain=("gate", "compress", *BARE))
    plan = make_plan(levels, profile)
    gated = gate(levels, profile.gate).gain_db
    pressed = compress(levels.with_gain(gated), profile.compress).gain_db
    np.testing.assert_allclose(plan.gain_db, gated + pressed + plan.makeup_db, atol=1e-3)


def test_earlier_gains_are_cut_too():
    """A stage before trim keeps its gain over the same speech once the take is cut."""
    levels = speech_like(2, -62.0, head_s=3.0).levels
    before = make_plan(levels, Profile(chain=("compress", "trim", *BARE)))
    after = make_plan(levels, Profile(chain=("trim", "compress", *BARE)))
    assert len(before.gain_db) == sum(p.rows for p in before.pieces)
    steady = slice(300, -300)
    np.testing.assert_allclose(before.gain_db[steady], after.gain_db[steady], atol=0.1)


@pytest.mark.parametrize("chain", ORDERS)
def test_notes_in_the_profile_s_order(chain):
    """The receipt tells the stages in the order of the chain."""
    assert tuple(make_plan(speech_like(2, -62.0).levels, Profile(chain=chain)).notes) == chain


def test_silence_is_planned():
    """Silence gets no gain and raises nothing: refusing it is not the plan's business."""
    plan = make_plan(heard(np.zeros(48_000)).levels, Profile())
    assert plan.makeup_db == 0
    assert np.isfinite(plan.gain_db).all()


@pytest.mark.parametrize("name", STAGES)
def test_one_shape(name):
    """One word names file, function, settings and table, and the file says what it follows."""
    stage = STAGES[name]
    module = importlib.import_module(stage.__module__)
    assert stage.__module__ == f"fairtake.sound.stages.{name}"
    assert stage.__name__ == name
    assert module.__doc__.startswith(f"{name}: ")
    assert "Conventions:" in module.__doc__
    assert "Source:" in module.__doc__
    assert type(Profile().stage(name)) is getattr(module, f"{name.title()}Settings")


def test_tone_moves_with_the_gains_behind_it():
    """The make-up gain and the stages behind tone move it; those before it do not. By algebra."""
    take = speech_like(3, None)
    chains = [("gate", "tone", *BARE), ("tone", "gate", *BARE), ("tone", *BARE)]
    last, first, alone = (make_plan(take.levels, Profile(chain=chain)) for chain in chains)
    gated = gate(take.levels, Profile().gate).gain_db
    assert gated.min() < -11
    asked = tone(take.levels, Profile().tone).tone_db
    for plan, moved_db in ((last, 0.0), (first, gated), (alone, 0.0)):
        laid = ~take.rows(guard=-100)[: len(plan.tone_db)]
        laid[:50] = laid[-50:] = False
        expected = np.broadcast_to(asked + moved_db + plan.makeup_db, laid.shape)
        np.testing.assert_allclose(plan.tone_db[laid], expected[laid], atol=0.1)
    assert last.without_curves().tone_db is None


@pytest.mark.parametrize("told_by", ["a rendering", "a look ahead"])
def test_true_peaks_say_what_the_limiter_will_do(told_by):
    """With the true peaks that come to the limiter, a plan foresees it, whether they were met in
    rendering or heard before it: its curve within 0.1 dB, and the level within 0.03 dB."""
    take = speech_like(3, -60.0, -24.0)
    profile = Profile(chain=AS_HEARD, normalise={"target": -14.0})
    first = make_plan(take.levels, profile)
    if told_by == "a rendering":
        rendering = Rendering(take.source, first, 48_000)
        for _ in rendering:
            pass
        peaks = gain(rendering.peak_dbtp[: len(first.gain_db)] - first.gain_db)
    else:
        done = chained(take.levels, profile)
        gain_db, costs_db = limiting(done, profile, Correction())
        assert costs_db > 0.1
        peaks = peaks_without_gain(take.source, done, gain(aim_dbtp(profile.limit) - gain_db))
    plan = make_plan(take.levels, profile, true_peaks=peaks[: len(first.gain_db)])
    again = Rendering(take.source, plan, 48_000)
    level = libebur128_lufs(np.concatenate(list(again)))
    assert again.limited_db.max() > 2.0
    limited_db = again.limited_db[: len(plan.limited_db)]
    np.testing.assert_allclose(-plan.limited_db, limited_db, atol=0.1)
    assert level == pytest.approx(-14.0 - plan.short_db, abs=0.03)


def test_where_nothing_is_limited_no_peaks_are_asked_for():
    """A take whose peaks stay under the ceiling loses no level to the limiter. By algebra."""
    take = speech_like(3, -60.0, -24.0)
    profile = Profile(chain=AS_HEARD, normalise={"target": -34.0})
    gain_db, costs_db = limiting(chained(take.levels, profile), profile, Correction())
    assert costs_db == 0.0
    np.testing.assert_allclose(gain_db, make_plan(take.levels, profile).gain_db, atol=0.01)


@pytest.mark.parametrize("chain", [("trim", "gate"), ("gate", "trim")])
def test_a_spared_place_keeps_its_gain_wherever_the_cut_stands(chain):
    """In a place that is spared the gate takes nothing, whether it comes before the cut or behind it."""
    take = speech_like(3, -65.0, head_s=3.0, pause_s=2.0)
    profile = Profile(chain=(*chain, *BARE))
    plain = chained(take.levels, profile)
    pause = int(np.argmin(plain.gain_db[1000:-1500])) + 1000
    assert plain.gain_db[pause] < -10
    spared = frozenset({Spared(pause, pause + 20, "pauses")})
    done = chained(take.levels, profile, Correction(spared=spared))
    np.testing.assert_allclose(done.gain_db[pause : pause + 20], 0, atol=1e-3)
    np.testing.assert_allclose(done.gain_db[: pause - 600], plain.gain_db[: pause - 600], atol=1e-3)

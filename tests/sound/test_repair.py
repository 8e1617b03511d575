"""fairtake.sound.stages.repair: which blemishes are repaired, and what the levels are then."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from pydantic import ValidationError

from fairtake.profile import Profile
from fairtake.sound.levels import Blemish
from fairtake.sound.plan import chained, make_plan
from fairtake.sound.stages.repair import RepairSettings, bridged, chosen, repair, repaired
from fairtake.sound.treated import Treated
from fairtake.units import power_db
from signals import ArraySource, levels_of, room_tone, speech_like, table


def blemish(kind, start=48_000, size=10, height=0.0, over_db=20.0):
    return Blemish(kind, start, np.full((size, 1), height), over_db)


def spiked(seed=1):
    """Speech with one spike in a pause and one in a word."""
    take = speech_like(3, -62.0, seed=seed)
    x = take.samples.copy()
    pause = round((take.spans_s[0][1] + take.spans_s[1][0]) / 2 * take.rate)
    first, last = (round(edge * take.rate) for edge in take.spans_s[1])
    word = first + int(np.argmax(np.abs(x[first:last])))
    for at in (pause, word):
        x[at] += 0.6 * (np.sign(x[at]) or 1.0)
    return take.samples, x


@pytest.mark.parametrize(
    ("settings", "kinds"),
    [
        ({}, ["click", "click", "clipped"]),
        ({"click_over_db": 25}, ["click", "clipped"]),
        ({"clicks": False}, ["clipped"]),
        ({"clipping": False}, ["click", "click"]),
        ({"clicks": False, "clipping": False}, []),
    ],
)
def test_settings_choose(settings, kinds):
    """Each kind has its switch, clicks their threshold."""
    some = [blemish("click"), blemish("click", over_db=30), blemish("clipped", over_db=1)]
    assert [b.kind for b in chosen(some, RepairSettings(**settings))] == kinds


def test_bridged():
    """Changed rows lie at most on the line between their neighbours. By algebra."""
    column = np.array([1, 9, 2, 9, 5], np.float32)
    changed = np.array([False, True, True, True, False])
    np.testing.assert_allclose(bridged(column, changed), [1, 2, 2, 4, 5])
    np.testing.assert_array_equal(bridged(column, np.ones(5, bool)), column)


def test_a_click_leaves_the_levels():
    """A row 50 dB over the room is the room's again; the rest of the table stays."""
    level = np.full(3000, -60.0)
    level[1000] = -10.0
    after = repaired(table(level), [blemish("click")])
    assert after.peak_dbfs == pytest.approx(-60.0, abs=1e-3)
    assert power_db(after.power) == pytest.approx(-60.0, abs=1e-3)
    assert power_db(after.k_power) == pytest.approx(-60.0, abs=1e-3)


def test_a_clipped_peak_rises_in_the_levels():
    """A peak rebuilt to 1.3 stands in its row alone, for the limiter to see."""
    after = repaired(table(np.zeros(3000)), [blemish("clipped", height=1.3)])
    assert after.peak[1000] == pytest.approx(1.3)
    assert np.delete(after.peak, 1000).max() == pytest.approx(1.0)


def test_levels_are_those_of_the_repaired_take():
    """Corrected rows against the table of the repaired samples: a line can only be near. Measured."""
    _, x = spiked()
    levels = levels_of(x)
    work = repair(levels, RepairSettings())
    true = levels_of(Treated(ArraySource(x), work.repairs, ()).read(0, len(x))[:, 0])
    assert work.levels is not None
    rows = [b.rows(48_000)[0] for b in work.repairs]
    for name in ("peak", "power", "k_power"):
        was, is_, should = (power_db(getattr(t, name)[rows]) for t in (levels, work.levels, true))
        assert (was - should).max() > 20
        assert np.abs(is_ - should).max() < 6
    assert work.levels.k_power.mean() == pytest.approx(true.k_power.mean(), rel=0.01)


@pytest.mark.parametrize("seed", range(4))
def test_spikes_go_in_pauses_and_in_speech(seed):
    """Both are counted where they are, and the take is nearly what it was without them."""
    clean, x = spiked(seed)
    work = repair(levels_of(x), RepairSettings())
    assert work.note == {
        "clicks_in_pauses": 1, "clicks_in_speech": 1,
        "clipped_runs_found": 0, "clipped_runs_rebuilt": 0,
    }  # fmt: skip
    y = Treated(ArraySource(x), work.repairs, ()).read(0, len(x))[:, 0]
    assert np.abs(y - clean).max() < 0.03


def test_the_weighting_rings_no_longer():
    """After a spike in a quiet room, the K-weighted rows behind it are the room's again. Measured."""
    x = room_tone(4.0, -75.0)
    x[96_000] += 0.5
    levels, after = levels_of(x), repair(levels_of(x), RepairSettings()).levels
    assert after is not None
    behind = slice(2003, 2015)
    room_db = power_db(levels.k_power[1000:1900].mean())
    assert power_db(levels.k_power[behind].mean()) > room_db + 6
    assert power_db(after.k_power[behind].mean()) < room_db + 2


@pytest.mark.parametrize("count", [3, 5])
def test_a_few_clicks_before_a_word_are_no_part_of_it(count):
    """Clicks in the room before the first word and behind the last are counted as such, and the take is
    cut as without them. By construction."""
    take = speech_like(6, head_s=2.0, tail_s=2.0)
    x, away = take.samples.copy(), np.linspace(0.2, 1.4, count)
    for near in (*(take.spans_s[0][0] - away), *(take.spans_s[-1][1] + away)):
        x[round(near * take.rate) :][:3] += 0.1 * np.array([1.0, -1.0, 0.6])
    levels = levels_of(x)
    profile = Profile(chain=("repair", "trim", "limit", "normalise"))
    done, clean = chained(levels, profile), chained(levels_of(take.samples), profile)
    assert done.notes["repair"]["clicks_in_pauses"] == 2 * count
    assert done.notes["repair"]["clicks_in_speech"] == 0
    assert done.pieces == clean.pieces


def test_nothing_to_repair():
    """Without blemishes the levels are the same object, and the note says nought."""
    levels = table([-60.0] * 2000)
    work = repair(levels, RepairSettings())
    assert work.repairs == ()
    assert work.levels is levels
    assert set(work.note.values()) == {0}


def test_clipped_runs_that_were_left_are_told():
    """Found is more than rebuilt where runs are too long."""
    note = repair(replace(table([-60.0] * 2000), clipped_runs=7), RepairSettings()).note
    assert (note["clipped_runs_found"], note["clipped_runs_rebuilt"]) == (7, 0)


def test_the_plan_carries_them():
    """What the stage chooses reaches render, and the receipt."""
    plan = make_plan(levels_of(spiked()[1]), Profile())
    assert len(plan.repairs) == 2
    assert plan.notes["repair"]["clicks_in_speech"] == 1


def test_it_stands_before_the_cut():
    """Blemishes are told in the take's own time: a chain that cuts first is refused."""
    with pytest.raises(ValidationError, match="must stand before trim"):
        Profile(chain=("trim", "repair", "limit", "normalise"))

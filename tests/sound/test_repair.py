"""fairtake.sound.stages.repair: which blemishes are repaired, and what the levels are then."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from pydantic import ValidationError
from signals import ArraySource, levels_of, room_tone, speech_like, table, tone

from fairtake.profile import Profile
from fairtake.sound.levels import Blemish
from fairtake.sound.plan import make_plan
from fairtake.sound.speech import find_speech
from fairtake.sound.stages.repair import RepairSettings, bridged, chosen, repair, repaired
from fairtake.sound.treated import Treated
from fairtake.units import power_db


def blemish(kind, start=48_000, size=10, height=0.0, over_db=20.0):
    return Blemish(kind, start, np.full((size, 1), height), over_db)


def spiked(seed=1):
    """Speech with one spike in a pause and one in a word."""
    take = speech_like(3, -62.0, seed=seed)
    x = take.samples.copy()
    pause = round((take.spans_s[0][1] + take.spans_s[1][0]) / 2 * take.rate)
    word = round((take.spans_s[1][0] + take.spans_s[1][1]) / 2 * take.rate)
    for at in (pause, word):
        x[at] += 0.6
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
    """Corrected rows against the table of the repaired samples, within 3 dB where it matters."""
    _, x = spiked()
    levels = levels_of(x)
    work = repair(levels, RepairSettings())
    source = ArraySource(x)
    true = levels_of(Treated(source, work.repairs, ()).read(0, len(x))[:, 0])
    assert work.levels is not None
    rows = np.concatenate([np.arange(*b.rows(48_000)) for b in work.repairs])
    before = np.abs(levels.peak_dbfs - true.peak_dbfs)[rows]
    assert before.max() > 15
    off = np.abs(work.levels.peak_dbfs - true.peak_dbfs)[rows]
    assert off.max() < 6
    loud = np.abs(power_db(work.levels.k_power.mean()) - power_db(true.k_power.mean()))
    assert loud < 0.02


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


def test_speech_is_found_as_without_the_click():
    """A click in a pause is no word once it is repaired."""
    x = room_tone(6.0, -70.0)
    x[48_000 : 48_000 + 96_000] += tone(2.0, -20.0, 300.0)
    clean = find_speech(levels_of(x))
    x[200_000] += 0.5
    after = repair(levels_of(x), RepairSettings()).levels
    assert after is not None
    assert find_speech(after).last_row == clean.last_row


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

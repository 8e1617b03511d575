"""fairtake.sound.stages.ride: phrases brought to one level."""

from __future__ import annotations

import numpy as np
import pytest

from fairtake.sound.loudness import lufs
from fairtake.sound.stages.ride import RideSettings, phrases, ride, ride_curve_db, ride_gain_db
from fairtake.units import gain
from signals import RATE_HZ, levels_of, speech_like

EXACT = RideSettings(spare_db=0, range_db=20)


def two_sections(step_db: float):
    """Two sections of speech, the second recorded *step_db* louder, room and all."""
    one, other = speech_like(6, -75.0, seed=1), speech_like(6, -75.0, seed=2)
    samples = np.concatenate([one.samples * float(gain(-step_db)), other.samples])
    rows = len(one.samples) * 1000 // RATE_HZ
    spoken = np.concatenate([one.rows()[:rows], other.rows()])
    return samples, rows, spoken


@pytest.mark.parametrize("step_db", [8.0, 18.0])
def test_sections_end_level(step_db: float):
    """Sections recorded 8 and 18 dB apart end within 3 dB of each other. Ours: what the stage must."""
    samples, seam, spoken = two_sections(step_db)
    levels = levels_of(samples)
    after = levels.with_gain(ride(levels, RideSettings()).gain_db)
    spoken = spoken[: after.rows]
    first, second = (
        float(lufs(after.k_power[part][spoken[part]].mean()))
        for part in (slice(seam), slice(seam, None))
    )
    before = float(lufs(levels.k_power[seam:][spoken[seam:]].mean())) - float(
        lufs(levels.k_power[:seam][spoken[:seam]].mean())
    )
    assert before > step_db - 1.5
    assert abs(second - first) < 3.0


def test_pauses_are_never_lifted():
    """However much a phrase is raised, the pauses around it are not."""
    samples, _, spoken = two_sections(18.0)
    levels = levels_of(samples)
    curve = ride(levels, RideSettings()).gain_db
    far = ~np.convolve(spoken[: levels.rows], np.ones(901), "same").astype(bool)
    assert far.any()
    assert curve[far].max() <= 1e-6


def test_level_speech_is_left_alone():
    """A take that is even already is not touched."""
    work = ride(levels_of(speech_like(6, -70.0).samples), RideSettings(spare_db=3))
    assert np.abs(work.gain_db).max() < 1.5


def test_gain_of_each_phrase_exact():
    """Far-apart phrases meet at the middle one, as far as the range reaches; like ones share. By algebra."""
    levels = np.array([-20.0, -20.0, -38.0])
    middles, weights = np.array([0.0, 10.0, 20.0]), np.array([2.0, 2.0, 2.0])
    np.testing.assert_allclose(ride_gain_db(levels, middles, weights, EXACT), [0, 0, 18])
    capped = ride_gain_db(levels, middles, weights, RideSettings(range_db=12, spare_db=1))
    np.testing.assert_allclose(capped, [-5, -5, 11])
    shared = ride_gain_db(np.array([-20.0, -22.0]), np.array([0.0, 2.0]), np.ones(2), EXACT)
    assert shared[0] == pytest.approx(shared[1])


def test_a_murmur_is_not_brought_to_the_level_of_a_phrase():
    """What is short and soft moves with the louder of its neighbours' gains; a long whisper is raised."""
    levels, middles = np.array([-20.0, -38.0, -20.0]), np.array([0.0, 10.0, 20.0])
    lone, long = np.array([3000.0, 400.0, 3000.0]), np.array([3000.0, 900.0, 3000.0])
    np.testing.assert_allclose(ride_gain_db(levels, middles, lone, EXACT), 0)
    assert ride_gain_db(levels, middles, long, EXACT)[1] == pytest.approx(18)
    soft = np.array([-20.0, -28.0, -20.0])  # near enough to be a quiet word
    assert ride_gain_db(soft, middles, lone, EXACT)[1] == pytest.approx(8)


def test_gain_is_steady_in_a_phrase_and_smooth_between():
    """Inside a phrase the gain stands still; between phrases it moves no faster than its ramp."""
    starts, stops = np.array([1000, 4000]), np.array([3000, 6000])
    curve = ride_curve_db(np.array([6.0, -6.0]), starts, stops, 8000, 150)
    np.testing.assert_allclose(curve[1000:3000], 6.0, atol=1e-4)
    np.testing.assert_allclose(curve[4000:6000], -6.0, atol=1e-4)
    assert curve[3500] <= 0
    assert curve[0] <= 1e-6
    assert np.abs(np.diff(curve)).max() < 12 / 150 * 2.1


def test_phrases_end_at_pauses():
    """Short gaps belong to a phrase, long ones end it, and endless ones are cut. By construction."""
    spoken = np.ones(30_000, bool)
    spoken[2000:2100] = spoken[5000:5600] = False
    starts, stops = phrases(spoken)
    assert (starts[0], stops[0], starts[1]) == (0, 5000, 5600)
    assert (stops - starts).max() <= 9000


def test_no_speech_no_ride():
    """Room tone alone is left as it is."""
    from signals import room_tone

    assert not ride(levels_of(room_tone(3, -60.0)), RideSettings()).gain_db.any()

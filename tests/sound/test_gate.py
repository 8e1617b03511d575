"""fairtake.sound.stages.gate: pauses lowered, speech left alone."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fairtake.sound.levels import Sound
from fairtake.sound.proof import LOST_DB
from fairtake.sound.runs import runs
from fairtake.sound.stages.gate import UNSURE_DB, GateSettings, expander_gain_db, gate
from signals import burst, levels_of, room_tone, speech_like, table


@pytest.mark.parametrize(
    ("level_db", "out_db"),
    [
        (-40, -40), (-45, -45), (-47.5, -47.8125), (-50, -51.25), (-52.5, -55.3125), (-55, -60),
        (-60, -70), (-80, -110),
    ],
)  # fmt: skip
def test_curve(level_db, out_db):
    """Downward expander, threshold -50, ratio 2, knee 10: facts, section 7, a derivation."""
    gain_db = expander_gain_db(level_db, -50, 2, 10, range_db=100)
    assert level_db + gain_db == pytest.approx(out_db, abs=0.01)


def test_curve_stops_at_its_range():
    """However far under the threshold, nothing is lowered by more than the range."""
    gains = expander_gain_db(np.linspace(-200, 0, 400), -50, 10, 6, range_db=12)
    assert gains.min() == -12
    assert gains.max() == 0


@pytest.mark.parametrize("knee_db", [0, 3, 24])
def test_curve_is_continuous_and_monotone(knee_db):
    """No step and no bend back anywhere, with any knee. By algebra."""
    level = np.linspace(-90, -10, 8001)
    gains = expander_gain_db(level, -50, 3, knee_db, range_db=40)
    assert np.all(np.diff(gains) >= -1e-9)
    assert np.diff(gains).max() <= 2 * 0.01 + 1e-9


@given(
    seed=st.integers(0, 9999),
    floor_dbfs=st.floats(-80, -50),
    range_db=st.sampled_from([0, 6, 12, 40]),
)
@settings(max_examples=10, deadline=None, derandomize=True)
def test_speech_keeps_its_gain(seed, floor_dbfs, range_db):
    """Inside known speech nothing changes at all; elsewhere never more than the range."""
    take = speech_like(3, floor_dbfs, seed=seed)
    gain_db = gate(take.levels, GateSettings(range_db=range_db)).gain_db
    assert len(gain_db) == take.levels.rows
    assert not gain_db[take.rows()[: len(gain_db)]].any()
    assert gain_db.min() >= -range_db - 1e-3
    assert gain_db.max() <= 0


@pytest.mark.parametrize("floor_dbfs", [-80.0, -65.0, -55.0])
def test_pauses_are_lowered(floor_dbfs):
    """Long pauses come down by the range where the room is well below the voice."""
    take = speech_like(3, floor_dbfs, head_s=2.0, tail_s=3.0)
    work = gate(take.levels, GateSettings(range_db=12))
    assert work.gain_db[300:1500] == pytest.approx(-12, abs=0.5)
    assert work.gain_db[-1500:-100] == pytest.approx(-12, abs=0.5)
    assert work.note["greatest_db"] == pytest.approx(12, abs=0.5)


def test_a_pause_of_a_quarter_of_a_second_goes_down_all_the_way():
    """250 ms between two words are long enough to be lowered by the whole range."""
    words = np.concatenate([np.full(1000, -20.0), np.full(250, -65.0), np.full(1000, -20.0)])
    sounds = [Sound.VOICE] * 1000 + [Sound.ROOM] * 250 + [Sound.VOICE] * 1000
    gain_db = gate(table(words, sounds=sounds), GateSettings()).gain_db
    assert gain_db.min() == pytest.approx(-18, abs=0.1)
    assert not gain_db[:1000].any() and not gain_db[1250:].any()


@pytest.mark.parametrize("sound", [Sound.BREATH, Sound.NOISE])
def test_a_pause_goes_down_breath_or_none_in_it(sound):
    """A breath or a page in a pause holds no gate open."""
    take = speech_like(3, -65.0, pause_s=2.0)
    at_s = take.spans_s[0][1] + 0.6
    laid = take.with_sound(at_s, burst(0.4, -38.0), sound)
    gain_db = gate(laid.levels, GateSettings(range_db=12)).gain_db
    assert gain_db[round(1000 * at_s) : round(1000 * at_s) + 400] == pytest.approx(-12, abs=0.5)


def test_music_is_not_gated():
    """Pauses full of music keep their gain."""
    take = speech_like(2, -65.0, pause_s=2.0)
    start_s, stop_s = take.spans_s[0][1] + 0.1, take.spans_s[1][0] - 0.1
    laid = take.with_sound(start_s, burst(stop_s - start_s, -40.0), Sound.MUSIC)
    rows = slice(round(start_s * 1000), round(stop_s * 1000))
    assert not gate(laid.levels, GateSettings()).gain_db[rows].any()


def test_what_nobody_is_sure_of_is_lowered_a_little():
    """Where the ear is unsure the gate takes less than what the proof of speech calls lost."""
    take = speech_like(2, -65.0, pause_s=2.0)
    at_s = take.spans_s[0][1] + 0.6
    laid = take.with_sound(at_s, burst(0.4, -45.0), Sound.UNSURE)
    gain_db = gate(laid.levels, GateSettings()).gain_db
    here = gain_db[round(1000 * at_s) : round(1000 * at_s) + 400]
    assert -LOST_DB < here.min() <= here.max() <= -UNSURE_DB / 2


@pytest.mark.parametrize(("louder_db", "further_db"), [(4.0, 4.0), (0.0, 0.0), (-5.0, 0.0)])
def test_all_pauses_end_at_one_level(louder_db, further_db):
    """A pause whose room is 4 dB louder than usual goes down 4 dB further; a quieter one as usual."""
    word, pause = [-20.0] * 1000, [-50.0] * 1000
    loud = [-50.0 + louder_db] * 1000
    levels = word + pause + word + pause + word + loud + word + pause + word
    sounds = ([Sound.VOICE] * 1000 + [Sound.ROOM] * 1000) * 4 + [Sound.VOICE] * 1000
    gain_db = gate(table(levels, sounds=sounds), GateSettings(range_db=40)).gain_db
    usual, other = gain_db[1500], gain_db[5500]
    assert usual == pytest.approx(-18, abs=0.2)  # 0.6 of the 30 dB between room and voice
    assert other == pytest.approx(usual - further_db, abs=0.2)


@pytest.mark.parametrize(("room_dbfs", "amount_db"), [(-30.0, 6.0), (-40.0, 12.0), (-60.0, 18.0)])
def test_a_room_near_to_the_voice_is_lowered_less(room_dbfs, amount_db):
    """Ratio 2: by the way to the threshold, 0.6 of the distance from room to voice, up to the range."""
    levels = [-20.0] * 1000 + [room_dbfs] * 1000 + [-20.0] * 1000
    sounds = [Sound.VOICE] * 1000 + [Sound.ROOM] * 1000 + [Sound.VOICE] * 1000
    gain_db = gate(table(levels, sounds=sounds), GateSettings(knee_db=0)).gain_db
    assert gain_db.min() == pytest.approx(-amount_db, abs=0.1)


@pytest.mark.parametrize("floor_dbfs", [-65.0, -50.0])
def test_no_chatter(floor_dbfs):
    """The gate opens once for each phrase and no more often."""
    take = speech_like(5, floor_dbfs, pause_s=1.2)
    gain_db = gate(take.levels, GateSettings(range_db=12)).gain_db
    openings, _ = runs(gain_db > -6)
    assert len(openings) == 5


def test_moves_softly():
    """It opens no faster than a raised cosine over the attack and closes no faster than asked."""
    settings = GateSettings(range_db=12, attack_ms=30, release_ms=250)
    gain_db = gate(speech_like(4, -65.0).levels, settings).gain_db
    steps = np.diff(gain_db)
    assert steps.max() <= 2 * 12 / 30
    assert steps.min() >= -12 / 250 - 1e-4


def test_hold_and_look_ahead():
    """It is fully open before the first word and stays so for the hold behind the last."""
    take = speech_like(1, -65.0, head_s=2.0, tail_s=2.0)
    gain_db = gate(take.levels, GateSettings(look_ahead_ms=100, hold_ms=400)).gain_db
    first, last = (round(1000 * edge) for edge in take.spans_s[0])
    assert not gain_db[first - 80 : last + 380].any()
    assert gain_db[last + 500] < 0


def test_without_speech_nothing_is_done():
    """Room tone alone has no threshold: the take is left as it is."""
    room = levels_of(room_tone(3, -60.0))
    work = gate(room.with_sounds(np.zeros(room.rows, np.uint8)), GateSettings())
    assert work.gain_db is None
    assert work.note["greatest_db"] == 0.0

"""fairtake.sound.stages.breath: breaths and noises of the mouth, between and beside words."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fairtake.sound.levels import Sound
from fairtake.sound.stages.breath import BreathSettings, breath
from signals import Spoken, burst, speech_like


def with_breath(
    dbfs: float = -42.0,
    floor_dbfs: float = -65.0,
    after_s: float = 0.5,
    seconds: float = 0.4,
    sound: Sound = Sound.BREATH,
) -> tuple[Spoken, slice]:
    """Two phrases with a long pause between them, a breath in it, and its rows."""
    take = speech_like(2, floor_dbfs, pause_s=1.8, seed=5)
    begin_s = take.spans_s[0][1] + after_s
    row = round(begin_s * 1000)
    laid = take.with_sound(begin_s, burst(seconds, dbfs), sound)
    return laid, slice(row, row + round(seconds * 1000))


@pytest.mark.parametrize("sound", [Sound.BREATH, Sound.NOISE])
@pytest.mark.parametrize("floor_dbfs", [-75.0, -65.0])
def test_a_breath_is_lowered_by_the_amount(floor_dbfs: float, sound: Sound):
    """What stands 20 dB or more over the room is lowered by what was asked, 12 dB, all through."""
    take, rows = with_breath(floor_dbfs=floor_dbfs, sound=sound)
    work = breath(take.levels, BreathSettings())
    np.testing.assert_allclose(work.gain_db[rows], -12, atol=0.1)
    assert work.note["breaths"] + work.note["other_noises"] == 1


def test_a_soft_breath_is_lowered_to_the_room_and_no_further():
    """6 dB over the room it is lowered by about as much: it would be a hole else."""
    take, rows = with_breath(dbfs=-58.0, floor_dbfs=-64.0)
    gain_db = breath(take.levels, BreathSettings()).gain_db[rows]
    assert -9 < np.median(gain_db) < -4


@settings(max_examples=15, deadline=None, derandomize=True)
@given(
    after_s=st.floats(-0.1, 1.0),
    seconds=st.floats(0.1, 0.9),
    amount_db=st.floats(0, 30),
)
def test_words_keep_their_gain(after_s: float, seconds: float, amount_db: float):
    """No row of speech moves, whatever is breathed beside it, and nothing is lowered by more than asked."""
    take, _ = with_breath(after_s=after_s, seconds=seconds)
    work = breath(take.levels, BreathSettings(amount_db=amount_db))
    assert not work.gain_db[take.levels.voice].any()
    assert work.gain_db.min() >= -amount_db - 1e-3


def test_a_breath_that_touches_its_word_is_lowered_up_to_it():
    """Its ramp lies inside it on the word's side only: 30 ms before the word it is lowered whole."""
    take = speech_like(2, -65.0, pause_s=1.8, seed=5)
    word_s = take.spans_s[1][0]
    laid = take.with_sound(word_s - 0.4, burst(0.4, -42.0), Sound.BREATH)
    gain_db = breath(laid.levels, BreathSettings(ramp_ms=30)).gain_db
    word = round(word_s * 1000)
    np.testing.assert_allclose(gain_db[word - 400 : word - 32], -12, atol=0.1)
    assert not gain_db[word:].any()


@pytest.mark.parametrize("sound", [Sound.UNSURE, Sound.VOICE, Sound.MUSIC, Sound.ROOM])
def test_what_is_no_breath_is_left(sound: Sound):
    """What the ear is unsure of, a voice, music and the room are none of this stage's business."""
    take, rows = with_breath(sound=sound)
    work = breath(take.levels, BreathSettings())
    assert not work.gain_db[rows].any()
    assert work.note["breaths"] == 0


def test_moves_softly():
    """No step: it moves over its ramp, as a raised cosine does at most."""
    take, _ = with_breath()
    gain_db = breath(take.levels, BreathSettings(ramp_ms=40)).gain_db
    assert np.abs(np.diff(gain_db)).max() <= 2 * 12 / 40

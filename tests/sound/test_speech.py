"""fairtake.sound.speech: how loud voice and room are, and where the pauses lie."""

from __future__ import annotations

import numpy as np
import pytest

from fairtake.sound.levels import SILENCE_DBFS, Sound
from fairtake.sound.speech import first_row, last_row, pauses, room_frames, voice_lufs
from signals import burst, speech_like, table

VOICE, ROOM, BREATH = Sound.VOICE, Sound.ROOM, Sound.BREATH


def test_the_voice_is_as_loud_as_its_loud_part():
    """Speech at -20 for half of its time and at -50 for the rest stands at -20. By algebra."""
    levels = table([-20.0] * 1000 + [-50.0] * 1000)
    assert voice_lufs(levels) == pytest.approx(-20.691, abs=0.01)


def test_without_a_voice_music_counts_and_without_either_nothing():
    """A take of music alone has a level, a room has none."""
    assert voice_lufs(table([-20.0] * 500, sounds=[Sound.MUSIC] * 500)) is not None
    assert voice_lufs(table([-60.0] * 500, sounds=[ROOM] * 500)) is None


def test_each_pause_has_the_level_of_its_room():
    """Two pauses at -50 and -60: each is told by its own room, the usual one is the longer's. By algebra."""
    levels = [-20.0] * 1000 + [-50.0] * 1000 + [-20.0] * 1000 + [-60.0] * 2000 + [-20.0] * 1000
    sounds = [VOICE] * 1000 + [ROOM] * 1000 + [VOICE] * 1000 + [ROOM] * 2000 + [VOICE] * 1000
    take = table(levels, sounds=sounds)
    found = pauses(take, ~take.kept)
    assert found is not None
    assert found.starts.tolist() == [1000, 3000] and found.stops.tolist() == [2000, 5000]
    assert found.room_lufs == pytest.approx([-50.691, -60.691], abs=0.01)
    assert found.usual_lufs == pytest.approx(-60.691, abs=0.01)


def test_a_pause_full_of_breath_has_the_room_beside_it():
    """Where nothing but a breath is heard the room is that of the next pauses."""
    levels = ([-20.0] * 500 + [-60.0] * 800) * 3 + [-20.0] * 500
    sounds = ([VOICE] * 500 + [ROOM] * 800) * 3 + [VOICE] * 500
    levels[1800:2600], sounds[1800:2600] = [-40.0] * 800, [BREATH] * 800
    take = table(levels, sounds=sounds)
    found = pauses(take, ~take.kept)
    assert found is not None
    assert found.room_lufs == pytest.approx([-60.691] * 3, abs=0.01)


def test_a_breath_is_no_room():
    """Stretches with a breath in them do not tell of the room."""
    take = speech_like(3, -65.0, pause_s=2.0)
    laid = take.with_sound(take.spans_s[0][1] + 0.7, burst(0.4, -38.0), BREATH)
    (_, room), (_, clean) = room_frames(laid.levels), room_frames(take.levels)
    assert len(room) < len(clean)
    assert room.max() < -55


def test_digital_silence_is_told_as_such():
    """Pauses of zeros stand at the level of nothing, not at minus infinity."""
    take = speech_like(3, None, pause_s=2.0)
    found = pauses(take.levels, ~take.levels.kept)
    assert found is not None
    assert np.isfinite(found.room_lufs).all()
    assert found.usual_lufs == SILENCE_DBFS


def test_edges_of_a_mask():
    """The first row, and the row after the last."""
    mask = np.array([False, True, False, True, False])
    assert (first_row(mask), last_row(mask)) == (1, 4)


def test_no_pauses():
    """Where all is speech there is none."""
    take = table([-20.0] * 1000)
    assert pauses(take, ~take.kept) is None

"""fairtake.mixing.laying: curves of a cue, row by row."""

from __future__ import annotations

import numpy as np
import pytest

from fairtake.cues import Bed, Spot
from fairtake.mixing.laying import _ducked_db
from fairtake.sound.laid import rows_of
from fairtake.sound.layout import Place

RATE = 48_000


def bed(**settings: object) -> Bed:
    return Bed.model_validate({"file": "bed.wav", **settings})


@pytest.mark.parametrize("begin", [0, 23, 24, 47, 1000])
@pytest.mark.parametrize("frames", [48_000, 48_001, 48_010, 48_025, 48_047])
def test_a_bed_under_speech_to_its_end_stays_down_to_its_end(begin: int, frames: int) -> None:
    """Its last millisecond is as far down as all others, wherever its samples fall between rows."""
    spoken = np.ones(rows_of(begin + frames, RATE), bool)
    curve = _ducked_db(Place(bed(duck_db=12.0), begin, frames, (0, frames)), spoken, RATE)
    assert curve.shape == (rows_of(frames, RATE),)
    assert np.all(curve[-100:] == -12.0)


def test_a_single_sound_is_not_ducked() -> None:
    spot = Spot.model_validate({"file": "tick.wav"})
    curve = _ducked_db(Place(spot, 0, 10, (0, 10)), np.ones(9, bool), RATE)
    assert curve.tolist() == [0.0]


def test_a_bed_shorter_than_a_row_at_the_end_of_the_axis_is_laid() -> None:
    """Its one row may lie behind all those of the axis: nothing is spoken there."""
    spoken = np.ones(rows_of(1005, RATE), bool)
    curve = _ducked_db(Place(bed(duck_db=12.0), 1000, 5, (0, 5)), spoken, RATE)
    assert curve.tolist() == [0.0]

"""fairtake.sound.overs: where a file stands over its ceiling."""

from __future__ import annotations

import numpy as np
import pytest

from fairtake.sound.overs import REACH_ROWS, Over, lowered_db, overs_of
from signals import tone


def test_each_place_is_told_with_its_height():
    """Two bursts over -6 dBTP in a soft tone: where, and by how much. By algebra: a slow tone's true peak is
    its amplitude."""
    samples = tone(1.0, -20.0, 200.0)
    samples[9_600:14_400] *= 10 ** (16 / 20)
    samples[28_800:33_600] *= 10 ** (18 / 20)
    found = overs_of(iter([samples[:24_000, None], samples[24_000:, None]]), 48_000, 1, -6.0)
    assert [over.db for over in found] == pytest.approx([2.0, 4.0], abs=0.05)
    for over, (start, stop) in zip(found, [(200, 300), (600, 700)], strict=True):
        assert over.start == pytest.approx(start - REACH_ROWS, abs=4)
        assert over.stop == pytest.approx(stop + REACH_ROWS, abs=4)


def test_nothing_over_is_nothing():
    """A file under its ceiling asks for nothing, nor does no file at all."""
    assert overs_of(iter([tone(0.5, -7.0)[:, None]]), 48_000, 1, -6.0) == ()
    assert overs_of(iter([]), 48_000, 1, -6.0) == ()
    assert lowered_db((), 100) is None


def test_a_place_beyond_the_end_counts_up_to_it():
    """The last row of a file may lie behind the plan's."""
    lower_db = lowered_db((Over(90, 130, 1.0),), 100)
    assert lower_db is not None
    np.testing.assert_array_equal(lower_db, np.r_[np.zeros(90), np.ones(10)])

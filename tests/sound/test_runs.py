"""fairtake.sound.runs: masks and their runs."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from fairtake.sound.runs import mask_of, runs, widened


def mask(text: str) -> np.ndarray:
    return np.array([c == "#" for c in text], bool)


def test_runs_exact():
    """Runs at both edges are found, stops are exclusive."""
    starts, stops = runs(mask("##..#...#"))
    assert (starts.tolist(), stops.tolist()) == ([0, 4, 8], [2, 5, 9])


@given(st.lists(st.booleans(), max_size=40))
def test_there_and_back(bits):
    """A mask comes back from its own runs."""
    there = np.array(bits, bool)
    np.testing.assert_array_equal(mask_of(*runs(there), len(there)), there)


def test_widened():
    """Runs grow to both sides, join where they meet and stop at the edges."""
    np.testing.assert_array_equal(widened(mask(".#....#.."), 2, 3), mask("#########"))
    np.testing.assert_array_equal(widened(mask(".#......."), 0, 2), mask(".###....."))

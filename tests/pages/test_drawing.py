"""fairtake.pages.drawing: numbers into paths."""

from __future__ import annotations

import re

import pytest

from fairtake.pages.drawing import MOST_TICKS, WIDTH, Frame, ticks_s, working_spans
from fairtake.sketch import Curve

FRAME = Frame(0.0, 10.0, -60.0, 0.0, 600)


def test_places_by_algebra():
    """The axes' ends are the picture's edges, and what lies outside is drawn at the edge."""
    assert (FRAME.x(0.0), FRAME.x(5.0), FRAME.x(10.0), FRAME.x(99.0)) == (
        0,
        WIDTH // 2,
        WIDTH,
        WIDTH,
    )
    assert (FRAME.y(0.0), FRAME.y(-30.0), FRAME.y(-60.0), FRAME.y(-200.0)) == (0, 300, 600, 600)


def test_line_and_area():
    """A line goes through the middle of each step; an area comes back along its lower edge."""
    assert FRAME.line([0.0, -60.0], 0.0, 5.0) == f"M{WIDTH // 4} 0 {3 * WIDTH // 4} 600"
    there, back = f"{WIDTH // 4} 0 {3 * WIDTH // 4} 0", f"{3 * WIDTH // 4} 600 {WIDTH // 4} 600"
    assert FRAME.area([0.0, 0.0], [-60.0, -60.0], 0.0, 5.0) == f"M{there} {back}Z"
    assert FRAME.line([], 0.0, 1.0) == "" == FRAME.area([], [], 0.0, 1.0)


def test_the_shortest_span_is_seen():
    """A click of no length has a box with a width."""
    left, right = (int(n) for n in re.findall(r"M(\d+) 0H(\d+)", FRAME.spans([(5.0, 5.0)]))[0])
    assert right > left


def test_working_spans():
    """Steps under a value that touch are one span."""
    curve = Curve(start_s=2.0, step_s=0.5, low=[0, -3, -3, 0, -3], mean=[0] * 5, high=[0] * 5)
    assert working_spans(curve, -1.0) == [(2.5, 3.5), (4.0, 4.5)]


@pytest.mark.parametrize("end_s", [0.5, 3.0, 61.0, 600.0, 3600.0, 36_000.0])
@pytest.mark.parametrize("begin_s", [0.0, -0.7])
def test_ticks_are_few_and_inside(begin_s, end_s):
    """Labels stand inside the axis, and are few enough to be read."""
    ticks = ticks_s(begin_s, end_s)
    assert len(ticks) <= MOST_TICKS + 1
    assert all(begin_s <= tick <= end_s for tick in ticks)
    assert 0.0 in ticks

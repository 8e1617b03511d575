"""fairtake.sound.envelope: how gain curves move."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from fairtake.sound.envelope import (
    attack,
    averaged_behind,
    greatest_ahead,
    least_ahead,
    release,
    rise_limited,
    spread_around,
)

AMOUNTS = arrays(np.float32, st.integers(1, 60), elements=st.floats(0, 40, width=32))


@pytest.mark.parametrize("ms", [1, 8, 150])
def test_attack_time_constant(ms):
    """A step is followed to 63.2 % after the time given. Giannoulis et al., 2012."""
    step = np.ones(2000, np.float32)
    assert attack(step, ms)[ms - 1] == pytest.approx(1 - 1 / math.e, abs=1e-4)


@pytest.mark.parametrize("ms", [5, 80, 150])
def test_release_time_constant(ms):
    """What is let go has 36.8 % left after the time given. Giannoulis et al., 2012."""
    amount = np.zeros(2000, np.float32)
    amount[:100] = 6.0
    assert release(amount, ms)[99 + ms] == pytest.approx(6.0 / math.e, rel=1e-4)


@given(AMOUNTS)
@settings(max_examples=50, deadline=None)
def test_release_like_the_loop(amount):
    """The release without a loop is the published recursion max(x[n], a·y[n-1])."""
    a, last, expected = math.exp(-1 / 20), 0.0, []
    for x in amount:
        last = max(float(x), a * last)
        expected.append(last)
    np.testing.assert_allclose(release(amount, 20), expected, rtol=1e-4, atol=1e-5)


def test_release_after_hours():
    """Two hours into a take a release still falls as it does at its start."""
    amount = np.zeros(7_200_000, np.float32)
    amount[-200] = 6.0
    assert release(amount, 5)[-195] == pytest.approx(6.0 / math.e, rel=1e-4)


@given(AMOUNTS, st.integers(0, 70))
@settings(max_examples=60, deadline=None)
def test_ahead_exact(amount, ahead):
    """Greatest and least of each row and the rows ahead, as a plain loop finds them."""
    for found, best in ((greatest_ahead(amount, ahead), max), (least_ahead(amount, ahead), min)):
        assert found.tolist() == [best(amount[i : i + ahead + 1]) for i in range(len(amount))]


@given(AMOUNTS, st.integers(1, 20))
@settings(max_examples=60, deadline=None)
def test_look_ahead_keeps_its_promise(amount, width):
    """Spread ahead and averaged behind, a reduction is never less than what a row asked for."""
    smooth = averaged_behind(greatest_ahead(amount, width), width)
    assert np.all(smooth >= amount - 1e-4)
    opened = averaged_behind(least_ahead(amount, width), width)
    assert np.all(opened <= amount + 1e-4)


def test_average_of_a_step():
    """A step becomes a smooth rise of the width asked for, from 0 to 1 exactly."""
    step = np.repeat([0.0, 1.0], 50).astype(np.float32)
    y = averaged_behind(step, 20)
    assert y[49] == 0.0
    assert y[70] == pytest.approx(1.0, abs=1e-6)
    assert np.all(np.diff(y[49:71]) > 0)
    assert np.diff(y).max() < 2.2 / 21  # a raised cosine is at most twice as steep as a line


@given(AMOUNTS, st.floats(0.01, 5))
@settings(max_examples=60, deadline=None)
def test_rise_limited(amount, per_row):
    """No rise beyond the limit, never over the curve, and a fall is not held up."""
    y = rise_limited(amount, per_row)
    assert np.all(y <= amount + 1e-4)
    assert np.all(np.diff(y) <= per_row + 1e-4)
    expected = [min(amount[j] + per_row * (i - j) for j in range(i + 1)) for i in range(len(y))]
    np.testing.assert_allclose(y, expected, atol=1e-3)


@pytest.mark.parametrize("rows", [1, 9, 333, 5421])
def test_spread_around_keeps_its_promise(rows):
    """Within half of its reach it never asks for less than any row does, and nowhere for more."""
    amount = np.zeros(rows, np.float32)
    amount[[0, rows // 3, rows - 1]] = 3.0, 6.0, 1.0
    spread = spread_around(amount, 1000)
    for row in (0, rows // 3, rows - 1):
        assert spread[max(row - 490, 0) : row + 490].min() >= amount[row] - 1e-5
    assert len(spread) == rows
    assert spread.max() <= amount.max() + 1e-5

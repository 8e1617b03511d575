"""fairtake.sound.thin: rows thinned to as many steps as a picture shows."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fairtake.sketch import MOST_STEPS
from fairtake.sound.thin import LEAST_STEP_ROWS, curve_of, outline_of, step_starts, thin
from signals import levels_of, tone


@given(st.integers(0, 200_000))
def test_steps_cover_all_rows_evenly(rows):
    """No more steps than a page shows, none finer than the least, and none differs by over a row."""
    starts = step_starts(rows)
    assert len(starts) <= MOST_STEPS
    widths = np.diff(starts, append=rows)
    assert widths.sum() == rows
    if rows >= LEAST_STEP_ROWS:
        assert widths.min() >= LEAST_STEP_ROWS and np.ptp(widths) <= 1


@given(st.integers(1, 50_000), st.integers(0, 2**32 - 1))
def test_nothing_between_two_steps_is_lost(rows, seed):
    """The least and the greatest value of all rows are those of the steps; the mean is kept."""
    curve = np.random.default_rng(seed).normal(0, 5, rows).astype(np.float32)
    thinned = thin(curve)
    assert thinned.low.min() == curve.min()
    assert thinned.high.max() == curve.max()
    widths = np.diff(step_starts(rows), append=rows)
    assert np.average(thinned.mean, weights=widths) == pytest.approx(curve.mean(), abs=1e-3)


def test_nothing_at_all():
    """No row, no step, and no fault."""
    assert curve_of(thin(np.zeros(0, np.float32)), 0.0).mean == []
    assert outline_of(levels_of(np.zeros((0, 1)))).peak_dbfs == []


def test_outline_of_a_tone():
    """A tone of -20 dBFS peak: its RMS is 3.01 dB less, its loudness that of BS.1770 at 997 Hz (by
    algebra: -20 - 3.01 with K-weighting's +0.69 at this pitch and the offset of -0.691)."""
    outline = outline_of(levels_of(tone(8.0, -20.0, 997.0)), start_s=1.5)
    assert outline.start_s == 1.5
    assert outline.step_s * len(outline.peak_dbfs) == pytest.approx(8.0)
    inner = slice(10, -10)
    np.testing.assert_allclose(outline.peak_dbfs[inner], -20.0, atol=0.1)
    np.testing.assert_allclose(outline.rms_dbfs[inner], -23.01, atol=0.05)
    np.testing.assert_allclose(outline.momentary_lufs[40:-40], -23.01, atol=0.05)
    np.testing.assert_allclose(outline.short_term_lufs[inner], -23.01, atol=0.05)


def test_a_burst_lies_where_it_was():
    """What is loud for 0.2 s in the middle of a minute is loud in the one or two steps around it."""
    samples = np.zeros((60 * 48_000, 1))
    samples[30 * 48_000 : 30 * 48_000 + 9600] = 0.5
    outline = outline_of(levels_of(samples))
    loud = np.flatnonzero(np.array(outline.peak_dbfs) > -20) * outline.step_s
    assert loud.min() == pytest.approx(30.0, abs=2 * outline.step_s)
    assert loud.max() == pytest.approx(30.2, abs=2 * outline.step_s)

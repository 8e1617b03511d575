"""fairtake.sound.levels: the millisecond table and how it is cut and amplified."""

from __future__ import annotations

import numpy as np
import pytest

from fairtake.sound.levels import Piece, cut, row_starts, sample_of
from signals import levels_of, noise, table

RATES = [16_000, 22_050, 32_000, 44_100, 48_000, 96_000, 192_000]


@pytest.mark.parametrize("rate", RATES)
def test_rows_of_whole_seconds(rate):
    """Every whole second holds exactly 1,000 rows, and none is empty or two samples longer."""
    starts = row_starts(2 * rate, rate)
    assert len(starts) == 2000
    assert starts[1000] == rate
    assert np.ptp(np.diff(starts, append=2 * rate)) <= 1


@pytest.mark.parametrize("rate", RATES)
def test_rows_and_samples_agree(rate):
    """`sample_of` and `row_starts` tell the same tale."""
    np.testing.assert_array_equal(row_starts(rate, rate), [sample_of(i, rate) for i in range(1000)])


def test_rest_is_a_row():
    """Samples behind the last whole row make one row more, not none and not two."""
    assert len(row_starts(48, 48_000)) == 1
    assert len(row_starts(49, 48_000)) == 2
    assert len(row_starts(0, 48_000)) == 0


def test_gain_is_heard_in_every_column():
    """A table with a gain is the table of the amplified samples. By algebra."""
    x = noise(1, -30.0)
    amplified, expected = levels_of(x).with_gain(6.0), levels_of(x * 10 ** (6 / 20))
    for name in ("peak", "energy", "power", "k_power"):
        np.testing.assert_allclose(getattr(amplified, name), getattr(expected, name), rtol=1e-4)
    np.testing.assert_allclose(amplified.peak_dbfs, expected.peak_dbfs, atol=1e-3)


def test_gain_of_one_row():
    """A gain curve acts on its own row alone."""
    changed = table([-20.0] * 3).with_gain(np.array([0, -6, 0], np.float32))
    assert changed.peak == pytest.approx([0.1, 0.1 * 10 ** (-6 / 20), 0.1])


def test_cut():
    """Pieces stand one after another; silence is zeros; no pieces are no rows."""
    rows = np.arange(10, dtype=np.float32)
    pieces = [Piece(7, 9, tone=True), Piece(None, 2, tone=True), Piece(0, 3)]
    np.testing.assert_array_equal(cut(rows, pieces), [7, 8, 0, 0, 0, 1, 2])
    assert len(cut(rows, [])) == 0
    assert sum(p.rows for p in pieces) == 7

"""fairtake.sound.integers against the theory of triangular dither."""

from __future__ import annotations

import numpy as np
import pytest

from fairtake.sound.integers import Quantiser
from signals import rms_dbfs, tone


def test_silence_codes():
    """Dithered silence is -1, 0, +1 with 1/8, 3/4, 1/8. Theory of TPDF dither, by algebra."""
    codes = Quantiser(16, seed=1)(np.zeros((400_000, 1)))
    shares = [np.mean(codes == code) for code in (-1, 0, 1)]
    assert shares == pytest.approx([0.125, 0.75, 0.125], abs=0.003)
    assert np.abs(codes).max() == 1


@pytest.mark.parametrize(("bits", "dbfs"), [(16, -96.33), (24, -144.49)])
def test_noise_of_silence(bits, dbfs):
    """Dither and rounding leave a quarter step squared. Wannamaker, Lipshitz, Vanderkooy."""
    codes = Quantiser(bits, seed=2)(np.zeros((400_000, 1)))
    assert rms_dbfs(codes / 2.0 ** (bits - 1)) == pytest.approx(dbfs, abs=0.05)


@pytest.mark.parametrize("level", [0.0, 0.25, 0.5, 0.75])
def test_error_is_free_of_the_signal(level):
    """Between two steps, mean and noise of the error stay as they are: no DC, no modulation."""
    codes = Quantiser(16, seed=3)(np.full((400_000, 1), level / 2**15))
    error = codes - level
    assert error.mean() == pytest.approx(0.0, abs=0.004)
    assert np.mean(error**2) == pytest.approx(0.25, abs=0.004)


def test_same_seed_same_codes():
    """The same take gives the same bytes; another seed does not, nor does another block."""
    block = tone(0.1, -20.0)[:, None]
    one, same, other = Quantiser(16, 5), Quantiser(16, 5), Quantiser(16, 6)
    first = one(block)
    np.testing.assert_array_equal(first, same(block))
    assert (first != other(block)).any()
    assert (first != one(block)).any()


@pytest.mark.parametrize(("bits", "dtype"), [(16, np.int16), (24, np.int32)])
def test_full_scale_is_clipped(bits, dtype):
    """Nothing wraps round at full scale, and the integer type holds the bits."""
    codes = Quantiser(bits, seed=7)(np.array([[1.5], [1.0], [-1.0], [-1.5]]).repeat(50, axis=0))
    top = 2 ** (bits - 1)
    assert codes.dtype == dtype
    assert codes.max() == top - 1
    assert codes.min() == -top
    assert np.all(codes[:100] > top - 3)
    assert np.all(codes[100:] < -top + 3)

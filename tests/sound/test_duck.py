"""fairtake.sound.duck and fairtake.sound.fade: how a bed goes under a voice, and how sounds come and go."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fairtake.sound.duck import duck_gain_db
from fairtake.sound.fade import fade_factors
from fairtake.sound.runs import runs


def spoken(rows: int, *spans: tuple[int, int]) -> np.ndarray:
    mask = np.zeros(rows, bool)
    for start, stop in spans:
        mask[start:stop] = True
    return mask


def test_down_before_the_first_syllable_and_back_behind_the_last():
    """Asked: 12 dB, 0.4 s down, 1.2 s back. By algebra: all of it down at the first syllable, nothing
    0.4 s before; half of it back 0.6 s behind the last and all of it after 1.2 s."""
    gain = duck_gain_db(spoken(10_000, (3000, 5000)), 12.0, 0.4, 1.2, 0.0)
    assert gain[3000:5000].max() == pytest.approx(-12.0, abs=0.01)
    assert gain[3000 - 401] == 0 and gain[3000 - 200] == pytest.approx(-6.0, abs=0.2)
    assert gain[5600] == pytest.approx(-6.0, abs=0.1)
    assert gain[6201] == pytest.approx(0.0, abs=0.01)


def test_no_flutter_between_words():
    """A pause no longer than the hold is passed over; a longer one lets the bed come up."""
    words = spoken(12_000, (2000, 3000), (4400, 5000), (9000, 9500))
    gain = duck_gain_db(words, 12.0, 0.2, 0.5, 1.5)
    assert gain[2000:5000].max() == pytest.approx(-12.0, abs=0.01)
    assert gain[7000] == 0.0
    flutters = duck_gain_db(words, 12.0, 0.2, 0.5, 1.0)
    assert flutters[3000:4400].max() > -6.0


def test_the_hold_holds_nothing_up_behind_the_last_word():
    """Behind the last word the bed comes back at once, at its own pace."""
    gain = duck_gain_db(spoken(9000, (2000, 3000)), 12.0, 0.2, 1.0, 1.5)
    assert gain[4001] == pytest.approx(0.0, abs=0.01)


@given(st.lists(st.tuples(st.integers(0, 4000), st.integers(1, 800)), max_size=6),
       st.floats(0, 40), st.floats(0.01, 2), st.floats(0.01, 3), st.floats(0, 2))  # fmt: skip
def test_always_down_while_somebody_speaks(spans, duck_db, fall_s, rise_s, hold_s):
    """Whatever is asked: as far down as asked in every spoken row, never further, never up."""
    mask = spoken(5000, *((start, start + length) for start, length in spans))
    gain = duck_gain_db(mask, duck_db, fall_s, rise_s, hold_s)
    assert len(gain) == len(mask)
    np.testing.assert_allclose(gain[mask], -duck_db, atol=0.01)
    assert gain.min() >= -duck_db - 0.01 and gain.max() <= 0.0
    assert len(runs(gain < -0.01)[0]) <= max(len(runs(mask)[0]), 0)


def test_nobody_speaks():
    """Nobody speaks, and the bed stays where it is."""
    assert not duck_gain_db(spoken(100), 12.0, 0.4, 1.2, 1.5).any()


@pytest.mark.parametrize("shape", ["smooth", "straight"])
def test_fades_have_their_shape(shape):
    """Half way through the factor is a half in both shapes; a quarter through it is (1 - cos 45°)/2 in
    the smooth one and a quarter in the straight one. By algebra."""
    factors = fade_factors(10_000, 2000, 4000, shape)
    assert factors[0] == 0 and factors[1000] == pytest.approx(0.5)
    quarter = 0.25 if shape == "straight" else 0.5 - 0.5 * np.cos(np.pi / 4)
    assert factors[500] == pytest.approx(quarter)
    assert (factors[2000:6000] == 1).all()
    assert factors[-1001] == pytest.approx(quarter, abs=1e-3)


def test_fades_longer_than_the_sound_share_it():
    """What is too short for its fades rises and falls all the same, and never jumps."""
    factors = fade_factors(300, 2000, 1000, "smooth")
    assert len(factors) == 300 and factors[0] == 0 and factors.argmax() == pytest.approx(200, abs=2)
    assert np.abs(np.diff(factors)).max() < 0.02

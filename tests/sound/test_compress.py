"""fairtake.sound.stages.compress: loud and quiet nearer to each other."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fairtake.sound.stages.compress import (
    CompressSettings,
    compress,
    compressor_gain_db,
    reduction_db,
)
from signals import levels_of, speech_like, table, tone

#: Threshold -20, ratio 4, knee 10: Giannoulis et al., JAES 60(6), 2012, eq. 4.
PUBLISHED = [
    (-30, -30), (-25, -25), (-22.5, -22.7344), (-20, -20.9375), (-17.5, -19.6094), (-15, -18.75),
    (-10, -17.5), (0, -15),
]  # fmt: skip


@pytest.mark.parametrize(("level_db", "out_db"), PUBLISHED)
def test_curve(level_db, out_db):
    """The published static curve, within 0.01 dB. Giannoulis et al., 2012, eq. 4."""
    assert level_db + compressor_gain_db(level_db, -20, 4, 10) == pytest.approx(out_db, abs=0.01)


@pytest.mark.parametrize(("level_db", "out_db"), PUBLISHED)
def test_steady_sine(level_db, out_db):
    """A steady sine comes out where the curve has it: its RMS is what is read. Same source."""
    level = levels_of(tone(2, level_db + 3.0103)).power
    settings = CompressSettings(ratio=4, knee_db=10)
    amount = reduction_db(10 * np.log10(level), -20, settings)[-1]
    assert level_db - amount == pytest.approx(out_db, abs=0.01)


@pytest.mark.parametrize("ratio", [1, 2, 20])
@pytest.mark.parametrize("knee_db", [0, 5, 30])
def test_curve_by_algebra(ratio, knee_db):
    """Nothing below the knee, slope 1/ratio above, (1-1/R)·W/8 at the threshold, monotone."""
    level = np.linspace(-80, 20, 10_001)
    gains = compressor_gain_db(level, -20, ratio, knee_db)
    assert not gains[level < -20 - knee_db / 2 - 0.01].any()
    above = gains[level > -20 + knee_db / 2 + 0.02]
    np.testing.assert_allclose(np.diff(above), (1 / ratio - 1) * 0.01, atol=1e-9)
    at = compressor_gain_db(-20, -20, ratio, knee_db)
    assert at == pytest.approx(-(1 - 1 / ratio) * knee_db / 8, abs=1e-9)
    assert np.all(np.diff(level + gains) > 0)


@pytest.mark.parametrize(
    ("before", "after", "ms"), [(-60.0, -10.0, 8), (-60.0, -10.0, 40), (-10.0, -60.0, 150)]
)
def test_time_constants(before, after, ms):
    """Attack and release follow a step to 63.2 % after their time. Giannoulis et al., 2012."""
    level = np.repeat([before, after], [3000, 3000]).astype(np.float32)
    rising = after > before
    settings = CompressSettings(
        ratio=2, knee_db=0, attack_ms=ms if rising else 1, release_ms=5 if rising else ms
    )
    amount = reduction_db(level, -20, settings)
    top = 5.0  # 10 dB over the threshold at 2:1
    expected = top * (1 - 1 / math.e) if rising else top / math.e
    # The release passes the attack's filter of 1 ms as well.
    assert amount[2999 + ms] == pytest.approx(expected, rel=0.001 if rising else 0.01)


@given(
    level_db=st.floats(-40, 15),
    reduction_db=st.sampled_from([0.5, 3.0, 10.0]),
    ratio=st.sampled_from([2.0, 4.0, 20.0]),
    seed=st.integers(0, 999),
)
@settings(max_examples=20, deadline=None, derandomize=True)
def test_greatest_reduction_is_the_one_asked_for(level_db, reduction_db, ratio, seed):
    """4:1 with about 3 dB, or any other, whatever the level recorded. Common practice, no source."""
    levels = speech_like(2, -65.0, seed=seed, rate=16_000).levels.with_gain(level_db)
    work = compress(levels, CompressSettings(reduction_db=reduction_db, ratio=ratio))
    assert -work.gain_db.min() == pytest.approx(reduction_db, abs=0.021)
    assert work.gain_db.max() <= 0
    assert work.note["greatest_db"] == pytest.approx(reduction_db, abs=0.03)


def test_level_moves_the_threshold_alone():
    """The same take 20 dB louder gets the same gain curve and a threshold 20 dB higher."""
    levels = speech_like(2, -65.0).levels
    one, other = (compress(levels.with_gain(db), CompressSettings()) for db in (0, 20))
    np.testing.assert_allclose(one.gain_db, other.gain_db, atol=0.05)
    moved = other.note["threshold_dbfs"] - one.note["threshold_dbfs"]
    assert moved == pytest.approx(20, abs=0.1)


def test_sections_come_nearer():
    """A loud and a quiet section differ by less afterwards, the quiet one being left alone."""
    levels = table(np.repeat([-30.0, -18.0], 5000))
    gain_db = compress(levels, CompressSettings(reduction_db=6, knee_db=0)).gain_db
    assert gain_db[2000] == pytest.approx(0, abs=0.01)
    assert gain_db[9000] == pytest.approx(-6, abs=0.03)


def test_acts_where_the_level_is():
    """The 10 ms level is centred: a step is met where it happens, neither early nor late."""
    levels = table(np.repeat([-60.0, -10.0], 2000))
    gain_db = compress(levels, CompressSettings(knee_db=0, attack_ms=1)).gain_db
    assert np.argmax(gain_db < -0.05) == pytest.approx(1999, abs=1)


@pytest.mark.parametrize("settings", [CompressSettings(reduction_db=0), CompressSettings(ratio=1)])
def test_nothing_asked_nothing_done(settings):
    """No reduction, or a ratio of 1, leaves every row as it is."""
    assert not compress(speech_like(2, -65.0).levels, settings).gain_db.any()


@pytest.mark.parametrize("rows", [1, 9, 10, 500])
def test_silence_and_scraps(rows):
    """Silence and a few rows are no trouble."""
    assert not compress(table([-200.0] * rows), CompressSettings()).gain_db.any()
    assert len(compress(table([-20.0] * rows), CompressSettings()).gain_db) == rows

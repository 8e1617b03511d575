"""fairtake.sound.stages.limit, as a curve and on the samples themselves."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from fairtake.sound.render import Limiter, under_gain
from fairtake.sound.stages.limit import (
    HOLD_AFTER_ROWS,
    HOLD_BEFORE_ROWS,
    WIDE_ROWS,
    LimitSettings,
    Pauses,
    aim_dbtp,
    limit,
    limiter_db,
)
from signals import (
    ArraySource,
    ebu_true_peak,
    faded,
    heard,
    libebur128_true_peak_dbtp,
    noise,
    reference_true_peak_dbtp,
    speech_like,
    stereo,
    table,
    tone,
)

CEILING_DBTP = -1.0
SETTINGS = LimitSettings(ceiling_dbtp=CEILING_DBTP)


def limited(samples: np.ndarray, rate: int = 48_000, settings: LimitSettings = SETTINGS):
    """The samples behind the limiter, and its reduction a row."""
    source = ArraySource(samples, rate)
    limiter = Limiter(settings, rate, source.channels)
    return np.concatenate(list(limiter.limited(source.blocks()))), limiter.reduction_db


# --- the curve ----------------------------------------------------------------------------------


@given(
    arrays(np.float32, st.integers(1, 200), elements=st.floats(-60, 24, width=32)),
    st.integers(1, 20),
    st.integers(5, 200),
)
@settings(max_examples=80, deadline=None)
def test_curve_keeps_every_peak_down(over_db, look_ahead_ms, release_ms):
    """No row, and no corner beside it, is reduced by less than it stands over the ceiling."""
    asked = LimitSettings(look_ahead_ms=look_ahead_ms, release_ms=release_ms)
    amount = limiter_db(over_db, asked)
    needed = np.maximum(over_db, 0)
    assert np.all(amount >= needed - 1e-3)
    assert np.all(amount[1:] >= needed[:-1] - 1e-3)
    assert amount.max() <= needed.max() + 1e-3


def test_curve_in_time():
    """It begins with its look-ahead, is whole at the peak, and lets go to 36.8 % in its release."""
    over = np.full(1000, -10.0, np.float32)
    over[500] = 6.0
    amount = limiter_db(over, LimitSettings(look_ahead_ms=4, release_ms=80, fast_db=40))
    assert not amount[: 500 - 4 - 3].any()
    assert amount[500] == pytest.approx(6.0, abs=1e-3)
    assert amount[501 + 80 + 2] == pytest.approx(6.0 / np.e, rel=0.03)
    assert np.abs(np.diff(amount)).max() < 6.0 / 2


@pytest.mark.parametrize("slow_ms", [300, 1000])
def test_more_than_fast_is_slow(slow_ms: int):
    """What a peak needs beyond `fast_db` is taken from its surroundings alike. By algebra."""
    over = np.full(5000, -10.0, np.float32)
    over[2500] = 6.0
    amount = limiter_db(over, LimitSettings(fast_db=4, slow_ms=slow_ms))
    assert amount[2500] == pytest.approx(6.0, abs=1e-3)
    assert amount[2500 - slow_ms // 2] == pytest.approx(2.0, abs=1e-3)
    assert not amount[: 2500 - 2 * slow_ms].any()
    assert np.abs(np.diff(amount[: 2500 - 50])).max() < 20 / slow_ms


def test_where_an_edge_was_pushed_little_is_taken_fast_and_the_rest_from_its_word():
    """In a spared place 2 dB are taken fast, whatever the settings say, and the rest over 0.6 s at least."""
    over = np.full(5000, -10.0, np.float32)
    over[2500] = 6.0
    spared = np.zeros(5000, np.float32)
    spared[2400:2600] = 1.0
    settings = LimitSettings(fast_db=5, slow_ms=300)
    plain, amount = limiter_db(over, settings), limiter_db(over, settings, spared)
    assert amount[2500] == plain[2500] == pytest.approx(6.0, abs=1e-3)
    assert amount[2500 - WIDE_ROWS // 2] == pytest.approx(4.0, abs=1e-3)
    assert plain[2500 - WIDE_ROWS // 2] < 0.6


def test_pauses_follow_the_speech():
    """A pause beside speech that is limited by 6 dB falls by 6 dB; words and their ends do not move."""
    spoken = np.zeros(6000, bool)
    spoken[500:2500] = spoken[4000:5500] = True
    amount = Pauses(spoken).lowered_db(np.where(spoken, 6, 0).astype(np.float32))
    np.testing.assert_allclose(amount[3000:3800], 6.0, atol=1e-3)
    assert not amount[500 : 2500 + HOLD_AFTER_ROWS].any()
    assert not amount[4000 - HOLD_BEFORE_ROWS : 5500].any()
    assert np.abs(np.diff(amount)).max() < 0.5


def test_pauses_stay_where_nothing_is_limited():
    """Nothing limited, or nobody speaking: nothing is lowered; what a pause lost itself counts."""
    spoken = np.zeros(4000, bool)
    nothing = np.zeros(4000, np.float32)
    assert not Pauses(spoken).lowered_db(nothing + 3).any()
    spoken[1000:2000] = True
    assert not Pauses(spoken).lowered_db(nothing).any()
    assert not Pauses(spoken).lowered_db(nothing + 3).any()  # all lowered alike: nothing was lifted


def test_nothing_over_nothing_done():
    """A take under the ceiling is not touched."""
    work = limit(table([-20.0] * 500), SETTINGS)
    assert not work.gain_db.any()
    assert work.note == {
        "greatest_db": 0.0, "greatest_at_s": 0.0, "mean_db": 0.0, "working_share": 0.0,
    }  # fmt: skip


def test_stage_brings_peaks_to_its_aim():
    """The stage on a table: the peaks it leaves stand at the aim. By algebra."""
    levels = table([-20.0] * 500 + [4.0] + [-20.0] * 500)
    after = levels.with_gain(limit(levels, SETTINGS).gain_db)
    assert 20 * np.log10(after.peak.max()) == pytest.approx(aim_dbtp(SETTINGS), abs=0.01)


# --- on samples ---------------------------------------------------------------------------------


@pytest.mark.parametrize("case", range(15, 24))
@pytest.mark.parametrize("ceiling_dbtp", [-1.0, -3.0])
def test_published_tones_6_db_louder(case, ceiling_dbtp):
    """EBU Tech 3341, cases 15 to 23, 6 dB up: under the ceiling by two measures not ours."""
    samples = stereo(ebu_true_peak(case)[0]) * 10 ** (6 / 20)
    out, _ = limited(samples, settings=LimitSettings(ceiling_dbtp=ceiling_dbtp))
    assert reference_true_peak_dbtp(out) <= ceiling_dbtp
    assert libebur128_true_peak_dbtp(out) <= ceiling_dbtp


@pytest.mark.parametrize("rate", [44_100, 48_000])
@pytest.mark.parametrize("seed", range(3))
def test_loud_speech(rate, seed):
    """Speech 12 dB too loud comes out under the ceiling by two measures not ours."""
    samples = speech_like(2, -60.0, -8.0, seed=seed, rate=rate).samples * 2
    out, reduction_db = limited(samples, rate)
    assert reduction_db.max() > 6
    assert reference_true_peak_dbtp(out) <= CEILING_DBTP
    assert libebur128_true_peak_dbtp(out, rate) <= CEILING_DBTP


@pytest.mark.parametrize("hz", [5_000, 8_000, 15_000, 20_000])
def test_high_tones(hz):
    """High tones, where samples miss the peaks, are held to the ceiling too."""
    out, _ = limited(faded(tone(1, 6.0, hz, 44_100), 44_100), 44_100)
    assert reference_true_peak_dbtp(out) <= CEILING_DBTP


@pytest.mark.parametrize("seed", range(4))
def test_noise_by_the_standard(seed):
    """White noise far too loud is held to the ceiling by the standard's own measure and another."""
    out, _ = limited(noise(1, -3.0, seed))
    assert 20 * np.log10(heard(out).true_peak) <= aim_dbtp(SETTINGS) + 0.01
    assert libebur128_true_peak_dbtp(out) <= CEILING_DBTP


@pytest.mark.parametrize("end", range(4))
def test_take_that_ends_loud(end):
    """A peak between the last sample and the silence behind it is seen. By our meter's flush."""
    n = np.arange(47_990 + end)
    out, _ = limited(1.41 * np.sin(np.pi / 2 * n + np.pi / 4))
    assert 20 * np.log10(heard(out).true_peak) <= aim_dbtp(SETTINGS) + 0.01


@pytest.mark.parametrize("at", [95_999, 96_000, 96_001, 95_990, 96_040])
def test_peak_at_a_block_join(at):
    """Blocks leave no seam: a peak beside a join is held, and the curve is that of the whole."""
    samples = 0.3 * tone(4, 0.0)
    samples[at : at + 2] = [2.0, -2.0]
    out, reduction_db = limited(samples)
    assert 20 * np.log10(heard(out).true_peak) <= aim_dbtp(SETTINGS) + 0.01
    assert reduction_db.argmax() == pytest.approx(at / 48, abs=3)
    assert np.abs(np.diff(reduction_db)).max() < reduction_db.max() / 2


def test_curve_does_not_jump_at_block_joins():
    """Under steady limiting the release runs on through every join."""
    samples = np.resize(noise(0.3, -30.0) + (np.arange(14_400) == 7000) * 1.5, 6 * 48_000)
    _, reduction_db = limited(samples)
    per_period = reduction_db[600:5400].reshape(-1, 300)
    np.testing.assert_allclose(per_period, per_period[:1].repeat(16, 0), atol=0.01)


@pytest.mark.parametrize("blocks", [8, 9, 17.3])
def test_a_long_take_has_the_curve_of_the_whole(blocks):
    """However many blocks are looked at together, and at each begin of others. By the curve itself."""
    rng = np.random.default_rng(5)
    samples = noise(2 * blocks, -30.0)
    # At a take's ends the whole goes on as it is, where the stream knows silence.
    places = rng.integers(3 * 48_000, len(samples) - 3 * 48_000, 60)
    samples[places] = rng.uniform(0.8, 2.0, 60)
    source = ArraySource(samples, 48_000)
    limiter = Limiter(SETTINGS, 48_000, 1)
    out = np.concatenate(list(limiter.limited(source.blocks())))
    whole = limiter_db(limiter.peak_dbtp - np.float32(aim_dbtp(SETTINGS)), SETTINGS)
    np.testing.assert_allclose(limiter.reduction_db, whole, atol=1e-3)
    np.testing.assert_allclose(out, under_gain(source.samples, -whole, 48_000), atol=1e-4)


@pytest.mark.parametrize("seconds", [2.3, 16.1, 16.6])
def test_a_take_that_ends_in_a_loud_short_block(seconds):
    """The curve does not step where the last block begins, however short that is. By its own slope."""
    samples = noise(seconds, -30.0)
    samples[-400:] = np.resize([1.8, -1.8], 400)
    _, reduction_db = limited(samples)
    join = int(seconds) // 2 * 2000
    assert reduction_db.max() > 4
    assert np.abs(np.diff(reduction_db[join - 300 : join + 5])).max() < 0.1


def test_below_the_ceiling_nothing_changes():
    """A take under the ceiling comes out with the very samples it went in with."""
    samples = stereo(faded(tone(5, -1.6)))
    out, reduction_db = limited(samples)
    np.testing.assert_array_equal(out, samples)
    assert not reduction_db.any()
    assert len(reduction_db) == 5000


def test_before_and_after_a_peak_nothing_changes():
    """One peak changes its own surroundings and nothing a second away, to the last bit or two."""
    samples = noise(4, -30.0)
    samples[96_100] = 1.4
    out, _ = limited(samples)
    away = np.abs(np.arange(4 * 48_000) - 96_100) > 1.6 * 48_000
    np.testing.assert_allclose(out[away, 0], samples[away], rtol=1e-14)
    assert abs(out[96_100, 0]) < 1.0


def test_sides_keep_their_ratio():
    """Both sides of a stereo take get the same gain: the image does not move. By algebra."""
    left = tone(1, 3.0)
    out, _ = limited(np.stack([left, 0.25 * left], axis=1))
    np.testing.assert_allclose(out[:, 1], 0.25 * out[:, 0], rtol=1e-12, atol=1e-15)

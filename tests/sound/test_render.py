"""fairtake.sound.render: a plan into finished samples."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import signal

from fairtake.profile import Profile
from fairtake.sound.levels import Piece
from fairtake.sound.plan import Plan, make_plan
from fairtake.sound.render import Rendering, toned, turned_down, under_gain
from fairtake.sound.room_tone import room_tone
from fairtake.sound.stage import BandGain
from fairtake.sound.stages.limit import LimitSettings
from signals import ArraySource, noise, speech_like, stereo, tone


def plan_of(rows: int, gain_db: np.ndarray | float = 0.0, pieces=None) -> Plan:
    """A plan written by hand."""
    curve = np.broadcast_to(np.asarray(gain_db, np.float32), rows)
    kept = pieces or (Piece(0, rows),)
    return Plan((), (), kept, (), curve, LimitSettings(), 0.0, 0.0, {}, np.ones(rows, bool))


def rendered(source: ArraySource, plan: Plan, rate: int = 48_000) -> np.ndarray:
    rendering = Rendering(source, plan, rate)
    out = np.concatenate(list(rendering))
    assert len(out) == rendering.frames
    assert len(rendering.limited_db) == -(-len(out) * 1000 // rate)
    return out


@pytest.mark.parametrize("rate", [44_100, 48_000])
@pytest.mark.parametrize("seconds", [0.5, 2.0, 5.003, 4.00001])
def test_identity(rate, seconds):
    """No cut, no gain, no peak: the samples come out as they went in, both sides."""
    source = ArraySource(stereo(noise(seconds, -30.0, rate=rate)), rate)
    rows = -(-source.frames * 1000 // rate)
    np.testing.assert_array_equal(rendered(source, plan_of(rows), rate), source.samples)


@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_gain_is_straight(rate):
    """Between two rows the gain is a straight line, through every block join. By algebra."""
    rng = np.random.default_rng(1)
    curve = rng.uniform(-20, 0, 4300)
    out = rendered(ArraySource(np.full(43 * rate // 10, 0.5), rate), plan_of(4300, curve), rate)
    place = np.arange(len(out)) * 1000 / rate
    factors = 10 ** (curve.astype(np.float32).astype(float) / 20)
    expected = 0.5 * np.interp(place, np.arange(4300), factors)
    np.testing.assert_allclose(out[:, 0], expected, rtol=1e-9)


def test_gain_beyond_its_rows():
    """Behind the last row the last gain holds on."""
    line = under_gain(np.ones((480, 1)), np.array([-6.0, -12.0], np.float32), 48_000)
    assert line[0] == pytest.approx(10 ** (-6 / 20))
    assert line[48:] == pytest.approx(10 ** (-12 / 20))


@pytest.mark.parametrize(
    ("source_rate", "rate"),
    [(16_000, 44_100), (44_100, 48_000), (48_000, 44_100), (96_000, 48_000), (192_000, 44_100)],
)
@pytest.mark.parametrize("seconds", [0.5, 4.0, 3.21])
def test_resampled(source_rate, rate, seconds):
    """Another rate has the exact length, no delay, and the same tone within -80 dB of it."""
    source = ArraySource(tone(seconds, -20.0, 997, source_rate), source_rate)
    out = rendered(source, plan_of(round(seconds * 1000)), rate)
    assert len(out) == round(source.frames * rate / source_rate)
    expected = tone(seconds, -20.0, 997, rate)[: len(out)]
    middle = slice(rate // 20, -rate // 20)
    np.testing.assert_allclose(out[middle, 0], expected[middle], atol=0.1 * 1e-4)


def test_longer_than_its_rows():
    """Many pieces, each rounded to samples, may outlast the plan's rows by a few samples."""
    source = ArraySource(noise(4, -40.0, rate=44_100), 44_100)
    pieces = (*[Piece(11, 136, tone=True)] * 8, Piece(0, 3000))
    out = rendered(source, plan_of(4000, -6.0, pieces), 44_100)
    assert len(out) > 4 * 44_100
    assert np.abs(out[-3:]).max() > 0


def test_length_is_known_before():
    """What a rendering says of its length holds for a whole chain and another rate."""
    take = speech_like(2, -60.0, rate=44_100, head_s=0.1, tail_s=0.2)
    out = rendered(take.source, make_plan(take.levels, Profile()), 48_000)
    assert len(out) > len(take.samples)


def test_twice_the_same():
    """The same take and plan give the same samples."""
    take = speech_like(2, -60.0)
    plan = make_plan(take.levels, Profile())
    np.testing.assert_array_equal(rendered(take.source, plan), rendered(take.source, plan))


def test_gate_is_heard():
    """The gain curve acts where it should: pauses come out lower by it, speech does not."""
    take = speech_like(2, -60.0)
    gain_db = np.where(take.rows(guard=-200), 0.0, -12.0)
    out = rendered(take.source, plan_of(len(gain_db), gain_db))
    np.testing.assert_allclose(out[:48_000, 0], take.samples[:48_000] * 10 ** (-12 / 20), rtol=1e-6)
    start, stop = (round(edge * 48_000) for edge in take.spans_s[0])
    np.testing.assert_allclose(out[start:stop, 0], take.samples[start:stop], rtol=1e-12)


def banded(source: ArraySource, band: BandGain, rate: int = 48_000) -> np.ndarray:
    """What `turned_down` makes of a whole source."""
    return np.concatenate(list(turned_down(source.blocks(), band, rate)))


@pytest.mark.parametrize("rate", [44_100, 48_000])
@pytest.mark.parametrize(
    ("side", "corner", "hz", "passed"),
    [
        ("low", 120.0, 30.0, 1 / (1 + (30 / 120) ** 4)),
        ("low", 120.0, 120.0, 1 / 2),
        ("low", 120.0, 480.0, 1 / (1 + 4**4)),
        ("high", 4500.0, 1125.0, 1 / (1 + 4**4)),
    ],
)
def test_band_is_turned_down(rate, side, corner, hz, passed):
    """1 - (1 - g)·|H|², without delay: a 2nd-order Butterworth run both ways. By algebra."""
    source = ArraySource(tone(5.0, -20.0, hz, rate), rate)
    band = BandGain(side, corner, np.full(5000, -12.0, np.float32))
    out = banded(source, band, rate)
    factor = 1 - (1 - 10 ** (-12 / 20)) * passed
    steady = slice(rate // 2, -rate // 2)
    np.testing.assert_allclose(out[steady], factor * source.samples[steady], atol=0.1 * 2e-3)


def test_band_is_left_alone_where_its_curve_is_zero():
    """Not one bit changes outside the curve, across the joins of blocks."""
    source = ArraySource(stereo(noise(7.0, -20.0)))
    curve = np.zeros(7000, np.float32)
    curve[3990:4010] = -12.0
    out = banded(source, BandGain("low", 120.0, curve))
    np.testing.assert_array_equal(out[: 3989 * 48], source.samples[: 3989 * 48])
    np.testing.assert_array_equal(out[4011 * 48 :], source.samples[4011 * 48 :])
    assert not np.array_equal(out[3995 * 48 : 4005 * 48], source.samples[3995 * 48 : 4005 * 48])


def test_band_does_not_hear_block_borders():
    """A band that is down through several blocks is what it is over the whole take at once."""
    source = ArraySource(noise(5.0, -20.0))
    curve = np.full(5000, -12.0, np.float32)
    sections = signal.butter(2, 120, "lowpass", fs=48_000, output="sos")
    low = signal.sosfiltfilt(sections, source.samples, axis=0)
    expected = source.samples + low * (10 ** (-12 / 20) - 1)
    out = banded(source, BandGain("low", 120.0, curve))
    np.testing.assert_allclose(out[4800:-4800], expected[4800:-4800], atol=1e-6)


def test_bands_of_a_plan_are_heard():
    """A plan's band is turned down in what is rendered, by 1 - (1 - g)·|H|². By algebra."""
    source = ArraySource(tone(4.0, -20.0, 30.0) + tone(4.0, -20.0, 2000.0))
    band = BandGain("low", 120.0, np.full(4000, -20.0, np.float32))
    out = rendered(source, replace(plan_of(4000), bands=(band,)))
    spectrum = np.abs(np.fft.rfft(out[48_000:144_000, 0])) / 48_000
    low_db = 20 * np.log10(1 - 0.9 / (1 + (30 / 120) ** 4))
    assert 20 * np.log10(spectrum[60]) == pytest.approx(-20 + low_db, abs=0.02)
    assert 20 * np.log10(spectrum[4000]) == pytest.approx(-20, abs=0.01)


@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_tone_is_added_at_its_level(rate):
    """The loop itself at the curve's level, through block borders and to the last sample. By algebra."""
    source = ArraySource(stereo(noise(5.003, -30.0, rate=rate)), rate)
    out = np.concatenate(list(toned(source.blocks(), np.full(5003, -40.0, np.float32), rate)))
    expected = source.samples + 0.01 * room_tone(0, source.frames, rate)[:, None]
    np.testing.assert_allclose(out, expected, atol=1e-9)


def test_no_bit_changes_where_there_is_no_tone():
    """Blocks without tone pass untouched; in a block with some, tone far down is none."""
    source = ArraySource(noise(7.0, -30.0))
    curve = np.full(7000, -280.0, np.float32)
    curve[2100:2200] = -60.0
    out = np.concatenate(list(toned(source.blocks(), curve, 48_000)))
    np.testing.assert_array_equal(out[: 2 * 48_000], source.samples[: 2 * 48_000])
    np.testing.assert_array_equal(out[4 * 48_000 :], source.samples[4 * 48_000 :])
    beside = slice(2202 * 48, 4 * 48_000)
    np.testing.assert_allclose(out[beside], source.samples[beside], rtol=0, atol=1e-9)
    assert not np.array_equal(out[2100 * 48 : 2200 * 48], source.samples[2100 * 48 : 2200 * 48])


def test_tone_of_a_plan_is_heard():
    """A plan's tone lies behind its gain: in zeros there is the tone alone. By algebra."""
    plan = replace(plan_of(3000, -12.0), tone_db=np.full(3000, -60.0, np.float32))
    out = rendered(ArraySource(np.zeros(144_000)), plan)
    np.testing.assert_allclose(out[:, 0], 1e-3 * room_tone(0, 144_000, 48_000), atol=1e-9)

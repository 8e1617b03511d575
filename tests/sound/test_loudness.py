"""fairtake.sound.loudness against EBU Tech 3341, ITU-R BS.1770-5 and libebur128."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fairtake.sound.loudness import (
    integrated_lufs,
    k_weighting,
    lufs,
    max_momentary_lufs,
    max_short_term_lufs,
    window_powers,
)
from signals import (
    EBU_INTEGRATED,
    EBU_MOMENTARY_12,
    EBU_SHORT_TERM_9,
    ebu_momentary_13,
    ebu_momentary_14,
    ebu_short_term_10,
    ebu_short_term_11,
    levels_of,
    libebur128_lufs,
    noise,
    stereo,
    table,
    tone,
    tones,
)

EBU_TOLERANCE_LU = 0.1  # EBU Tech 3341, table 1


def lufs_of(samples: np.ndarray, rate: int = 48_000) -> float | None:
    return integrated_lufs(levels_of(samples, rate).k_power)


@pytest.mark.parametrize("case", EBU_INTEGRATED)
def test_integrated(case):
    """Integrated loudness with both gates. EBU Tech 3341, cases 1, 3, 4, 5."""
    found = lufs_of(stereo(tones(EBU_INTEGRATED[case])))
    assert found == pytest.approx(-23.0, abs=EBU_TOLERANCE_LU)


def test_integrated_quieter():
    """Loudness is linear in dB. EBU Tech 3341, case 2."""
    found = lufs_of(stereo(tone(20, -33.0)))
    assert found == pytest.approx(-33.0, abs=EBU_TOLERANCE_LU)


def test_steady_tone_in_all_windows():
    """Momentary, short-term and integrated agree on a steady tone. EBU Tech 3341, case 1."""
    k_power = levels_of(stereo(tone(20, -23.0))).k_power
    for measure in (integrated_lufs, max_momentary_lufs, max_short_term_lufs):
        assert measure(k_power) == pytest.approx(-23.0, abs=EBU_TOLERANCE_LU)


def test_short_term_constant():
    """Short-term loudness stands still on a rhythm of its own window. EBU Tech 3341, case 9."""
    k_power = levels_of(stereo(tones(EBU_SHORT_TERM_9))).k_power
    np.testing.assert_allclose(lufs(window_powers(k_power, 3.0, 0.1)), -23.0, atol=EBU_TOLERANCE_LU)


@pytest.mark.parametrize("i", range(20))
def test_greatest_short_term(i):
    """The greatest short-term loudness is found wherever it begins. EBU Tech 3341, case 10."""
    k_power = levels_of(stereo(ebu_short_term_10(i))).k_power
    assert max_short_term_lufs(k_power) == pytest.approx(-23.0, abs=EBU_TOLERANCE_LU)


def test_greatest_short_term_one_after_another():
    """Short-term loudness forgets what came before. EBU Tech 3341, case 11."""
    powers = window_powers(levels_of(stereo(ebu_short_term_11())).k_power, 3.0, 0.1)
    ends = 3.0 + 0.1 * np.arange(len(powers))
    for i in range(20):
        inside = (ends > 6 * i + 1e-6) & (ends <= 6 * (i + 1) + 1e-6)
        greatest = lufs(powers[inside].max())
        assert greatest == pytest.approx(-38.0 + i, abs=EBU_TOLERANCE_LU)


def test_momentary_constant():
    """Momentary loudness stands still on a rhythm of its own window. EBU Tech 3341, case 12."""
    k_power = levels_of(stereo(tones(EBU_MOMENTARY_12))).k_power
    after_1_s = lufs(window_powers(k_power, 0.4, 0.01))[60:]
    np.testing.assert_allclose(after_1_s, -23.0, atol=EBU_TOLERANCE_LU)


@pytest.mark.parametrize("i", range(20))
def test_greatest_momentary(i):
    """The greatest momentary loudness is found wherever it begins. EBU Tech 3341, case 13."""
    k_power = levels_of(stereo(ebu_momentary_13(i))).k_power
    assert max_momentary_lufs(k_power) == pytest.approx(-23.0, abs=EBU_TOLERANCE_LU)


def test_greatest_momentary_one_after_another():
    """Momentary loudness forgets what came before. EBU Tech 3341, case 14."""
    powers = window_powers(levels_of(stereo(ebu_momentary_14())).k_power, 0.4, 0.01)
    ends = 0.4 + 0.01 * np.arange(len(powers))
    for i in range(20):
        inside = (ends > 0.8 * i + 1e-6) & (ends <= 0.8 * (i + 1) + 1e-6)
        greatest = lufs(powers[inside].max())
        assert greatest == pytest.approx(-38.0 + i, abs=EBU_TOLERANCE_LU)


def test_calibration():
    """A full-scale 997 Hz sine in one channel reads -3.01 LKFS. ITU-R BS.1770-5, Annex 1."""
    assert lufs_of(tone(5, 0.0, 997)) == pytest.approx(-3.01, abs=0.01)
    assert lufs_of(stereo(tone(5, 0.0, 997))) == pytest.approx(0.0, abs=0.01)


def test_weighting_is_the_printed_table():
    """Both filters at 48 kHz are those printed. ITU-R BS.1770-5, Annex 1, tables 1 and 2."""
    printed = [
        [1.53512485958697, -2.69169618940638, 1.19839281085285, 1, -1.69065929318241, 0.73248077421585],
        [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621],
    ]  # fmt: skip
    np.testing.assert_allclose(k_weighting(48_000), printed, atol=1e-9)


@pytest.mark.parametrize(("dbfs", "expected"), [(-69.7, -69.7), (-70.3, None)])
def test_absolute_gate(dbfs, expected):
    """Nothing under -70 LUFS counts. ITU-R BS.1770-5, Annex 1; 997 Hz, stereo, by algebra."""
    found = lufs_of(stereo(tone(5, dbfs, 997)))
    assert found == (expected if expected is None else pytest.approx(expected, abs=0.02))


@pytest.mark.parametrize(("second", "expected"), [(-29.0, -22.495), (-33.5, -20.063)])
def test_relative_gate(second, expected):
    """What lies 10 LU under the mean is left out, and nothing else. By algebra, BS.1770-5 gates."""
    found = lufs_of(stereo(tones([(10, -20.0), (10, second)], 997)))
    assert found == pytest.approx(expected, abs=0.01)


def test_relative_gate_file():
    """Short bursts over the relative gate. ITU-R BS.2217-2, RelGateTest, ±0.1 LKFS."""
    parts = [(0.5, -90.31), (0.9, -19.9), (1.3, -7.1), (0.8, -19.9), (0.5, -90.31)]
    assert lufs_of(stereo(tones(parts))) == pytest.approx(-10.0, abs=0.1)


@given(
    rate=st.sampled_from([16_000, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 192_000]),
    channels=st.sampled_from([1, 2]),
    seed=st.integers(0, 999),
    seconds=st.sampled_from([0.4, 1.0, 2.37, 5.03]),
)
@settings(max_examples=16, deadline=None, derandomize=True)
def test_like_libebur128_on_noise(rate, channels, seed, seconds):
    """Noise of changing level reads as in libebur128 1.2.6, at every rate, within 0.02 LU."""
    rng = np.random.default_rng(seed)
    sides = [noise(seconds, rng.uniform(-40, -15), seed + c, rate) for c in range(channels)]
    x = np.stack(sides, axis=1)
    x *= np.linspace(0.3, 1.0, len(x))[:, None]
    assert lufs_of(x, rate) == pytest.approx(libebur128_lufs(x, rate), abs=0.02)


@pytest.mark.parametrize("hz", [60, 250, 997, 4000, 12_000])
def test_like_libebur128_on_tones(hz):
    """K-weighting is right all over the band: tones read as in libebur128 within 0.02 LU."""
    x = tone(3, -20.0, hz, 44_100)
    assert lufs_of(x, 44_100) == pytest.approx(libebur128_lufs(x, 44_100), abs=0.02)


def test_no_partial_block():
    """The rest that fills no block is left out. ITU-R BS.1770-5: 0.46 s of tone read as 0.4 s."""
    row = [-20.0] * 400
    assert integrated_lufs(table([*row, *[0.0] * 60]).k_power) == pytest.approx(-20.691, abs=0.001)
    assert integrated_lufs(table(row[:399]).k_power) is None


def test_short_or_silent():
    """What cannot be measured is None, never -inf."""
    silence = table([-200.0] * 5000).k_power
    for measure in (integrated_lufs, max_momentary_lufs, max_short_term_lufs):
        assert measure(silence * 0) is None
        assert measure(silence[:100]) is None
    assert max_short_term_lufs(table([-20.0] * 2999).k_power) is None

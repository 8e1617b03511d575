"""fairtake.sound.loops: the loops in numpy against algebra and scipy, and those in C against them."""

from __future__ import annotations

import importlib
import subprocess
import sys
from collections.abc import Iterator
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from fairtake.sound import loops
from fairtake.sound.filters import butterworth, notch
from fairtake.sound.levels import row_starts, widest_row
from fairtake.sound.loops import plain
from fairtake.sound.loudness import k_weighting
from fairtake.sound.phases import CLOSE, PRINTED
from signals import tone

WAYS = ["plain", *(["compiled"] if loops.COMPILED else [])]
RATES = st.sampled_from([8_000, 22_050, 44_100, 48_000, 192_000])
SEEDS = st.integers(0, 2**32 - 1)


@pytest.fixture(params=WAYS)
def way(request: pytest.FixtureRequest) -> ModuleType:
    """The loops in numpy, then those in C."""
    return importlib.import_module(f"fairtake.sound.loops.{request.param}")


def noise_of(seed: int, samples: int, channels: int) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal((samples, channels))


def in_two(block: np.ndarray, rate: int, seconds: int) -> list[tuple[np.ndarray, np.ndarray]]:
    """A block as two, cut at a whole second, each with where its rows begin."""
    parts = block[: seconds * rate], block[seconds * rate :]
    return [(part, row_starts(len(part), rate)) for part in parts if len(part)]


# --- recursion ------------------------------------------------------------------------------------


@given(
    st.lists(st.sampled_from(["k", "high", "notch"]), max_size=4),
    RATES, st.integers(1, 3), st.integers(0, 300), st.integers(1, 300), SEEDS,
)  # fmt: skip
def test_recursion_is_scipys(names, rate, channels, first, second, seed):
    """Any sections over any stream in two blocks, and the state behind them. `scipy.signal.sosfilt`."""
    designs = {"k": k_weighting(rate), "high": butterworth(4, 70, "high", rate), "notch": notch(50, 25, rate)}  # fmt: skip
    sections = np.concatenate([np.zeros((0, 6)), *(designs[name] for name in names)])
    block = noise_of(seed, first + second, channels)
    start = np.random.default_rng(seed + 1).standard_normal((channels, len(sections), 2))
    theirs, end = block, start.transpose(1, 0, 2)
    if len(sections):
        theirs, end = signal.sosfilt(sections, block, axis=0, zi=start.transpose(1, 2, 0))
        end = end.transpose(2, 0, 1)
    for name in WAYS:
        module, state = importlib.import_module(f"fairtake.sound.loops.{name}"), start.copy()
        found = [module.recurse(sections, state, part) for part in (block[:first], block[first:])]
        np.testing.assert_allclose(np.concatenate(found), theirs, rtol=1e-8, atol=1e-8)
        if len(sections):
            np.testing.assert_allclose(state, end, rtol=1e-8, atol=1e-8)


@given(RATES, st.integers(1, 3), st.integers(1, 5_000), st.integers(0, 1), SEEDS)
def test_energies_are_those_of_what_was_filtered(rate, channels, samples, seconds, seed):
    """Row by row, in blocks of any length, the last row a short one. `scipy.signal.sosfilt`."""
    block, sections = noise_of(seed, seconds * rate + samples, channels), k_weighting(rate)
    squares = (signal.sosfilt(sections, block, axis=0) ** 2).sum(axis=1)
    expected = np.add.reduceat(squares, row_starts(len(block), rate))
    for name in WAYS:
        module, state = importlib.import_module(f"fairtake.sound.loops.{name}"), np.zeros((channels, 2, 2))  # fmt: skip
        found = [
            module.filtered_energies(sections, state, part, starts)
            for part, starts in in_two(block, rate, seconds)
        ]
        np.testing.assert_allclose(np.concatenate(found), expected, rtol=1e-8)


# --- rows -----------------------------------------------------------------------------------------


@given(RATES, st.integers(1, 3), st.integers(1, 5_000), st.integers(0, 1), st.integers(1, 4), SEEDS)
def test_row_sums_are_what_they_say(rate, channels, samples, seconds, step, seed):
    """Sample by sample over the whole stream, however it is cut into blocks. By definition."""
    block = noise_of(seed, seconds * rate + samples, channels)
    silence = np.zeros((step + 1, channels))
    steps = np.diff(np.concatenate([silence, block]), axis=0)
    starts = row_starts(len(block), rate)
    rows = np.repeat(np.arange(len(starts)), np.diff(starts, append=len(block)))

    def summed(values: np.ndarray) -> np.ndarray:
        return np.array([np.bincount(rows, channel) for channel in values.T])

    greatest = np.zeros(len(starts))
    np.maximum.at(greatest, rows, np.abs(block).max(axis=1))
    expected = (
        greatest, summed(block**2).sum(axis=0), summed(steps[step:] ** 2).sum(axis=0),
        summed((steps[step:] - steps[:-step]) ** 2).max(axis=0), summed(block),
    )  # fmt: skip
    for name in WAYS:
        module, before = importlib.import_module(f"fairtake.sound.loops.{name}"), silence.T.copy()
        parts = [module.row_sums(part, before, s) for part, s in in_two(block, rate, seconds)]
        for found, column in zip(zip(*parts, strict=True), expected, strict=True):
            np.testing.assert_allclose(np.concatenate(found, axis=-1), column, rtol=1e-9, atol=1e-9)
        np.testing.assert_array_equal(before, np.concatenate([silence, block])[-step - 1 :].T)


@pytest.mark.parametrize(("hz", "rate"), [(1000.0, 48_000), (3000.0, 48_000), (3000.0, 44_100)])
def test_sharpness_of_a_tone(way, hz, rate):
    """A difference of a sine is a sine, 2 sin(w/2) as high; twice over. By algebra."""
    x = tone(0.5, 0.0, hz, rate)[:, None]
    sharp = way.row_sums(x, np.zeros((1, 2)), row_starts(len(x), rate)).sharpness
    expected = 0.5 * (2 * np.sin(np.pi * hz / rate)) ** 4
    assert sharp[1:].mean() / (rate / 1000) == pytest.approx(expected, rel=0.01)


def test_the_sharpest_channel_counts(way):
    """A click on one side is no less sharp for the silence on the other. By construction."""
    x = np.zeros((480, 2))
    x[100, 1] = 1.0
    sharp = way.row_sums(x, np.zeros((2, 2)), row_starts(480, 48_000)).sharpness
    assert np.flatnonzero(sharp).tolist() == [2]
    assert sharp[2] == pytest.approx(1 + 4 + 1)


@pytest.mark.parametrize("broken", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("place", [0, 1, 47, 50, 99])
@pytest.mark.parametrize("channel", [0, 1])
def test_what_is_not_finite_shows_in_its_rows_peak(way, broken, place, channel):
    """Wherever in a row it stands, and in no row before it: that is how a broken take is found."""
    x = np.full((144, 2), 0.25)
    x[place, channel] = broken
    peaks = way.row_sums(x, np.zeros((2, 2)), row_starts(144, 48_000)).peaks
    assert np.isfinite(peaks).tolist() == [row != place // 48 for row in range(3)]


@pytest.mark.parametrize("by", [PRINTED, CLOSE])
@given(st.integers(1, 60), st.integers(1, 2), st.integers(1, 5), SEEDS)
def test_span_peaks_are_the_filters(by, width, channels, spans, seed):
    """The greatest sample, or what the phases make by a direct convolution. ITU-R BS.1770-5, Annex 2."""
    rng = np.random.default_rng(seed)
    joined = rng.standard_normal((width + by.reach + 50, channels))
    starts = rng.integers(0, 51, spans)
    for name in WAYS:
        module = importlib.import_module(f"fairtake.sound.loops.{name}")
        for start, found in zip(starts, module.span_peaks(joined, starts, width, by), strict=True):
            span = joined[start : start + width + by.reach]
            over = [
                np.abs(np.convolve(c, phase, "valid")).max() for c in span.T for phase in by.phases
            ]
            assert found == pytest.approx(max(np.abs(span).max(), *over), rel=1e-9)


# --- the table ------------------------------------------------------------------------------------


@given(st.integers(0, 2_500), st.integers(1, 7), st.integers(0, 20), st.integers(1, 5), SEEDS)
@settings(max_examples=30, deadline=None)
def test_lag_sums_are_sums_of_products(windows, hop, first, count, seed):
    """Window by window, over what both lie in. By definition."""
    width, lags = 64, range(first, first + count)
    values = np.random.default_rng(seed).standard_normal(windows * hop + width)
    begins = [values[w * hop :][:width] for w in range(windows)]
    expected = np.array([[x[: width - lag] @ x[lag:] for x in begins] for lag in lags])
    for name in WAYS:
        module = importlib.import_module(f"fairtake.sound.loops.{name}")
        found = module.lag_sums(values, windows, hop, width, lags)
        np.testing.assert_allclose(found, expected, rtol=1e-8, atol=1e-9)


@given(st.integers(1, 100), st.integers(0, 300), SEEDS)
def test_windows_are_weighed(width, more, seed):
    """A direct convolution. `numpy.convolve`."""
    rng = np.random.default_rng(seed)
    values, weights = rng.standard_normal(width + more), rng.random(width)
    for name in WAYS:
        found = importlib.import_module(f"fairtake.sound.loops.{name}").weigh(values, weights)
        np.testing.assert_allclose(found, np.convolve(values, weights, "valid"), atol=1e-12)


@given(st.lists(st.sampled_from([0.0, 0.1, 1.0, 7.0]), max_size=300), st.floats(0.5, 0.999))
def test_decay_follows_a_rise_and_keeps_a_share(values, kept):
    """One value after another. By definition; where next to nothing is left, nothing is."""
    here, expected = 0.0, []
    for value in values:
        expected.append(here := max(value, kept * here))
    expected = [value if value > 2e-6 else 0.0 for value in expected]
    for name in WAYS:
        module = importlib.import_module(f"fairtake.sound.loops.{name}")
        found = module.decay(np.array(values), kept)
        np.testing.assert_allclose(found, expected, rtol=1e-9, atol=2e-6)


# --- samples --------------------------------------------------------------------------------------


def test_three_bytes_are_one_sample(way):
    """Little-endian, two's complement, full scale 1.0. By definition of PCM."""
    values = [0, 1, -1, 2**23 - 1, -(2**23), 0x123456]
    raw = b"".join(value.to_bytes(3, "little", signed=True) for value in values)
    found = way.unpack(np.frombuffer(raw, np.uint8))
    np.testing.assert_array_equal(found, np.array(values) / 2**23)


@given(st.sampled_from([8_000, 44_100, 48_000]), st.integers(1, 2), st.integers(1, 5_000), SEEDS)
def test_a_ramp_goes_straight_from_row_to_row(rate, channels, samples, seed):
    """`numpy.interp` between the begins of rows, which need not fall on samples."""
    rows = -(-samples * 1000 // rate)
    factors, block = np.random.default_rng(seed).random(rows + 1), noise_of(seed, samples, channels)
    line = np.interp(np.arange(samples), np.arange(rows + 1) * rate / 1000, factors)
    for name in WAYS:
        found = importlib.import_module(f"fairtake.sound.loops.{name}").ramp(block, factors, rate)
        np.testing.assert_allclose(found, block * line[:, None], rtol=1e-9, atol=1e-12)


@given(st.sampled_from([16, 20, 24]), st.integers(1, 2), st.integers(1, 300), SEEDS)
def test_integers_are_the_same_to_the_last(bits, channels, samples, seed):
    """Rounded to even at ties, clipped at both ends: numpy's `rint` and `clip`."""
    rng, full = np.random.default_rng(seed), 2.0 ** (bits - 1)
    halves = rng.integers(-3, 4, (samples, channels)) / 2 / full
    block = np.where(rng.random((samples, channels)) < 0.5, halves, rng.uniform(-1.2, 1.2, (samples, channels)))  # fmt: skip
    random = rng.integers(0, 2**16, 2 * block.size, np.uint16)
    random[block.size // 2 : block.size] = random[block.size + block.size // 2 :]  # no dither
    dither = (random[: block.size].astype(int) - random[block.size :]).reshape(block.shape) / 2**16
    expected = np.clip(np.rint(block * full + dither), -full, full - 1)
    for name in WAYS:
        codes = importlib.import_module(f"fairtake.sound.loops.{name}").quantise(
            block, random, bits
        )
        assert codes.dtype == (np.int16 if bits == 16 else np.int32)
        np.testing.assert_array_equal(codes, expected)


# --- what they are handed -------------------------------------------------------------------------


@pytest.mark.parametrize("channels", [1, 2])
def test_rows_of_any_length(channels):
    """The longest rows that there are have 768 samples; what works in parts works in many. By numpy."""
    block, starts = noise_of(7, 10_000, channels), np.array([0, 1_000, 5_500, 9_999])
    sections = k_weighting(48_000)
    found, expected = ((
        module.row_sums(block, np.zeros((channels, 3)), starts),
        module.filtered_energies(sections, np.zeros((channels, 2, 2)), block, starts),
        module.span_peaks(block, np.array([0, 2_000]), 5_000),
    ) for module in (importlib.import_module(f"fairtake.sound.loops.{WAYS[-1]}"), plain))  # fmt: skip
    for mine, theirs in zip((*found[0], *found[1:]), (*expected[0], *expected[1:]), strict=True):
        np.testing.assert_allclose(mine, theirs, rtol=1e-8)


def misfit_bands() -> Iterator[list[object]]:
    """What `band_sums` takes in C, each with one thing wrong with it."""
    f = np.float32
    right = [
        np.zeros(20, f), np.array([0, 12]), np.zeros(8, f), np.zeros(8, f), np.zeros((5, 2), f),
        np.zeros(16 * 8, f), np.zeros((2, 2), f), 2,
    ]  # fmt: skip
    for place, wrong in (
        (0, np.zeros(19, f)), (1, np.array([-1, 12])), (1, np.array([0, 2**62])), (2, np.zeros(9, f)),
        (2, np.zeros(0, f)), (3, np.zeros(6, f)), (3, np.zeros(0, f)), (4, np.zeros((6, 2), f)),
        (4, np.zeros(9, f)), (5, np.zeros(127, f)), (6, np.zeros((2, 3), f)), (7, 0), (7, 65),
    ):  # fmt: skip
        yield [wrong if n == place else value for n, value in enumerate(right)]


@given(
    st.sampled_from([2, 16, 256, 512, 2048]), st.integers(0, 40), st.integers(1, 20), st.data(), SEEDS
)  # fmt: skip
def test_bands_hold_their_shares_of_the_spectrum(size, frames, bands, data, seed):
    """Each frame under its window, the squares of its first bins, in bands. `numpy.fft` in doubles."""
    rng = np.random.default_rng(seed)
    width = data.draw(st.integers(1, size))
    samples = rng.standard_normal(width + 300).astype(np.float32)
    window = rng.uniform(0.1, 1, width).astype(np.float32)
    starts = np.sort(rng.integers(0, 301, frames))
    shares = rng.uniform(0, 1, (data.draw(st.integers(1, size // 2 + 1)), bands)).astype(np.float32)
    shares[:, 0] = 0
    framed = np.array([samples[at : at + width] * window for at in starts]).reshape(frames, width)
    spectrum = np.fft.rfft(framed.astype(np.float64), size, axis=1)[:, : len(shares)]
    expected = np.abs(spectrum) ** 2 @ shares.astype(np.float64)
    for name in WAYS:
        module = importlib.import_module(f"fairtake.sound.loops.{name}")
        found = module.band_sums(samples, starts, window, size, shares)
        assert found.shape == (frames, bands) and found.dtype == np.float32
        np.testing.assert_allclose(found, expected, rtol=1e-4, atol=1e-6 * size)


@pytest.mark.skipif(not loops.COMPILED, reason="installed without a C compiler")
def test_nothing_outside_what_is_handed_in_is_touched():
    """Arrays that do not fit together are refused, whatever is wrong with them: no loop runs beyond one."""
    from fairtake.sound.loops import _compiled as c

    u = np.uint16
    block, starts = np.zeros(96), np.array([0, 48])
    sections, state = k_weighting(48_000), np.zeros((1, 2, 2))
    wrong = [
        (c.recurse, sections, state[:, :1].copy(), block, np.zeros(96), 1),
        (c.recurse, sections, state, block, np.zeros(95), 1),
        (c.recurse, sections, np.zeros((5, 2, 2)), block, np.zeros(96), 5),
        (c.recurse, sections, state, block, np.zeros(96), 0),
        (c.filtered_energies, sections, state, block, np.array([0, 96]), np.zeros(2), 1),
        (c.filtered_energies, sections, state, block, np.array([48, 0]), np.zeros(2), 1),
        (c.filtered_energies, sections, state, block, np.array([-1, 48]), np.zeros(2), 1),
        (c.filtered_energies, sections, state, block, starts, np.zeros(1), 1),
        (c.row_sums, block, np.zeros(2), starts, np.zeros(9), 1),
        (c.row_sums, block, np.zeros(1), starts, np.zeros(10), 1),
        (c.row_sums, block, np.zeros(65), starts, np.zeros(10), 1),
        (c.row_sums, block, np.zeros(2), np.array([0, 97]), np.zeros(10), 1),
        (c.span_peaks, block, np.array([38]), np.zeros(24), np.zeros(1), 48, 1),
        (c.span_peaks, block, np.array([-1]), np.zeros(24), np.zeros(1), 48, 1),
        (c.span_peaks, block, np.array([0]), np.zeros(12), np.zeros(1), 48, 1),
        (c.span_peaks, block, np.array([0]), np.zeros(24), np.zeros(2), 48, 1),
        (c.lag_sums, np.zeros(83), np.zeros((2, 5)), 5, 5, 64, 1, 2),
        (c.lag_sums, block, np.zeros((2, 4)), 5, 5, 64, 1, 2),
        (c.lag_sums, block, np.zeros((2, 5)), 5, 5, 64, 59, 2),
        (c.lag_sums, block, np.zeros((2, 5)), 5, 0, 64, 1, 2),
        (c.lag_sums, block, np.zeros((2, 5)), 5, 5, 64, -1, 2),
        (c.lag_sums, block, np.zeros((2, 5)), 5, 5, 1025, 1, 2),
        (c.decay, block, np.zeros(95), 0.5),
        (c.weigh, block, np.zeros(97), np.zeros(1)),
        (c.weigh, block, np.zeros(0), np.zeros(97)),
        (c.weigh, block, np.zeros(5), np.zeros(93)),
        # What overflows where it is multiplied or added.
        (c.recurse, sections, np.zeros(0), np.zeros(0), np.zeros(0), 2**62),
        (c.filtered_energies, sections, np.zeros(0), np.zeros(0), starts[:0], np.zeros(0), 2**62),
        (c.filtered_energies, sections, state, block, np.array([0, 2**63 - 1]), np.zeros(2), 1),
        (c.row_sums, block, np.zeros(2), np.array([0, 2**63 - 1]), np.zeros(10), 1),
        (c.span_peaks, block, np.array([0]), np.zeros(24), np.zeros(1), 2**63 - 1, 1),
        (c.span_peaks, block, np.array([2**63 - 21]), np.zeros(24), np.zeros(1), 48, 1),
        (c.lag_sums, block, np.zeros((2, 5)), 5, 2**61, 64, 2**63 - 2**61, 2),
        (c.ramp, block, np.zeros(2), np.zeros(96), 2**63 - 1, 1),
        (c.unpack, np.zeros(8, np.uint8), np.zeros(3)),
        (c.ramp, block, np.zeros(2), np.zeros(96), 48_000, 1),
        (c.ramp, block, np.zeros(3), np.zeros(95), 48_000, 1),
        (c.ramp, block, np.zeros(3), np.zeros(96), 0, 1),
        (c.quantise, block, np.zeros(191, u), np.zeros(96, np.int32), 2.0**23),
        (c.quantise, block, np.zeros(192, u), np.zeros(95, np.int32), 2.0**23),
        *((c.band_sums, *floats) for floats in misfit_bands()),
    ]  # fmt: skip
    for loop, *arguments in wrong:
        with pytest.raises(ValueError, match="do not fit"):
            loop(*arguments)
    reversed_view, locked = np.zeros(96)[::-1], np.zeros(96)
    locked.flags.writeable = False
    for out in (reversed_view, locked):
        with pytest.raises((ValueError, BufferError, TypeError)):
            c.recurse(sections, state, block, out, 1)


def test_a_scipy_that_keeps_its_loop_elsewhere(monkeypatch):
    """The public name gives the same, where the loop is not found by its own."""
    sections, block = k_weighting(48_000), noise_of(3, 480, 2)

    def both() -> tuple[np.ndarray, np.ndarray]:
        state = np.zeros((2, 2, 2))
        return plain.recurse(sections, state, block), state

    def nowhere() -> None:
        raise ImportError("scipy.signal._sosfilt")

    expected = both()
    monkeypatch.setattr(plain, "_compiled_loop", nowhere)
    plain.recursion.cache_clear()
    try:
        found = both()
    finally:
        plain.recursion.cache_clear()
    for mine, theirs in zip(found, expected, strict=True):
        np.testing.assert_array_equal(mine, theirs)


def test_the_widest_row_fits():
    """The highest rate's difference reaches back no further than C holds. By counting."""
    from fairtake.sound.sharpness import step_of

    assert step_of(768_000) + 1 <= 64 and widest_row(768_000) == 768


def test_nothing_else_of_scipy_is_loaded():
    """Loading scipy.signal takes a sixth of what encoding ten minutes does: filtering does without, and
    both can be used in either order."""
    code = (
        "import sys, numpy as np; from fairtake.sound.filters import butterworth\n"
        "from fairtake.sound.loops import plain\n"
        "sections, ones = butterworth(4, 70, 'high', 48000), np.ones((100, 1))\n"
        "out = plain.recurse(sections, np.zeros((1, 2, 2)), ones)[:, 0]\n"
        "print([m for m in ('scipy.signal', 'scipy.stats', 'scipy.ndimage') if m in sys.modules])\n"
        "from scipy.signal import butter, sosfilt\n"
        "theirs = sosfilt(butter(4, 70, 'high', fs=48000, output='sos'), np.ones(100))\n"
        "print(bool(np.allclose(out, theirs)))"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert said.stdout == "[]\nTrue\n"

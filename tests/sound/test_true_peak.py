"""fairtake.sound.true_peak against EBU Tech 3341, ITU-R BS.1770-5 and libebur128."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fairtake.sound.levels import row_starts
from fairtake.sound.listen import listen
from fairtake.sound.phases import CLOSE, PRINTED, Interpolator
from fairtake.sound.true_peak import RowPeaks, hot_rows, true_peaks_of
from fairtake.units import amplitude_db
from signals import (
    ArraySource,
    ebu_true_peak,
    heard,
    libebur128_true_peak_dbtp,
    noise,
    speech_like,
    stereo,
    tone,
)


def in_full(samples: np.ndarray, by: Interpolator = PRINTED) -> float:
    """A filter over every sample and what rings after them, and the samples too."""
    columns = samples.reshape(len(samples), -1).T
    filtered = max(np.abs(np.convolve(c, phase)).max() for c in columns for phase in by.phases)
    return max(filtered, float(np.abs(samples).max()))


@pytest.mark.parametrize("case", range(15, 24))
def test_published_cases(case):
    """True peak of tones between samples. EBU Tech 3341, cases 15 to 23, +0.2/-0.4 dB."""
    samples, dbtp = ebu_true_peak(case)
    assert dbtp - 0.4 <= amplitude_db(heard(stereo(samples)).true_peak) <= dbtp + 0.2


def test_printed_filter():
    """The transcription keeps the printed table's symmetry, sums and grid. BS.1770-5, Annex 2."""
    assert PRINTED.phases.shape == (4, 12)
    np.testing.assert_array_equal(PRINTED.phases, PRINTED.phases[::-1, ::-1])
    np.testing.assert_allclose(
        PRINTED.phases.sum(axis=1), [1.00158691, 0.97302246, 0.97302246, 1.00158691], atol=1e-8
    )
    assert np.all(np.rint(PRINTED.phases * 2**13) == PRINTED.phases * 2**13)


@pytest.mark.parametrize("hz", [200, 1_000, 4_000, 8_000, 11_000, 16_000])
def test_the_closer_filter_misses_only_what_lies_between_its_places(hz):
    """A tone's greatest value lies a sixteenth of a sample from one of them at most: cos(2π f / 16 f_s). By
    algebra. It reads too high only where the printed filter, which is part of it, does."""
    rate, time = 48_000, np.arange(4_800) / 48_000
    worst = min(
        in_full(np.cos(2 * np.pi * hz * time + turn)[100:-100], CLOSE)
        for turn in np.linspace(0, np.pi, 41)
    )
    assert amplitude_db(worst) >= amplitude_db(np.cos(2 * np.pi * hz / rate / 16)) - 0.03
    whole = np.cos(2 * np.pi * hz * time) * np.hanning(4_800)
    assert in_full(whole, CLOSE) <= max(in_full(whole, PRINTED), 1.003)


WILD = {
    "noise": lambda rng, n: 0.3 * rng.standard_normal(n),
    "clipped": lambda rng, n: np.clip(3 * rng.standard_normal(n), -1, 1),
    "alternating": lambda rng, n: 0.9 * (-1.0) ** np.arange(n) * (np.arange(n) > n // 2),
    "one click": lambda rng, n: 1.0 * (np.arange(n) == rng.integers(n)),
    "last sample": lambda rng, n: 1.0 * (np.arange(n) == n - 1),
    "worst for the filter": lambda rng, n: (
        np.resize(np.sign(PRINTED.phases[1]), n) * rng.uniform(0.5, 1, n)
    ),
    "rising": lambda rng, n: np.linspace(0, 1, n) * rng.choice([-1.0, 1.0], n),
}


@pytest.mark.parametrize("kind", WILD)
@given(
    rate=st.sampled_from([16_000, 44_100, 48_000, 96_000]),
    extra=st.integers(0, 100),
    seed=st.integers(0, 999),
)
@settings(max_examples=5, deadline=None, derandomize=True)
def test_shortcut_is_exact(kind, rate, extra, seed):
    """Looking only where it matters gives what the whole computation gives, to 24 bits. By algebra."""
    samples = WILD[kind](np.random.default_rng(seed), 2 * rate + extra)
    assert heard(samples, rate).true_peak == pytest.approx(in_full(samples), rel=1e-6)


@pytest.mark.parametrize("kind", [*WILD, "tones", "voice"])
@pytest.mark.parametrize("rate", [16_000, 44_100, 48_000])
@pytest.mark.parametrize("by", [PRINTED, CLOSE])
def test_no_row_comes_higher_than_it_can(by, kind, rate):
    """The bound that rules rows out holds for every row, and says far more of smooth sound. By algebra."""
    rng = np.random.default_rng(4)
    if kind == "tones":
        samples = sum(tone(1, -12, hz, rate) for hz in (150.0, 2_345.0, 0.24 * rate))
    elif kind == "voice":
        samples = speech_like(2, rate=rate).samples
    else:
        samples = WILD[kind](rng, rate)
    starts = row_starts(len(samples), rate)
    peaks = np.maximum.reduceat(np.abs(samples), starts)
    steps = np.add.reduceat(np.diff(samples, prepend=0.0) ** 2, starts)
    every, most = hot_rows(np.zeros((by.reach, 1)), peaks, steps, -1.0, by)
    np.testing.assert_array_equal(every, np.arange(len(starts)))
    silence, block = np.zeros((by.reach, 1)), samples[:, None]
    rows = zip(starts, np.append(starts[1:], len(samples)), strict=True)
    found = np.array([true_peaks_of(silence, block, np.array([a]), b - a, by)[0] for a, b in rows])
    assert (found <= most * (1 + 1e-12)).all()
    if kind == "voice" and by is PRINTED:
        loud = found > 0.3 * found.max()
        assert np.median(most[loud] / peaks[loud]) < 1.6


@pytest.mark.parametrize("by", [PRINTED, CLOSE])
@given(rest=st.integers(1, 15), seed=st.integers(0, 999), rate=st.sampled_from([16_000, 48_000]))
@settings(max_examples=60, deadline=None, derandomize=True)
def test_what_rings_behind_a_short_row_is_found(by, rest, seed, rate):
    """A take may end within a row, and ring into a block of its own. The whole computation, by algebra."""
    rng = np.random.default_rng(seed)
    samples = 0.9 * rng.choice([-1.0, 1.0], rate // 100 + rest)
    samples[len(samples) - rest :] *= rng.choice([0.0, 1.0])

    def peaks(least: float) -> np.ndarray:
        meter, ringing = RowPeaks(rate, 1, by), np.zeros((by.reach, 1))
        return np.concatenate([meter.add(samples[:, None], least), meter.add(ringing, least)])

    every, high = peaks(-1.0), peaks(0.95)
    assert every.max() == pytest.approx(in_full(samples, by), rel=1e-9)
    np.testing.assert_array_equal(high[every > 0.95], every[every > 0.95])


def test_block_joins_are_not_seen():
    """A peak between the last sample of a block and the first of the next is found."""

    class InBits(ArraySource):
        def blocks(self, start=0, stop=None):
            for at in range(0, self.frames, 4800):
                yield self.samples[at : at + 4800]

    samples = np.zeros(48_000)
    samples[4798:4802] = [0.5, 0.9, 0.9, 0.5]
    assert listen(InBits(samples)).true_peak == pytest.approx(in_full(samples), rel=1e-12)


def test_like_libebur128():
    """Noise reads within 0.3 dB of libebur128, whose filter is another one with 49 taps."""
    samples = noise(2, -20.0)
    found = amplitude_db(heard(samples).true_peak)
    assert found == pytest.approx(libebur128_true_peak_dbtp(samples), abs=0.3)


def test_not_oversampled_at_192_khz():
    """At 192 kHz the samples are taken as they are. ITU-R BS.1770-5, Annex 2."""
    samples = noise(0.5, -20.0, rate=192_000)
    assert heard(samples, 192_000).true_peak == pytest.approx(np.abs(samples).max(), rel=1e-6)


def test_the_louder_side_counts():
    """The true peak of a stereo take is that of its louder side."""
    quiet, loud = 0.1 * noise(1, -20.0, 1), noise(1, -20.0, 2)
    found = heard(np.stack([quiet, loud], axis=1)).true_peak
    assert found == pytest.approx(heard(loud).true_peak, rel=1e-9)


def test_taps_reach_no_further_than_one_row():
    """The shortcut looks one row back: no row may be shorter than the filter's memory."""
    assert max(PRINTED.reach, CLOSE.reach) <= 16_000 // 1000

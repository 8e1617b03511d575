"""fairtake.sound.stages.breath: breaths between phrases."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from fairtake.sound.speech import find_speech
from fairtake.sound.stages.breath import BreathSettings, breath, lowered
from fairtake.units import gain
from signals import RATE_HZ, levels_of, speech_like


def noise_burst(
    seconds: float, dbfs: float, low_hz: float, high_hz: float, seed: int
) -> np.ndarray:
    """Band noise with soft ends, of an RMS level."""
    rng = np.random.default_rng(seed)
    sos = signal.butter(2, [low_hz, high_hz], "bandpass", fs=RATE_HZ, output="sos")
    burst = signal.sosfilt(sos, rng.standard_normal(round(seconds * RATE_HZ)))
    burst *= signal.windows.tukey(len(burst), 0.5)
    return burst * float(gain(dbfs)) / np.sqrt(np.mean(burst**2))


def with_burst(at_s: float, burst: np.ndarray, floor_dbfs: float = -65.0):
    """Two phrases with a long pause between them, and *burst* laid in."""
    take = speech_like(2, floor_dbfs, pause_s=1.6, seed=5)
    samples = take.samples.copy()
    begin = round((take.spans_s[0][1] + at_s) * RATE_HZ)
    samples[begin : begin + len(burst)] += burst
    return take, samples, begin * 1000 // RATE_HZ


@pytest.mark.parametrize("seconds", [0.2, 0.35, 0.55])
@pytest.mark.parametrize("floor_dbfs", [-75.0, -65.0])
def test_a_breath_is_lowered_by_the_amount(seconds: float, floor_dbfs: float):
    """Noise near -42 dBFS between phrases is lowered by what was asked, 12 dB. Common practice, no source."""
    _, samples, row = with_burst(0.5, noise_burst(seconds, -42, 700, 3000, 1), floor_dbfs)
    work = breath(levels_of(samples), BreathSettings())
    middle = slice(row + round(300 * seconds), row + round(700 * seconds))
    assert work.note["breaths"] == 1
    np.testing.assert_allclose(work.gain_db[middle], -12, atol=0.1)


def test_words_keep_their_gain():
    """No row of speech moves, whatever is breathed beside it."""
    take, samples, _ = with_burst(0.5, noise_burst(0.35, -42, 700, 3000, 1))
    work = breath(levels_of(samples), BreathSettings(amount_db=20))
    assert not work.gain_db[take.rows()[: len(work.gain_db)]].any()


@pytest.mark.parametrize(
    ("kind", "burst"),
    [
        ("a hiss", noise_burst(0.2, -42, 5500, 9500, 2)),
        ("as loud as speech", noise_burst(0.35, -24, 700, 3000, 2)),
        ("too short", noise_burst(0.05, -42, 700, 3000, 2)),
        ("too long", noise_burst(1.3, -42, 700, 3000, 2)),
        ("a hum", 0.01 * np.sin(2 * np.pi * 150 * np.arange(16000) / RATE_HZ) * np.hanning(16000)),
    ],
)
def test_what_is_no_breath(kind: str, burst: np.ndarray):
    """Hisses, loud, short, long and voiced sounds are not breaths."""
    _, samples, _ = with_burst(0.15, burst)
    assert breath(levels_of(samples), BreathSettings()).note["breaths"] == 0, kind


def test_a_consonant_leaning_on_its_vowel_is_none():
    """Soft noise that runs into the vowel behind it is an h, not a breath."""
    take = speech_like(2, -65.0, pause_s=1.6, seed=5)
    samples = take.samples.copy()
    begin = round((take.spans_s[1][0] - 0.2) * RATE_HZ)
    rng = np.random.default_rng(1)
    rise = rng.standard_normal(round(0.2 * RATE_HZ)) * np.linspace(
        0.001, 0.02, round(0.2 * RATE_HZ)
    )
    samples[begin : begin + len(rise)] += signal.lfilter([1], [1, -0.7], rise)
    assert breath(levels_of(samples), BreathSettings()).note["breaths"] == 0


@pytest.mark.parametrize(("behind_s", "breaths"), [(0.14, 0), (0.3, 1)])
def test_the_last_consonant_of_a_word_is_none(behind_s: float, breaths: int):
    """Soft noise an eighth of a second behind the voice is the word's end; later it is a breath."""
    take = speech_like(2, -65.0, pause_s=0.7, seed=5)
    samples = take.samples.copy()
    burst = noise_burst(0.14, -42, 700, 3000, 1)
    begin = round((take.spans_s[0][1] + behind_s) * RATE_HZ)
    samples[begin : begin + len(burst)] += burst
    assert breath(levels_of(samples), BreathSettings()).note["breaths"] == breaths


def test_noise_without_a_rest_before_it_is_none():
    """What follows a hiss after 30 ms belongs to the same word: speech has not rested."""
    _, samples, row = with_burst(0.7, noise_burst(0.3, -42, 700, 3000, 1))
    hiss = noise_burst(0.3, -36, 5500, 9500, 2)
    begin = row * RATE_HZ // 1000 - len(hiss) - round(0.005 * RATE_HZ)
    samples[begin : begin + len(hiss)] += hiss
    assert breath(levels_of(samples), BreathSettings()).note["breaths"] == 0


def test_whispered_speech_is_not_breaths():
    """A row of soft unvoiced sounds with no voice between is speech, whispered."""
    samples = speech_like(1, -70.0, tail_s=4.0, seed=3).samples.copy()
    at = len(samples) - round(3.5 * RATE_HZ)
    for n in range(8):
        burst = noise_burst(0.16, -40, 700, 3500, n)
        begin = at + round(0.22 * n * RATE_HZ)
        samples[begin : begin + len(burst)] += burst
    assert breath(levels_of(samples), BreathSettings()).note["breaths"] == 0


def test_ramps_lie_inside():
    """The reduction is 0 at both ends of a breath and whole in its middle. By construction."""
    mask = np.zeros(1000, bool)
    mask[300:600] = True
    curve = lowered(mask, 12.0, 40)
    assert not curve[:300].any()
    assert not curve[600:].any()
    np.testing.assert_allclose(curve[345:555], 12.0, atol=1e-5)
    assert np.abs(np.diff(curve)).max() < 12 / 20


def test_found_before_the_first_word():
    """A breath before the first word is no speech: the head is measured from the word."""
    take = speech_like(2, -65.0, head_s=1.5, seed=5)
    samples = take.samples.copy()
    burst = noise_burst(0.35, -42, 700, 3000, 1)
    begin = round(0.9 * RATE_HZ)
    samples[begin : begin + len(burst)] += burst
    assert abs(find_speech(levels_of(samples)).first_row - 1500) < 40

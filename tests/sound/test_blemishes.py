"""fairtake.sound.blemishes: found anywhere in a stream of blocks, and nothing in ordinary sound."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from blemished import blemishes, clicks, mouth_click, with_sound
from fairtake.sound.listen import listen
from signals import RATE_HZ, ArraySource, heard, levels_of, noise, room_tone, speech_like, tone


@pytest.mark.parametrize("offset", [-1500, -100, -2, -1, 0, 1, 100, 1500])
def test_a_block_border_does_not_matter(offset):
    """A click at the border of two blocks is found as anywhere else, and rebuilt alike."""
    at = 2 * RATE_HZ + offset
    bed, click = room_tone(5.0, -62.0), mouth_click(-30.0)
    (found,) = clicks(with_sound(bed, click, at))
    shifted = with_sound(bed, click, at)[RATE_HZ // 2 :]
    (elsewhere,) = clicks(shifted)
    assert found.start == elsewhere.start + RATE_HZ // 2 == at
    np.testing.assert_allclose(found.rebuilt, elsewhere.rebuilt, atol=1e-9)


def test_a_crowd_of_clicks_is_bounded():
    """However many there are, no more than ten a second are looked at."""
    x = room_tone(4.0, -60.0)
    x[::2000] += 0.3
    assert len(clicks(x)) <= 4 * 10 + 10


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    "sound",
    ["white", "hiss", "words", "onsets"],
)
def test_ordinary_sound_has_no_blemish(sound, seed):
    """Noise, fricatives, words and tones that set in: nothing is found, clicks or clipping."""
    if sound == "white":
        x = noise(6.0, -20.0, seed)
    elif sound == "hiss":
        band = signal.butter(4, [3000, 9000], "bandpass", fs=RATE_HZ, output="sos")
        on = np.repeat(np.arange(30) % 2, 9600)
        x = signal.sosfilt(band, noise(6.0, -20.0, seed)) * on + room_tone(6.0, -65.0, seed)
    elif sound == "words":
        x = speech_like(4, -65.0, seed=seed).samples
    else:
        on = np.repeat(np.arange(20) % 2, 14_400)
        x = tone(6.0, -12.0, 300.0 + 400 * seed) * np.convolve(on, np.hanning(240) / 119.5, "same")
        x += room_tone(6.0, -65.0, seed)
    levels = levels_of(x)
    assert (levels.blemishes, levels.clipped_runs) == ((), 0)


def test_looking_changes_nothing_else():
    """The table is the same whether blemishes are looked for or not."""
    x = with_sound(room_tone(5.0, -60.0), mouth_click(-20.0), 100_000)
    with_them, without = heard(x), listen(ArraySource(x), blemishes=False)
    assert len(with_them.levels.blemishes) == 1
    assert without.levels.blemishes == ()
    np.testing.assert_array_equal(with_them.levels.heard_peak, without.levels.heard_peak)
    np.testing.assert_array_equal(
        with_them.levels.heard_high_energy, without.levels.heard_high_energy
    )


@pytest.mark.parametrize("samples", [0, 1, 40, 2000, 96_001, 97_000])
def test_odd_lengths(samples):
    """Takes of any length, with a spike at their very end, go through."""
    x = noise(3.0, -60.0)[:samples]
    if samples:
        x[-1] = 0.5
    assert len(blemishes(x)) <= 1

"""fairtake.sound.room_tone: dull noise that depends on its place alone."""

from __future__ import annotations

import numpy as np
import pytest

from fairtake.sound.room_tone import LOOP_S, loop, room_tone
from signals import rms_dbfs


@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_its_level_is_one(rate):
    """RMS 0 dBFS over the loop, and within half a dB over any second of it. By algebra."""
    assert rms_dbfs(loop(rate)) == pytest.approx(0.0, abs=1e-9)
    seconds = room_tone(0, LOOP_S * rate, rate).reshape(LOOP_S, rate)
    assert [rms_dbfs(second) for second in seconds] == pytest.approx([0.0] * LOOP_S, abs=0.5)


@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_dull(rate):
    """Octaves of equal power from 125 Hz to 8 kHz, which is -3 dB an octave; none under 60 Hz."""
    power = np.abs(np.fft.rfft(loop(rate))) ** 2
    hz = np.fft.rfftfreq(LOOP_S * rate, 1 / rate)
    octaves = [power[(hz >= low) & (hz < 2 * low)].sum() for low in 125 * 2 ** np.arange(6)]
    assert 10 * np.log10(octaves / octaves[-1]) == pytest.approx(np.zeros(6), abs=0.5)
    assert power[hz < 60].sum() < 1e-12 * power.sum()


def test_its_end_fits_its_start():
    """Where the loop comes round, its samples step no further than elsewhere."""
    whole = loop(48_000)
    steps = np.abs(np.diff(whole))
    assert abs(whole[0] - whole[-1]) < np.percentile(steps, 99.9)


def test_blocks_are_cut_anywhere():
    """Two pieces side by side are the one piece, through the loop's seam and beyond it."""
    seam = LOOP_S * 48_000
    whole = room_tone(seam - 500, seam + 1000, 48_000)
    parts = [room_tone(seam - 500, 700, 48_000), room_tone(seam + 200, seam + 300, 48_000)]
    np.testing.assert_array_equal(np.concatenate(parts), whole)
    np.testing.assert_array_equal(whole[500 : 500 + seam], loop(48_000))

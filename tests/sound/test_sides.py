"""fairtake.sound.sides: one voice from two channels."""

from __future__ import annotations

import numpy as np
import pytest

from fairtake.sound.sides import Folded, Sides
from signals import ArraySource, noise, rms_dbfs, stereo

VOICE = noise(1, -20.0, 1)
ROOM = noise(1, -65.0, 2)

TAKES = {
    "alike": (np.stack([VOICE, VOICE], 1), "middle"),
    "panned": (np.stack([VOICE, 0.4 * VOICE], 1), "middle"),
    "right dead": (np.stack([VOICE, 1e-3 * ROOM], 1), "left"),
    "right hears the room alone": (np.stack([VOICE, ROOM], 1), "left"),
    "left dead": (np.stack([0 * VOICE, VOICE], 1), "right"),
    "one turned round": (np.stack([VOICE, -VOICE], 1), "difference"),
    "turned round, with a room": (np.stack([VOICE + ROOM, -0.5 * VOICE], 1), "difference"),
    "strangers": (np.stack([VOICE, noise(1, -20.0, 3)], 1), "middle"),
    "silence": (np.zeros((48_000, 2)), "middle"),
}


def sides_of(samples: np.ndarray) -> Sides:
    sides = Sides()
    for block in ArraySource(samples).blocks():
        sides.add(block)
    return sides


@pytest.mark.parametrize("take", TAKES)
def test_fold(take):
    """The way to one channel keeps the voice. Limits: common practice, no source."""
    samples, expected = TAKES[take]
    assert sides_of(samples).fold == expected


@pytest.mark.parametrize("take", ["alike", "right dead", "left dead", "one turned round"])
def test_level_is_kept(take):
    """No fold halves or cancels the voice: its level stays. By algebra."""
    samples, fold = TAKES[take]
    folded = Folded(ArraySource(samples), fold)
    assert rms_dbfs(np.concatenate(list(folded.blocks()))) == pytest.approx(-20.0, abs=0.1)


def test_folded_is_a_source():
    """A folded take can be read from anywhere, and is as long as the take."""
    source = ArraySource(stereo(noise(3, -20.0)))
    folded = Folded(source, "middle")
    assert (folded.channels, folded.frames) == (1, source.frames)
    np.testing.assert_allclose(folded.read(1000, 1010), source.samples[1000:1010, :1])
    (block,) = folded.blocks(500, 700)
    np.testing.assert_allclose(block, source.samples[500:700, :1])


def test_keep():
    """A profile that keeps stereo gets both sides untouched."""
    source = ArraySource(TAKES["panned"][0])
    np.testing.assert_array_equal(Folded(source, "keep").read(0, 100), source.samples[:100])

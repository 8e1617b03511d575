"""fairtake.sound.likeness: the same words, whatever their speed."""

from __future__ import annotations

import numpy as np
import pytest

from fairtake.sound.likeness import distance_db, shapes


def walk(seed: int, steps: int) -> np.ndarray:
    """Spectra that move as speech does: a smoothed random walk in 20 bands, dBFS, a row every 10 ms."""
    rng = np.random.default_rng(seed)
    moves = rng.standard_normal((2 * steps + 40, 20)) * 12
    smooth = np.stack([np.convolve(c, np.hanning(22) / 10, "valid") for c in moves.T], axis=1)
    return (smooth[: 2 * steps] - 40).astype(np.float16)


def at_speed(bands: np.ndarray, speed: float) -> np.ndarray:
    places = np.arange(0, len(bands) - 1, speed)
    return np.stack([np.interp(places, np.arange(len(bands)), c) for c in bands.T], axis=1)


def test_the_same_is_no_distance_away():
    """A stretch lies on the diagonal of itself: distance 0. By algebra."""
    assert distance_db(shapes(walk(1, 40)), shapes(walk(1, 40))) == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("speed", [0.7, 1.4])
def test_speed_matters_little(speed: float):
    """Said faster or slower it is far nearer than anything else."""
    said = walk(1, 40)
    again = distance_db(shapes(said), shapes(at_speed(said, speed)))
    others = [distance_db(shapes(said), shapes(walk(seed, 60))) for seed in range(2, 8)]
    assert again < 0.6 * min(others)


def test_what_follows_does_not_matter():
    """The second stretch may go on with other words."""
    said = walk(1, 40)
    longer = np.concatenate([said, walk(5, 40)])
    first = shapes(longer)[: len(shapes(said))]
    assert distance_db(first, shapes(longer)) == pytest.approx(0, abs=1e-9)


def test_gain_does_not_matter():
    """20 dB softer it has the same shapes: loudness is left out."""
    said = walk(1, 40)
    assert shapes(said - np.float16(20)) == pytest.approx(shapes(said), abs=0.2)


def test_too_short_is_never_alike():
    """What has less than half of the steps cannot be the same words."""
    assert distance_db(shapes(walk(1, 40)), shapes(walk(1, 15))) == float("inf")

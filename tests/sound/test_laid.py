"""fairtake.sound.laid: sounds laid on one time axis, to the sample, and their sum."""

from __future__ import annotations

import numpy as np
import pytest

from fairtake.sound.laid import Laid, Mixed, gain_rows, rows_of
from signals import ArraySource, noise, stereo

RATE = 48_000


def laid(
    samples: np.ndarray, begin: int, rate: int = RATE, frames: int | None = None, **more
) -> Laid:
    source = ArraySource(samples, rate)
    frames = round(source.frames * RATE / rate) if frames is None else frames
    flat = np.zeros(rows_of(frames, RATE), np.float32)
    return Laid(source, begin, frames, (0, source.frames), flat, **more)


def summed(mixed: Mixed) -> np.ndarray:
    return np.concatenate(list(mixed.blocks()))


@pytest.mark.parametrize("begin", [0, 1, 95_999, 96_000, 123_457])
def test_right_to_the_sample(begin):
    """Every sample lies where it was laid, over block borders too; nothing lies beside it."""
    sound = noise(3.3, -20.0)
    out = summed(Mixed([laid(sound, begin)], RATE, 1))[:, 0]
    assert len(out) == begin + len(sound)
    assert not out[:begin].any()
    np.testing.assert_allclose(out[begin:], sound, atol=1e-12)


def test_parts_add_up():
    """The sum is the sum, where parts overlap and where they do not; one channel goes to both sides."""
    a, b = noise(4.0, -20.0, seed=1), stereo(noise(2.0, -20.0, seed=2))
    out = summed(Mixed([laid(a, 1000), laid(b, 70_000)], RATE, 2))
    expected = np.zeros((max(1000 + len(a), 70_000 + len(b)), 2))
    expected[1000 : 1000 + len(a)] += a[:, None]
    expected[70_000 : 70_000 + len(b)] += b
    np.testing.assert_allclose(out, expected, atol=1e-12)


def test_a_part_of_it_is_the_same_part():
    """Read from anywhere, the same samples come."""
    mixed = Mixed([laid(noise(5.0, -20.0), 40_000)], RATE, 1)
    np.testing.assert_array_equal(mixed.read(100_001, 200_003), summed(mixed)[100_001:200_003])


def test_gain_lies_where_it_should():
    """A gain of -6 dB from the second second on acts from there on, to the millisecond."""
    sound = np.ones(3 * RATE)
    part = laid(sound, 500)
    curve = np.zeros(3000, np.float32)
    curve[1000:] = -20.0
    out = summed(Mixed([Laid(part.source, 500, part.frames, part.part, curve)], RATE, 1))[:, 0]
    assert out[500 + RATE - 49] == pytest.approx(1.0)
    assert out[500 + RATE + 1] == pytest.approx(0.1, abs=0.01)


def test_another_rate_is_as_long_and_as_loud():
    """A sound of 44.1 kHz on an axis of 48 kHz keeps its length to a sample and its level."""
    tone = np.sin(2 * np.pi * 441 * np.arange(3 * 44_100) / 44_100)
    out = summed(Mixed([laid(tone, 0, rate=44_100)], RATE, 1))[:, 0]
    assert len(out) == 3 * RATE
    expected = np.sin(2 * np.pi * 441 * np.arange(3 * RATE) / RATE)
    np.testing.assert_allclose(out[2000:-2000], expected[2000:-2000], atol=1e-3)


def test_a_loop_goes_on_without_a_gap():
    """A loop fills its length, as loud at its seams as elsewhere (equal power over 20 ms)."""
    sound = noise(1.5, -20.0)
    out = summed(Mixed([laid(sound, 0, frames=10 * RATE, loop=True)], RATE, 1))[:, 0]
    assert len(out) == 10 * RATE
    rms = np.sqrt(np.square(out[: 10 * RATE].reshape(-1, 480)).mean(axis=1))
    assert rms.min() > 0.6 * np.median(rms) and rms.max() < 1.6 * np.median(rms)
    np.testing.assert_allclose(out[:50_000], sound[:50_000], atol=1e-12)


@pytest.mark.parametrize("seconds", [0.3, 2.5])
def test_a_loop_of_another_rate_ends_where_it_should(seconds):
    """It is no longer read than it sounds, and lies where it would at the rate of the axis."""

    class Watched(ArraySource):
        """Nobody asks for it for ever."""

        asked = 0

        def blocks(self, *span):
            self.asked += 1
            assert self.asked < 100
            return super().blocks(*span)

    tone = np.sin(2 * np.pi * 440 * np.arange(round(seconds * 44_100)) / 44_100)  # whole waves
    flat = np.zeros(rows_of(9 * RATE, RATE), np.float32)
    source = Watched(tone, 44_100)
    part = Laid(source, 0, 9 * RATE, (0, source.frames), flat, loop=True)
    out = summed(Mixed([part], RATE, 1))[:, 0]
    assert len(out) == 9 * RATE
    rms = np.sqrt(np.square(out.reshape(-1, RATE // 10)).mean(axis=1))
    assert rms.min() > 0.6 and rms.max() < 0.9
    assert seconds > 2 or source.asked == 1  # a short one is held, not opened again and again


def test_what_ends_early_is_silence():
    """A sound shorter than its place leaves the rest of it silent."""
    out = summed(Mixed([laid(noise(1.0, -20.0), 0, frames=5 * RATE)], RATE, 1))
    assert len(out) == 5 * RATE and not out[RATE:].any()


def test_gain_rows():
    """Levels and curves in dB add up."""
    np.testing.assert_allclose(gain_rows(-18.0, np.array([0.0, -12.0])), [-18.0, -30.0])

"""fairtake.sound.edit: the pieces of a take as one stream."""

from __future__ import annotations

import numpy as np
import pytest

from fairtake.sound.edit import edited, frames_of, reblocked
from fairtake.sound.levels import JOIN_ROWS, Piece, sample_of
from signals import ArraySource, noise, room_tone, tone


def joined(source: ArraySource, pieces: list[Piece]) -> np.ndarray:
    blocks = list(edited(source, pieces))
    assert all(len(b) == 2 * source.sample_rate_hz for b in blocks[:-1])
    return np.concatenate(blocks)


@pytest.mark.parametrize("rate", [16_000, 44_100, 48_000])
@pytest.mark.parametrize("span", [(0, 3200), (137, 2911), (1, 2)])
def test_body_is_sample_exact(rate, span):
    """A piece of the take comes out as its own samples, all of them."""
    source = ArraySource(noise(3.2, -20.0, rate=rate), rate)
    start, stop = (sample_of(row, rate) for row in span)
    np.testing.assert_array_equal(joined(source, [Piece(*span)]), source.samples[start:stop])


def test_rest_row():
    """The last row of a take may be short: its samples are kept and none are made up."""
    source = ArraySource(noise(1.0005, -20.0))
    np.testing.assert_array_equal(joined(source, [Piece(0, 1001)]), source.samples)


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("span", [(300, 2500), (0, 3000)])
def test_tone_never_costs_the_take_a_sample(channels, span):
    """Cross-fades lie inside the tone: the body behind and before it is untouched."""
    source = ArraySource(np.stack([noise(3, -20.0, c) for c in range(channels)], 1))
    pieces = [
        Piece(2600, 2750, True), Piece(2700, 2733, True), Piece(*span), Piece(10, 200, True),
    ]  # fmt: skip
    out = joined(source, pieces)
    body = source.samples[span[0] * 48 : span[1] * 48]
    head = (150 + 33) * 48
    assert len(out) == frames_of(pieces, 48_000, source.frames) == head + len(body) + 190 * 48
    np.testing.assert_array_equal(out[head : head + len(body)], body)


def test_tone_is_the_take_s_own():
    """Away from its joins laid tone is the room as it was recorded."""
    source = ArraySource(room_tone(3, -60.0))
    out = joined(source, [Piece(2000, 2500, True), Piece(0, 1500), Piece(1600, 1900, True)])
    fade = JOIN_ROWS * 48
    np.testing.assert_array_equal(
        out[: 500 * 48 - fade], source.samples[2000 * 48 : 2500 * 48 - fade]
    )
    tail = out[2000 * 48 :]
    np.testing.assert_array_equal(tail[fade:], source.samples[1600 * 48 + fade : 1900 * 48])


@pytest.mark.parametrize("seed", range(5))
def test_no_click_at_joins(seed):
    """Joined at any phase of a hum, no step is much greater than the hum's own steps."""
    source = ArraySource(tone(4, -40.0, hz=97 + 7 * seed) + room_tone(4, -90.0, seed))
    pieces = [
        Piece(3000, 3300, True), Piece(3500, 3701, True), Piece(100, 140, True),
        Piece(200, 2500), Piece(2700, 2900, True), Piece(3100, 3140, True),
    ]  # fmt: skip
    steps = np.abs(np.diff(joined(source, pieces), axis=0))
    own = np.abs(np.diff(source.samples, axis=0)).max()
    assert steps.max() <= 1.5 * own  # two hums at equal power add up to 1.41


def test_fades_meet_the_take_at_its_own_sample():
    """The last sample before the body and the first behind it are the take's own neighbours."""
    source = ArraySource(np.linspace(0.1, 0.9, 3 * 48_000))
    out = joined(source, [Piece(2000, 2300, True), Piece(500, 1500), Piece(0, 300, True)])
    assert out[300 * 48 - 1] == pytest.approx(source.samples[500 * 48 - 1], abs=1e-9)
    assert out[1300 * 48] == pytest.approx(source.samples[1500 * 48], abs=1e-9)


def test_join_at_the_edge_of_the_file():
    """Where the file ends its mirror image fades out: a low tone goes on without a step."""
    x = tone(1, -20.0, hz=50)
    source = ArraySource(np.concatenate([x, room_tone(1, -80.0), x]))
    out = joined(source, [Piece(1200, 1800, True), Piece(0, 3000), Piece(1200, 1800, True)])
    assert np.abs(np.diff(out, axis=0)).max() < 1.5 * np.abs(np.diff(x)).max()


@pytest.mark.parametrize("seed", range(3))
def test_level_through_a_join(seed):
    """Equal power: two unlike stretches of room keep their level where they meet."""
    source = ArraySource(room_tone(4, -60.0, seed, rate=16_000), 16_000)
    pieces = [Piece(3000, 3500, True), Piece(500, 2500)]
    meeting = joined(source, pieces)[480 * 16 : 500 * 16]
    assert 10 * np.log10(np.mean(meeting**2)) == pytest.approx(-60.0, abs=3.0)


def test_silence_piece():
    """A take without room is padded with zeros, faded into what lies beside them."""
    source = ArraySource(np.full(48_000, 0.5))
    out = joined(source, [Piece(None, 100, True), Piece(500, 600)])
    assert len(out) == 200 * 48
    fade = JOIN_ROWS * 48
    assert not out[: 100 * 48 - fade].any()
    assert np.abs(np.diff(out, axis=0)).max() < 0.5 * 1.6 / fade


@pytest.mark.parametrize("sizes", [[1] * 25, [10, 10, 5], [25], [3, 19, 3], []])
def test_reblocked(sizes):
    """Blocks of any sizes become blocks of one, in order and without loss."""
    x = np.arange(25.0)[: sum(sizes), None]
    parts = np.split(x, np.cumsum(sizes)[:-1].astype(int)) if sizes else []
    blocks = list(reblocked(iter(parts), 10))
    assert [len(b) for b in blocks] == ([10, 10, 5] if sizes else [])
    np.testing.assert_array_equal(np.concatenate([*blocks, x[:0]]), x)

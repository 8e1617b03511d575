"""fairtake.sound.ear.net: the weights that ship, and what they are made to do."""

from __future__ import annotations

import hashlib
from importlib.resources import files

import numpy as np
import pytest

from fairtake.sound.ear.features import FEATURES, features_of
from fairtake.sound.ear.hear import hear
from fairtake.sound.ear.net import KINDS, Net, learned, net_of
from fairtake.sound.levels import Sound
from signals import ArraySource, levels_of, noise, room_tone, speech_like

WEIGHTS = files("fairtake.sound.ear") / "weights.npz"
#: SHA-256 of the file that ships, and what it says of a sound made here, a row each half second.
#: Other weights are accepted by score (tests/ear/README.md), and then these lines change with them.
SHA256 = "1f1ef9c4a662b762243fcebd5ec7fdd6852580ea65c22488f04033501525cbab"
GOLDEN = np.array(
    [
        [0.001, 0.004, 0.008, 0.002, 0.985],
        [0.000, 0.000, 0.000, 0.000, 1.000],
        [0.000, 0.000, 0.000, 0.000, 1.000],
        [0.999, 0.000, 0.001, 0.000, 0.000],
        [1.000, 0.000, 0.000, 0.000, 0.000],
        [0.000, 0.000, 0.000, 0.000, 0.999],
        [0.001, 0.018, 0.006, 0.002, 0.973],
        [0.018, 0.001, 0.000, 0.000, 0.981],
        [0.121, 0.002, 0.000, 0.000, 0.876],
        [1.000, 0.000, 0.000, 0.000, 0.000],
        [0.000, 0.000, 0.000, 0.000, 0.999],
        [0.000, 0.000, 0.001, 0.000, 0.999],
        [0.000, 0.001, 0.001, 0.001, 0.997],
        [0.000, 0.000, 0.001, 0.004, 0.995],
    ]
)


def told() -> np.ndarray:
    return features_of(speech_like(2, -55.0, seed=4).samples, 48_000)


def test_the_weights_are_those_that_were_scored():
    """No other file ships than the one whose figures stand in the bench's page."""
    assert hashlib.sha256(WEIGHTS.read_bytes()).hexdigest() == SHA256


def test_golden():
    """The net says what it said when it was scored, within what another BLAS may round."""
    likely = learned().likelihoods(told())
    assert likely[::50] == pytest.approx(GOLDEN, abs=2e-3)


def test_likelihoods_add_up():
    """Each frame is something: rows are 0 or more and add up to 1."""
    likely = learned().likelihoods(told())
    assert likely.shape[1] == KINDS
    assert (likely >= 0).all()
    assert likely.sum(axis=1) == pytest.approx(np.ones(len(likely)), abs=1e-5)


def test_it_sees_no_further_than_it_says():
    """A change of one frame changes nothing further off than the net's reach, and something near it."""
    net, plain = learned(), told()
    other = plain.copy()
    other[200] += 1.0
    changed = np.flatnonzero(np.abs(net.likelihoods(plain) - net.likelihoods(other)).max(axis=1))
    assert 200 - net.reach <= changed.min() <= 200 <= changed.max() <= 200 + net.reach


def identity() -> Net:
    """A net of no layers that adds up all features for its first kind."""
    arrays = {
        "mean": np.zeros(FEATURES), "scale": np.ones(FEATURES), "dilations": np.array([], int),
        "w_in": np.eye(FEATURES, 3), "b_in": np.zeros(3), "w_out": np.eye(3, KINDS),
        "b_out": np.zeros(KINDS), "recipe_sha256": np.array("none"),
    }  # fmt: skip
    return net_of(arrays)


def test_layers_by_hand():
    """exp(x) over the sum of all, of features put through as they are. By algebra."""
    told = np.zeros((1, FEATURES), np.float32)
    told[0, :3] = 1.0, 2.0, -5.0
    expected = np.exp([1.0, 2.0, 0.0, 0.0, 0.0])
    assert identity().likelihoods(told)[0] == pytest.approx(expected / expected.sum(), rel=1e-5)


def test_the_recipe_is_named():
    """The weights say which recipe learned them: a SHA-256 in hex."""
    assert len(learned().recipe) == 64 and int(learned().recipe, 16)


def test_pieces_of_a_long_take_are_heard_as_the_whole(monkeypatch: pytest.MonkeyPatch):
    """How many frames are listened to at a time changes nothing."""
    take = speech_like(6, -55.0, seed=7).samples
    whole = levels_of(take).heard_sound
    monkeypatch.setattr("fairtake.sound.ear.hear._AT_ONCE", 130)
    assert (levels_of(take).heard_sound == whole).all()


@pytest.mark.parametrize("samples", [0, 1, 100, 479, 480, 500, 5000])
def test_however_short(samples: int):
    """A take of less than a frame is heard as room, and no row is left untold."""
    levels = levels_of(np.full(samples, 0.01))
    assert len(levels.heard_sound) == levels.rows
    if samples < 480:
        assert (levels.heard_sound == Sound.ROOM).all()


NOBODY = {
    "room tone": room_tone(8, -60.0),
    "loud room tone": room_tone(8, -40.0),
    "white noise": noise(8, -50.0),
    "digital silence": np.zeros(8 * 48_000),
    "one click": room_tone(8, -60.0) + 0.5 * (np.arange(8 * 48_000) == 200_000),
}


@pytest.mark.parametrize("kind", NOBODY)
def test_where_nobody_speaks_no_voice_is_heard(kind: str):
    """Rooms, noise, silence and a lone click hold no voice and no music."""
    assert not levels_of(NOBODY[kind]).kept.any()


@pytest.mark.parametrize("floor_dbfs", [-75.0, -60.0, -50.0])
@pytest.mark.parametrize("rate", [16_000, 44_100, 48_000])
def test_speech_is_heard_as_speech(floor_dbfs: float, rate: int):
    """What swings and hisses like speech is kept, all but a hundredth of it; most of the pauses is not."""
    take = speech_like(4, floor_dbfs, pause_s=1.5, rate=rate)
    kept, spoken = levels_of(take.samples, rate).kept, take.rows()
    size = min(len(kept), len(spoken))
    kept, spoken, away = kept[:size], spoken[:size], ~take.rows(guard=-150)[:size]
    assert kept[spoken].mean() > 0.99
    assert kept[away].mean() < 0.05


def test_the_ear_hears_a_source_in_blocks():
    """Listening gives the sounds of the whole take, one a row."""
    take = speech_like(3, -60.0)
    levels = levels_of(take.samples)
    again = hear(_powers(take.samples), levels.heard_low, levels.rows)
    assert (again == levels.heard_sound).all()


def _powers(samples: np.ndarray) -> np.ndarray:
    from fairtake.sound.ear.bands import BandMeter

    meter = BandMeter(48_000, 1)
    for block in ArraySource(samples).blocks():
        meter.add(block)
    return meter.finish()

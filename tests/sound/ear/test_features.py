"""fairtake.sound.ear.features: what the net is told."""

from __future__ import annotations

import numpy as np
import pytest

from fairtake.sound.ear.bands import BANDS, band_powers
from fairtake.sound.ear.features import (
    FEATURES,
    OVER_FLOOR,
    OVER_SPEECH,
    PERIODIC,
    SUNG,
    UNIT_DB,
    features_of,
    surroundings,
)
from signals import room_tone, speech_like, tone


def test_gain_does_not_matter():
    """A take recorded 20 dB lower tells the net the same: levels are told against the take itself."""
    take = speech_like(4, -50.0).samples
    assert features_of(take / 10, 48_000) == pytest.approx(features_of(take, 48_000), abs=0.1)


def test_the_rate_hardly_matters():
    """The same band-limited sound at two rates tells nearly the same."""
    from scipy import signal

    take = speech_like(4, -50.0, rate=48_000).samples
    half = signal.resample_poly(take, 1, 2)
    wide, narrow = features_of(take, 48_000), features_of(half, 24_000)
    apart = np.abs(wide - narrow)[20:-20]
    assert np.median(apart) < 0.05


def test_levels_stand_over_the_room_by_as_much_as_they_do():
    """Two seconds of a tone in a room 40 dB softer: 40 dB over the floor, 0 dB against local speech."""
    room = room_tone(12, -60.0)
    room[5 * 48_000 : 7 * 48_000] += tone(2, -17.0, 1000.0)  # RMS -20 dBFS
    told = features_of(room, 48_000)[520:680]
    assert told.shape[1] == FEATURES
    assert told[:, OVER_FLOOR].mean() * UNIT_DB == pytest.approx(40, abs=1.5)
    assert told[:, OVER_SPEECH].mean() * UNIT_DB == pytest.approx(0, abs=1.5)


def test_what_swings_is_told_as_periodic():
    """A voice's pitch is near 2, noise far from it: twice the normalised autocorrelation."""
    assert features_of(tone(2, -20.0, 150.0), 48_000)[20:-20, PERIODIC].mean() > 1.8
    assert features_of(room_tone(2, -20.0), 48_000)[20:-20, PERIODIC].mean() < 1.0


def test_each_band_has_a_floor_of_its_own():
    """A hum in one band raises the floor of that band, and no other far from it."""
    room = room_tone(8, -70.0)
    quiet, hum = (
        surroundings(band_powers(x, 48_000), np.zeros(800, np.float32)).floors_db.mean(axis=0)
        for x in (room, room + tone(8, -40.0, 1000.0))
    )
    band = int(np.argmax(hum - quiet))
    far = np.abs(np.arange(BANDS) - band) > 2
    assert hum[band] - quiet[band] > 20
    assert np.abs(hum - quiet)[far].max() < 1.0


def test_how_one_speaks_here_is_told_beside_what_a_frame_is():
    """A breath of noise among voiced words is told that they swing; the same among whispers, that they
    do not. By construction."""
    said, breath = tone(0.5, -20.0, 150.0), room_tone(0.5, -40.0)
    whisper, pause = room_tone(0.5, -20.0, seed=2), np.zeros(24_000)
    voiced, whispered = (
        features_of(np.concatenate([word, pause, breath, pause] * 4) + room_tone(8, -70.0), 48_000)
        for word in (said, whisper)
    )
    assert voiced[110:140, SUNG].mean() > 1.6
    assert whispered[110:140, SUNG].mean() < 1.0

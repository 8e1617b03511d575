"""fairtake.sound.measures: the figures of a file."""

from __future__ import annotations

import json

import numpy as np
import pytest

from fairtake.sound.measures import measures
from signals import heard, noise, room_tone, speech_like, stereo, tone


def test_sine():
    """A 997 Hz sine in one channel: loudness is RMS, peak 3.01 dB higher. BS.1770-5; algebra."""
    found = measures(heard(tone(5, -20.0, 997)))
    assert found.loudness_lufs == pytest.approx(-23.01, abs=0.01)
    assert found.rms_dbfs == pytest.approx(-23.01, abs=0.001)
    assert found.sample_peak_dbfs == pytest.approx(-20.0, abs=0.01)
    assert found.true_peak_dbtp == pytest.approx(-20.0, abs=0.02)
    assert found.max_momentary_lufs == pytest.approx(-23.01, abs=0.05)
    assert found.max_short_term_lufs == pytest.approx(-23.01, abs=0.05)
    assert found.loudness_range_lu == pytest.approx(0.0, abs=0.01)
    assert found.duration_s == 5.0


def test_stereo_is_louder_by_3_lu():
    """The same signal left and right reads 3.01 LU louder at the same RMS. BS.1770-5."""
    x = noise(3, -20.0)
    mono, both = measures(heard(x)), measures(heard(stereo(x)))
    assert both.loudness_lufs - mono.loudness_lufs == pytest.approx(3.01, abs=0.002)
    assert both.rms_dbfs == mono.rms_dbfs


@pytest.mark.parametrize("floor_dbfs", [-75.0, -60.0, -50.0])
@pytest.mark.parametrize("rate", [16_000, 44_100])
def test_speech_and_room(floor_dbfs, rate):
    """Room, speech, head and tail of a take whose answers are known."""
    take = speech_like(4, floor_dbfs, head_s=1.25, tail_s=2.5, rate=rate)
    found = measures(heard(take.samples, rate))
    assert found.noise_floor_dbfs == pytest.approx(floor_dbfs, abs=1.0)
    assert found.speech_level_dbfs == pytest.approx(-20.0, abs=1.0)
    assert found.head_s == pytest.approx(1.25, abs=0.03)
    assert found.tail_s == pytest.approx(2.5, abs=0.03)
    assert found.not_measurable == {"dc_offset_dbfs": "there is none"} or not found.not_measurable


def test_noise_floor_ignores_zeros():
    """Exact zeros laid around a take do not pass for a very quiet room."""
    take = speech_like(3, -58.0, tail_s=3.0).samples
    padded = np.concatenate([np.zeros(48_000), take, np.zeros(96_000)])
    assert measures(heard(padded)).noise_floor_dbfs == pytest.approx(-58.0, abs=1.0)


def test_noise_floor_is_the_quieter_room():
    """Where the room is louder behind the speech, its quieter part counts as the floor."""
    take = speech_like(2, -65.0, head_s=3.0, tail_s=3.0).samples
    take[-round(2.5 * 48_000) :] += room_tone(2.5, -56.0, 2)
    assert measures(heard(take)).noise_floor_dbfs == pytest.approx(-65.0, abs=1.0)


def test_dc():
    """DC is told in dBFS of its size: 0.01 is -40 dBFS. By algebra."""
    found = measures(heard(room_tone(3, -60.0) + 0.01))
    assert found.dc_offset_dbfs == pytest.approx(-40.0, abs=0.05)


def test_room_alone():
    """A room without a voice has a noise floor and no head, tail or speech level."""
    found = measures(heard(room_tone(4, -55.0)))
    assert found.noise_floor_dbfs == pytest.approx(-55.0, abs=1.0)
    assert found.head_s is found.tail_s is found.speech_level_dbfs is None
    assert found.not_measurable["head_s"] == "no speech was found"


@pytest.mark.parametrize("samples", [0, 1, 100, 239, 240, 4800, 19_199])
def test_short_and_silent(samples):
    """However little there is, every figure that is null has a reason, and the JSON is valid."""
    found = measures(heard(np.zeros(samples)))
    assert found.loudness_lufs is None
    assert found.not_measurable["loudness_lufs"] == "shorter than 0.4 s"
    figures = json.loads(found.to_json())
    assert {k for k, v in figures.items() if v is None} == set(figures["not_measurable"])


def test_silent():
    """Digital silence has a length and nothing else."""
    found = measures(heard(np.zeros(4 * 48_000)))
    assert {k for k, v in found if isinstance(v, float)} == {"duration_s"}
    assert found.not_measurable["true_peak_dbtp"] == "every sample is zero"

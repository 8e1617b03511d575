"""fairtake.sound.stages.tone: room tone where a take holds digital silence."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fairtake.profile import Profile
from fairtake.sound.levels import Levels, Piece
from fairtake.sound.plan import make_plan
from fairtake.sound.render import Rendering
from fairtake.sound.runs import runs
from fairtake.sound.stages.tone import ToneSettings, tone, tone_curve_db, tone_level_dbfs
from signals import ArraySource, Spoken, levels_of, rms_dbfs, speech_like

SETTINGS = ToneSettings()
CHAIN = ("trim", "gate", "tone", "limit", "normalise")


def muted(floor_dbfs: float | None = -65.0, beside_s: float = 0.1, **more: float) -> Spoken:
    """Speech whose pauses are exact zeros from *beside_s* away from it."""
    take = speech_like(3, floor_dbfs, **more)
    samples, guard = np.zeros_like(take.samples), round(beside_s * take.rate)
    for start, stop in take.spans_s:
        kept = slice(max(round(start * take.rate) - guard, 0), round(stop * take.rate) + guard)
        samples[kept] = take.samples[kept]
    return replace(take, samples=samples)


def zeros_in(levels: Levels) -> np.ndarray:
    return levels.heard_peak == 0


@pytest.mark.parametrize(
    ("room_dbfs", "expected_dbfs"),
    [(None, -80.0), (-72.0, -78.0), (-66.0, -72.0), (-40.0, -68.0), (-100.0, -90.0)],
)
def test_level_exact(room_dbfs, expected_dbfs):
    """6 dB under the room, 48 to 70 dB under speech at -20; 60 under it without a room. By algebra."""
    settings = ToneSettings(under_room_db=6, under_speech_db=60)
    assert tone_level_dbfs(room_dbfs, -20.0, settings) == pytest.approx(expected_dbfs)


@pytest.mark.parametrize("rows", [1, 5, 300])
def test_curve_covers_the_silence_and_little_more(rows):
    """Full level in every silent row, ramps without steps around them, nothing a ramp away."""
    silent = np.zeros(1000, bool)
    silent[400 : 400 + rows] = True
    curve = 10 ** (tone_curve_db(silent, -80.0, 40) / 20) * 1e4
    assert curve[silent] == pytest.approx(1.0, abs=1e-4)
    assert curve[: 400 - 41].max() < 1e-6
    assert curve[400 + rows + 41 :].max() < 1e-6
    assert curve[[400 - 20, 400 + rows + 19]] == pytest.approx(0.5, abs=0.03)
    assert np.abs(np.diff(curve)).max() < 2 / 40


def test_curve_fades_with_the_take():
    """Silence up to both ends of the take: the tone comes and goes as a take does."""
    curve = tone_curve_db(np.ones(1000, bool), -80.0, 40)
    assert curve[0] < -200 and curve[-1] < -200
    assert curve[40:-40] == pytest.approx(-80.0, abs=1e-3)
    assert curve[20] == pytest.approx(-80 - 6.02, abs=0.01)  # a raised cosine's middle


def test_every_zero_is_filled():
    """A muted take: tone in every row of zeros, 60 dB under its speech; by what was muted."""
    take = muted()
    work = tone(take.levels, SETTINGS)
    zeros = zeros_in(take.levels)
    speech_dbfs = rms_dbfs(take.samples[np.repeat(take.rows(), 48)[: len(take.samples)]])
    inside = zeros.copy()
    inside[:40] = inside[-40:] = False
    assert work.tone_db[inside] == pytest.approx(speech_dbfs - 60, abs=1.0)
    assert work.note["laid_s"] == pytest.approx(zeros.sum() / 1000)
    assert not work.note["room_found"]
    assert work.gain_db is None and work.levels is None  # nothing else is touched


def test_the_takes_own_room_is_followed():
    """Where one pause was muted by hand, the tone lies 6 dB under what is left of the room."""
    take = speech_like(4, -70.0, head_s=2.0, tail_s=3.0)
    samples = take.samples.copy()
    gap = slice(*(round(edge * take.rate) for edge in (take.spans_s[1][1], take.spans_s[2][0])))
    samples[gap] = 0.0
    work = tone(levels_of(samples), SETTINGS)
    middle = (gap.start + gap.stop) // 2 * 1000 // take.rate
    assert work.note["room_found"]
    # A quarter of its rows lie lower than the room's RMS by up to 2 dB: chi-square, few degrees.
    assert work.tone_db[middle] == pytest.approx(-76.0, abs=2.0)


def test_a_take_without_zeros_is_left_alone():
    """A quiet room is no digital silence, not even one of -95 dBFS."""
    for floor_dbfs in (-65.0, -95.0):
        work = tone(speech_like(3, floor_dbfs).levels, SETTINGS)
        assert work.tone_db is None
        assert work.note == {"laid_s": 0.0}


def test_one_dead_side_is_not_silence():
    """Only rows in which no channel has any sound are filled."""
    take = speech_like(3, -65.0)
    one_sided = np.stack([take.samples, np.zeros_like(take.samples)], axis=1)
    assert tone(levels_of(one_sided), SETTINGS).tone_db is None


def test_silence_laid_by_trim_is_filled():
    """A take without any pause gets silence before and behind, and tone there."""
    levels = muted(beside_s=0.0, head_s=0.0, tail_s=0.0).levels
    levels = levels.cut((Piece(None, 500, tone=True), Piece(0, levels.rows)))
    assert tone(levels, SETTINGS).tone_db[100:400] == pytest.approx(-80.0, abs=2.0)


def test_nobody_speaks():
    """Silence from end to end is not the tone's business."""
    assert tone(levels_of(np.zeros(48_000)), SETTINGS).tone_db is None


def longest_silence_ms(samples: np.ndarray, rate: int) -> float:
    """Longest run of samples under -120 dBFS."""
    starts, stops = runs(np.abs(samples[:, 0]) < 1e-6)
    return float((stops - starts).max(initial=0)) * 1000 / rate


def finished(samples: np.ndarray, rate: int, profile: Profile) -> np.ndarray:
    source = ArraySource(samples, rate)
    plan = make_plan(levels_of(samples, rate), profile)
    return np.concatenate(list(Rendering(source, plan, profile.sample_rate_hz)))


@pytest.mark.parametrize("floor_dbfs", [None, -50.0, -75.0])
@pytest.mark.parametrize("speech_dbfs", [-12.0, -45.0])
def test_no_silence_is_left(floor_dbfs, speech_dbfs):
    """Whatever the level and the room: no 5 ms of digital silence, and a floor under -60 dBFS."""
    take = muted(floor_dbfs, speech_dbfs=speech_dbfs)
    profile = Profile(sample_rate_hz=48000, normalise={"by": "rms", "target": -20.0})
    out = finished(take.samples, take.rate, profile)
    quiet = out[7_200:19_200]  # a quarter of a second of the head, before the gate opens
    assert longest_silence_ms(out, 48_000) < 5
    assert -90 < rms_dbfs(quiet) < -62


def test_speech_stays_as_it_was():
    """Where there is no tone, not one bit differs from the take finished without the stage."""
    take = muted()
    one = finished(take.samples, take.rate, Profile(sample_rate_hz=48000, chain=CHAIN))
    without = tuple(name for name in CHAIN if name != "tone")
    other = finished(take.samples, take.rate, Profile(sample_rate_hz=48000, chain=without))
    louder = np.abs(one - other)
    loud = np.abs(other) > 0.05
    assert len(one) == len(other)
    assert louder.max() < 10 ** (-60 / 20)
    assert np.count_nonzero(louder[loud] > 1e-9) < 0.05 * np.count_nonzero(loud)


def test_the_same_in_all_channels():
    """A take with one sound in both sides keeps one sound in both sides."""
    samples = np.stack([muted().samples] * 2, axis=1)
    out = finished(samples, 48_000, Profile(sample_rate_hz=48000, channels="keep"))
    np.testing.assert_array_equal(out[:, 0], out[:, 1])
    assert longest_silence_ms(out, 48_000) < 5

"""fairtake.sound.stages.trim: a take's edges."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fairtake.sound.edit import edited
from fairtake.sound.levels import JOIN_ROWS
from fairtake.sound.speech import find_speech
from fairtake.sound.stages.trim import TrimSettings, fade_curve_db, laid, quietest_tones, trim
from signals import levels_of, room_tone, speech_like


def finished_edges(take, settings: TrimSettings) -> tuple[float, float]:
    """Seconds before the first and behind the last speech of the trimmed take."""
    levels = take.levels.cut(trim(take.levels, settings).pieces)
    speech = find_speech(levels)
    return speech.first_row / 1000, (levels.rows - speech.last_row) / 1000


@given(
    seed=st.integers(0, 9999),
    floor_dbfs=st.floats(-80, -50),
    head_s=st.sampled_from([0.0, 0.02, 0.3, 2.0]),
    tail_s=st.sampled_from([0.0, 0.05, 0.4, 2.5]),
)
@settings(max_examples=15, deadline=None, derandomize=True)
def test_speech_is_never_cut(seed, floor_dbfs, head_s, tail_s):
    """Whatever the room's noise and however near the edge, all of every phrase is kept."""
    take = speech_like(3, floor_dbfs, seed=seed, head_s=head_s, tail_s=tail_s)
    body = next(
        p for p in trim(take.levels, TrimSettings(head_s=0.1, tail_s=0.1)).pieces if not p.tone
    )
    assert body.start <= 1000 * take.spans_s[0][0]
    assert body.stop >= 1000 * take.spans_s[-1][1] - 1


@pytest.mark.parametrize("floor_dbfs", [-80.0, -65.0, -50.0])
@pytest.mark.parametrize(("head_s", "tail_s"), [(0.1, 0.1), (0.5, 1.0), (0.75, 2.5), (3.0, 5.0)])
def test_head_and_tail_as_asked(floor_dbfs, head_s, tail_s):
    """Room tone at both ends is what the profile asks for, cut or added."""
    take = speech_like(3, floor_dbfs)
    found = finished_edges(take, TrimSettings(head_s=head_s, tail_s=tail_s))
    assert found == pytest.approx((head_s, tail_s), abs=0.03)


@pytest.mark.parametrize("early_s", [0.0, 0.03, 0.2])
def test_speech_at_the_very_edge(early_s):
    """A take that begins and ends in speech gets all of its room, and the note tells the truth."""
    take = speech_like(3, -65.0, head_s=early_s, tail_s=early_s)
    work = trim(take.levels, TrimSettings(head_s=0.5, tail_s=1.0))
    levels = take.levels.cut(work.pieces)
    first, last = (find_speech(take.levels).first_row, find_speech(take.levels).last_row)
    assert levels.rows == pytest.approx((last - first) + 1500, abs=1)
    assert work.note["first_speech_s"] == pytest.approx(early_s, abs=0.02)
    assert work.note["tone_added_head_s"] == pytest.approx(0.5 - early_s, abs=0.02)
    assert work.note["cut_from_head_s"] == 0.0


def test_tone_holds_no_speech():
    """What is laid before and behind comes from pauses, away from every phrase."""
    take = speech_like(3, -65.0, head_s=0.05, tail_s=0.05)
    work = trim(take.levels, TrimSettings(head_s=2.0, tail_s=3.0))
    tones = [p for p in work.pieces if p.tone]
    assert tones
    assert work.note["tone_found"]
    for p in tones:
        assert not take.rows(guard=-30)[p.start : p.stop].any()


def test_tone_avoids_clicks():
    """A pause with a click in it is not laid while there are others without."""
    take = speech_like(6, -65.0)
    gap = round((take.spans_s[0][1] + 0.35) * take.rate)
    take.samples[gap : gap + 40] += 0.2
    for p in quietest_tones(take.levels, take.rows(guard=-60)):
        assert not p.start <= gap * 1000 // take.rate < p.stop


def test_exact_zero_room():
    """A take without any room is padded with silence, and says that no tone was found."""
    take = speech_like(3, floor_dbfs=None, head_s=0.0, tail_s=0.0)
    work = trim(take.levels, TrimSettings())
    assert work.pieces[0].start is None
    assert work.pieces[-1].start is None
    assert not work.note["tone_found"]
    out = np.concatenate(list(edited(take.source, work.pieces)))
    assert not out[: 400 * 48].any()
    assert len(out) == pytest.approx(len(take.samples) + 1.5 * 48_000, abs=50 * 48)


def test_no_speech_is_left_whole():
    """A take in which nobody is found to speak is not cut."""
    levels = levels_of(room_tone(3, -60.0))
    body = [p for p in trim(levels, TrimSettings()).pieces if not p.tone]
    assert [(p.start, p.stop) for p in body] == [(0, 3000)]


def test_fades():
    """Raised cosine: silent at the edge, -6.02 dB half way, untouched between. By algebra."""
    curve = fade_curve_db(1000, 30, 200)
    assert curve[0] < -150
    assert curve[-1] < -150
    assert curve[15] == pytest.approx(-6.0206, abs=0.001)
    assert curve[-101] == pytest.approx(-6.0206, abs=0.001)
    assert not curve[30:-200].any()
    assert np.all(np.diff(curve[:31]) > 0)


def test_fades_longer_than_the_take():
    """Fades that do not fit give a curve as long as the take."""
    assert len(fade_curve_db(10, 30, 200)) == 10
    assert len(fade_curve_db(0, 30, 200)) == 0


def test_fades_lie_in_room_tone():
    """Under the default settings no fade reaches the first or the last word."""
    take = speech_like(3, -65.0)
    work = trim(take.levels, TrimSettings())
    spoken = find_speech(take.levels.cut(work.pieces)).rows
    assert not work.gain_db[spoken].any()


@pytest.mark.parametrize("rows", [1, 119, 120, 700, 701, 739, 740, 5000])
def test_laid_length(rows):
    """Tone is laid to the very row, from each stretch in turn."""
    tones = quietest_tones(levels_of(room_tone(2.5, -60.0)), np.zeros(2500, bool))
    assert sum(p.rows for p in laid(tones, rows)) == rows
    assert sum(p.rows for p in laid([], rows)) == rows
    assert min(p.rows for p in laid(tones, rows)) >= min(rows, 2 * JOIN_ROWS)
    assert len({p.start for p in laid(tones, 5000)}) > 1
    assert laid(tones, -5) == []


def test_long_fades_stop_at_speech():
    """Fades set longer than the room tone around speech leave every syllable at its level."""
    take = speech_like(3, -70.0)
    settings = TrimSettings(head_s=0.1, tail_s=0.1, fade_in_ms=1000, fade_out_ms=5000)
    work = trim(take.levels, settings)
    speech = find_speech(take.levels)
    assert not work.gain_db[101 : 100 + speech.last_row - speech.first_row].any()
    assert work.gain_db[0] < -60


def test_the_head_fits_a_soft_noise_before_the_word_too():
    """With a breath 0.28 s before the word, both lie within the audiobook's window of 0.5 to 1 s."""
    take = speech_like(2, -72.0, head_s=2.0, seed=5)
    word = round(take.spans_s[0][0] * 48_000)
    breath = np.random.default_rng(1).standard_normal(9_600) * np.hanning(9_600) * 10 ** (-44 / 20)
    samples = take.samples.copy()
    samples[word - 13_440 : word - 3_840] += breath
    piece = next(
        p for p in trim(levels_of(samples), TrimSettings(head_s=0.75)).pieces if not p.tone
    )
    head_s = take.spans_s[0][0] - piece.start / 1000
    assert head_s - 0.28 >= 0.5 and head_s <= 1.0

"""fairtake.sound.stages.trim: a take's edges."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fairtake.sound.edit import edited
from fairtake.sound.levels import JOIN_ROWS, Sound
from fairtake.sound.speech import first_row, last_row
from fairtake.sound.stages.trim import TrimSettings, fade_curve_db, laid, quietest_tones, trim
from signals import Spoken, burst, levels_of, room_tone, speech_like


def finished_edges(take, settings: TrimSettings) -> tuple[float, float]:
    """Seconds before the first and behind the last speech of the trimmed take."""
    levels = take.levels.cut(trim(take.levels, settings).pieces)
    return first_row(levels.kept) / 1000, (levels.rows - last_row(levels.kept)) / 1000


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
    first, last = first_row(take.levels.kept), last_row(take.levels.kept)
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
    levels = levels_of(room_tone(3, -60.0)).with_sounds(np.zeros(3000, np.uint8))
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
    spoken = take.levels.cut(work.pieces).voice
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
    first, last = first_row(take.levels.kept), last_row(take.levels.kept)
    assert not work.gain_db[101 : 100 + last - first].any()
    assert work.gain_db[0] < -60


@pytest.mark.parametrize(
    ("before_s", "cut"), [(2.2, True), (1.4, True), (0.75, True), (0.3, False)]
)
def test_a_noise_before_the_first_word_goes_where_room_parts_it(before_s: float, cut: bool):
    """A page 0.6 s or more before the first word is cut, though the head be longer; nearer it is a part
    of it. The head is as long as was asked all the same."""
    take = speech_like(2, -65.0, head_s=4.0, seed=5)
    page = take.with_sound(take.spans_s[0][0] - before_s, burst(0.1, -36.0), Sound.NOISE)
    work = trim(page.levels, TrimSettings(head_s=2.0))
    levels = page.levels.cut(work.pieces)
    assert levels.is_sound(Sound.NOISE).any() != cut
    assert first_row(levels.kept) == pytest.approx(2000, abs=2)
    assert [s["sound"] for s in work.note["sounds_cut"]] == (["noise"] if cut else [])


def test_a_noise_behind_the_last_word_goes_where_room_parts_it():
    """The chair that creaks a second after the last word is cut, and told with its place."""
    take = speech_like(2, -65.0, tail_s=4.0, seed=5)
    at_s = take.spans_s[-1][1] + 1.0
    chair = take.with_sound(at_s, burst(0.5, -36.0), Sound.NOISE)
    work = trim(chair.levels, TrimSettings(tail_s=2.5))
    levels = chair.levels.cut(work.pieces)
    assert not levels.is_sound(Sound.NOISE).any()
    assert levels.rows - last_row(levels.kept) == pytest.approx(2500, abs=2)
    (told,) = work.note["sounds_cut"]
    assert told["sound"] == "noise"
    assert told["from_s"] == pytest.approx(at_s, abs=0.002)
    assert told["to_s"] == pytest.approx(at_s + 0.5, abs=0.002)


def test_laid_tone_holds_no_breath():
    """What is laid at the edges comes from the room alone."""
    take = speech_like(3, -65.0, head_s=0.05, tail_s=0.05, pause_s=1.5)
    for start, stop in zip((s[1] for s in take.spans_s), (s[0] for s in take.spans_s[1:]), strict=False):  # fmt: skip
        take = take.with_sound((start + stop) / 2, burst(0.3, -60.0), Sound.BREATH)
    work = trim(take.levels, TrimSettings(head_s=2.0, tail_s=3.0))
    for piece in work.pieces:
        if piece.tone and piece.start is not None:
            heard = take.levels.heard_sound[piece.start : piece.stop]
            assert (heard == Sound.ROOM).all()


@pytest.mark.parametrize("asked", [False, True])
def test_a_false_start_is_cut_only_where_the_profile_says_so(asked: bool):
    """Words that are broken off and said again stay, and are told; with the setting they go."""
    take = with_false_start()
    work = trim(take.levels, TrimSettings(head_s=0.5, false_start=asked))
    begins = next(p.start for p in work.pieces if not p.tone)
    first, again = take.spans_s[0], take.spans_s[1]
    assert work.note["false_start_s"] == pytest.approx([first[0], again[0]], abs=0.01)
    expected = again[0] if asked else first[0]
    assert begins / 1000 == pytest.approx(expected - 0.5, abs=0.01)


def test_a_title_is_no_false_start():
    """Words that stand alone at the beginning and are not said again are nobody's mistake."""
    take = speech_like(6, -65.0, pause_s=1.5, seed=3)
    assert trim(take.levels, TrimSettings(false_start=True)).note["false_start_s"] == []


def with_false_start() -> Spoken:
    """A take whose first phrase begins as its second one does, and is broken off."""
    take = speech_like(6, -65.0, head_s=3.0, pause_s=1.5, seed=3)
    start, stop = take.spans_s[0]
    length = min(0.6 * (stop - start), 0.9)
    words = slice(round(start * take.rate), round((start + length) * take.rate))
    at = round(0.6 * take.rate)
    samples = take.samples.copy()
    samples[at : at + words.stop - words.start] += 0.8 * take.samples[words]
    span = (0.6, 0.6 + length)
    return Spoken(samples, take.rate, (span, *take.spans_s))


def test_what_may_be_a_word_is_never_cut_off():
    """A sound within the tail that the ear is unsure of stays where it is, and is told where it goes."""
    take = speech_like(2, -65.0, tail_s=6.0, seed=5)
    end_s = take.spans_s[-1][1]
    near = take.with_sound(end_s + 1.0, burst(0.4, -40.0), Sound.UNSURE)
    work = trim(near.levels, TrimSettings(tail_s=2.5))
    assert near.levels.cut(work.pieces).is_sound(Sound.UNSURE).sum() == 400
    assert work.note["sounds_cut"] == []
    far = take.with_sound(end_s + 4.0, burst(0.4, -40.0), Sound.UNSURE)
    (told,) = trim(far.levels, TrimSettings(tail_s=2.5)).note["sounds_cut"]
    assert told["sound"] == "unsure"


def test_a_room_that_is_never_alone_is_laid_all_the_same():
    """Where every pause has some other sound in it, tone is taken from what holds no word at least."""
    take = speech_like(3, -60.0, head_s=0.05, tail_s=0.05, pause_s=0.6)
    for (_, stop), (start, _) in zip(take.spans_s, take.spans_s[1:], strict=False):
        take = take.with_sound(
            stop + 0.05, np.zeros(round((start - stop - 0.1) * 48_000)), Sound.BREATH
        )
    work = trim(take.levels, TrimSettings())
    assert work.note["tone_found"]

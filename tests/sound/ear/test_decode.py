"""fairtake.sound.ear.decode: from likelihoods to one kind a frame."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fairtake.sound.ear.decode import (
    GUARD_BEFORE,
    GUARD_BEHIND,
    MUSIC_FRAMES,
    SWINGING_FRAMES,
    decoded,
    likeliest,
)
from fairtake.sound.ear.net import BREATH, KINDS, MUSIC, NOISE, ROOM, VOICE
from fairtake.sound.levels import Sound


def sure_of(*parts: tuple[int, int], sure: float = 0.97) -> np.ndarray:
    """Likelihoods of (kind, frames) one after another."""
    kinds = np.concatenate([np.full(frames, kind) for kind, frames in parts])
    likely = np.full((len(kinds), KINDS), (1 - sure) / (KINDS - 1), np.float32)
    likely[np.arange(len(kinds)), kinds] = sure
    return likely


def nothing_told(likely: np.ndarray) -> np.ndarray:
    """Features of sound that does not swing, lies far under speech and stands out of the room."""
    return np.tile(np.array([0.0, -2.0, 1.0], np.float32), (len(likely), 1))


def heard(likely: np.ndarray) -> np.ndarray:
    return decoded(likely, nothing_told(likely))


def brute_force(odds: list[float], change: float) -> float:
    """The worth of the best of all paths that begin off or on."""
    return max(
        sum(worth for worth, on in zip(odds, path, strict=True) if on)
        - change * sum(a != b for a, b in itertools.pairwise((path[0], *path)))
        for path in itertools.product((False, True), repeat=len(odds))
    )


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-7, 7), min_size=1, max_size=9), st.floats(0.1, 8))
def test_no_path_is_likelier(odds: list[float], change: float):
    """The path that is found is worth as much as the best of all 2^n (Viterbi 1967), but for a change
    paid for beginning on."""
    path = likeliest(np.array(odds), change)
    changes = np.abs(np.diff(path.astype(int))).sum() + (int(path[0]) if path[0] else 0)
    worth = np.array(odds)[path].sum() - change * changes
    others = brute_force(odds, change) - change
    assert worth >= others - 1e-6


def test_what_is_plain_is_told_plainly():
    """Room, a breath, room, speech, a page: each is what the net is sure of, guards apart."""
    likely = sure_of((ROOM, 100), (BREATH, 40), (ROOM, 30), (VOICE, 100), (ROOM, 40), (NOISE, 30), (ROOM, 60))  # fmt: skip
    sounds = heard(likely)
    # The rest of the likelihood that is not voice stays under what makes anybody unsure.
    assert (sounds[105:135] == Sound.BREATH).all()
    assert (sounds[170 - GUARD_BEFORE : 270 + GUARD_BEHIND] == Sound.VOICE).all()
    assert (sounds[315:335] == Sound.NOISE).all()
    assert (sounds[:95] == Sound.ROOM).all()


def test_the_order_of_kinds_is_the_nets():
    """The test above would pass with kinds mixed up in both places; the net's order is fixed."""
    assert (VOICE, BREATH, NOISE, MUSIC, ROOM) == (0, 1, 2, 3, 4)


def test_a_frame_alone_is_no_word():
    """One frame that looks like a voice in the middle of room is not kept: a change costs."""
    assert not (heard(sure_of((ROOM, 50), (VOICE, 1), (ROOM, 50))) == Sound.VOICE).any()


def test_speech_is_kept_though_it_be_unlikely():
    """A soft end of 200 ms with odds of one to six is kept: a lost consonant is worse than a noise."""
    likely = sure_of((VOICE, 50), (ROOM, 20), (ROOM, 60), sure=0.995)
    likely[50:70, VOICE], likely[50:70, ROOM] = 0.15, 0.84
    assert (heard(likely)[50:70] == Sound.VOICE).all()


@pytest.mark.parametrize(
    ("kind", "frames", "kept"), [(BREATH, 40, False), (BREATH, 15, True), (NOISE, 40, True)]
)
def test_no_consonant_is_in_doubt_for_long(kind: int, frames: int, kept: bool):
    """What touches a word and is a voice by one to nine: 150 ms of it may be an h, 400 ms of air are a
    breath. What is rather noise than air may be a whisper, and stays."""
    likely = sure_of((ROOM, 60), (kind, frames), (VOICE, 60), (ROOM, 60), sure=0.995)
    here = slice(60, 60 + frames)
    likely[here, VOICE], likely[here, kind] = 0.1, 0.89
    before_the_word = heard(likely)[60 : 60 + frames - GUARD_BEFORE]
    assert (before_the_word == Sound.VOICE).all() == kept
    assert kept or (before_the_word == Sound.BREATH).all()


@pytest.mark.parametrize(("apart", "kept"), [(100, False), (12, True)])
def test_a_sound_that_stands_alone_has_to_be_a_voice(apart: int, kept: bool):
    """Half a second that is a voice by one to three is kept close behind a word, for it may be its end; a
    second away it is the noise that it resembles more."""
    likely = sure_of((ROOM, 50), (VOICE, 50), (ROOM, apart), (NOISE, 50), (ROOM, 60), sure=0.995)
    here = slice(100 + apart, 150 + apart)
    likely[here, VOICE], likely[here, NOISE] = 0.25, 0.74
    assert (heard(likely)[here] == Sound.VOICE).all() == kept


@pytest.mark.parametrize(
    ("voice", "found"), [(0.9, Sound.VOICE), (0.6, Sound.UNSURE), (0.4, Sound.NOISE)]
)
def test_a_bump_a_second_away_is_no_word(voice: float, found: Sound):
    """A fifth of a second far from all that speaks: a word by itself is kept, what may be one nobody is sure
    of, and what is rather none is the noise it resembles, which trim may cut."""
    likely = sure_of((ROOM, 50), (VOICE, 50), (ROOM, 100), (NOISE, 20), (ROOM, 60), sure=0.995)
    likely[200:220, VOICE], likely[200:220, NOISE] = voice, 0.99 - voice
    assert (heard(likely)[200:220] == found).all()


def test_the_release_of_a_stop_stays_with_its_word():
    """A burst of 50 ms, 100 ms behind a word, is kept; the same a second later is a noise."""
    near = heard(sure_of((ROOM, 50), (VOICE, 50), (ROOM, 10), (NOISE, 5), (ROOM, 60), sure=0.995))
    far = heard(sure_of((ROOM, 50), (VOICE, 50), (ROOM, 100), (NOISE, 5), (ROOM, 60), sure=0.995))
    assert (near[110:115] == Sound.VOICE).all()
    assert (far[200:205] == Sound.NOISE).all()


def test_what_swings_for_long_is_a_voice():
    """140 ms of swinging near the level of speech, a fifth of a second behind a word, are kept whatever
    the net says; 20 ms are not, nor is such a sound far from any word: a chair may swing too."""
    long, short = 2 * SWINGING_FRAMES, 2
    for length, apart, kept in ((long, 20, True), (short, 20, False), (long, 60, False)):
        likely = sure_of((VOICE, 50), (ROOM, apart), (BREATH, long), (ROOM, 50), sure=0.995)
        told = nothing_told(likely)
        told[50 + apart : 50 + apart + length] = (1.9, -0.5, 1.5)
        sounds = decoded(likely, told)
        assert bool((sounds[54 + apart : 62 + apart] == Sound.VOICE).all()) == kept


def test_nobody_is_sure_where_a_voice_is_not_unlikely():
    """60 ms that are a voice by one to seven are too short to be kept, and not told to be what they
    resemble most."""
    likely = sure_of((ROOM, 50), (BREATH, 6), (ROOM, 50), sure=0.999)
    likely[50:56, VOICE], likely[50:56, BREATH] = 0.12, 0.879
    assert (heard(likely)[50:56] == Sound.UNSURE).all()


def test_what_never_stands_out_of_the_room_is_the_room():
    """A stretch that the net takes for a voice, and that is nowhere louder than the room, is none."""
    likely = sure_of((ROOM, 50), (VOICE, 100), (ROOM, 50))
    told = nothing_told(likely)
    told[:, 2] = 0.1
    assert not (decoded(likely, told) == Sound.VOICE).any()
    told[90:95, 2] = 0.3
    assert (decoded(likely, told)[50:150] == Sound.VOICE).all()


@pytest.mark.parametrize(
    ("frames", "expected"), [(3 * MUSIC_FRAMES, Sound.MUSIC), (20, Sound.VOICE)]
)
def test_music_goes_on(frames: int, expected: Sound):
    """Some seconds of music that rises and falls are music; a moment of it is a voice that sounds like it."""
    likely = sure_of((VOICE, 100), (MUSIC, frames), (VOICE, 100))
    told = nothing_told(likely)
    told[:, 2] += 0.3 * np.sin(np.arange(len(told)) / 12)  # by 12 dB, once in 0.75 s
    assert decoded(likely, told)[100 + frames // 2] == expected


def test_music_as_even_as_a_room_is_one():
    """What never rises nor falls is a fan or a hum, whatever the net calls it."""
    likely = sure_of((ROOM, 100), (MUSIC, 400), (ROOM, 100))
    assert not (heard(likely) == Sound.MUSIC).any()

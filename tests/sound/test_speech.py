"""fairtake.sound.speech: where somebody speaks."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fairtake.sound.runs import runs
from fairtake.sound.speech import find_speech, stretches
from signals import levels_of, noise, room_tone, speech_like, table, tone

FLOORS = [-80.0, -70.0, -60.0, -55.0, -50.0]


@pytest.mark.parametrize("floor_dbfs", FLOORS)
@given(seed=st.integers(0, 9999), rate=st.sampled_from([16_000, 44_100, 48_000]))
@settings(max_examples=4, deadline=None, derandomize=True)
def test_edges(floor_dbfs, seed, rate):
    """First and last word are found within 30 ms, whatever the room's noise."""
    take = speech_like(2, floor_dbfs, seed=seed, rate=rate)
    speech = find_speech(take.levels)
    assert abs(speech.first_row - 1000 * take.spans_s[0][0]) <= 30
    assert abs(speech.last_row - 1000 * take.spans_s[-1][1]) <= 30


@pytest.mark.parametrize("floor_dbfs", FLOORS)
def test_pauses_are_no_speech(floor_dbfs):
    """Room tone between phrases is not called speech, and each phrase holds some."""
    take = speech_like(4, floor_dbfs)
    found, spoken = find_speech(take.levels).rows, take.rows()
    assert (found & ~take.rows(guard=-60)).sum() == 0
    for start, stop in zip(*runs(spoken), strict=True):
        assert found[start:stop].mean() > 0.8  # the closures of stops are silent


def test_a_voice_that_dies_away():
    """A word that fades evenly by 25 dB a second is followed down to the room; it is no steady room."""
    take = speech_like(2, -70.0, pause_s=2.0, seed=5)
    fade_s, end = 1.2, round(take.spans_s[0][1] * take.rate)
    n = np.arange(round(fade_s * take.rate))
    samples = take.samples.copy()
    hall = noise(fade_s, -30.0)[: len(n)] * 10 ** (-25 / 20 * n / take.rate)
    samples[end : end + len(n)] += hall
    found = find_speech(levels_of(samples)).rows
    row = end * 1000 // take.rate
    # After 1.1 s it still stands 8 dB or more out of the room, which the high end helps.
    assert found[row - 50 : row + 1100].all()


def burst(seconds: float, dbfs: float, seed: int) -> np.ndarray:
    """White noise with soft ends."""
    rng = np.random.default_rng(seed)
    n = round(seconds * 48_000)
    return rng.standard_normal(n) * np.hanning(n) * 10 ** (dbfs / 20)


def laid(take, at_s: float, *bursts: np.ndarray, step_s: float = 0.0) -> np.ndarray:
    """The take with bursts laid in, one each *step_s*."""
    samples = take.samples.copy()
    for n, sound in enumerate(bursts):
        begin = round((at_s + n * step_s) * 48_000)
        samples[begin : begin + len(sound)] += sound
    return samples


def test_noise_long_before_the_first_word():
    """A page turned 2 s before the first word is not where the take begins."""
    take = speech_like(2, -65.0, head_s=4.0, seed=5)
    speech = find_speech(levels_of(laid(take, 1.2, burst(0.6, -36.0, 1))))
    assert speech.first_row == pytest.approx(1000 * take.spans_s[0][0], abs=40)


def test_a_whispered_phrase_before_the_first_word():
    """Somebody who whispers for a second or two before the voice sets in has begun to speak."""
    take = speech_like(2, -65.0, head_s=4.0, seed=5)
    whispered = [burst(0.2, -34.0, n) for n in range(7)]
    speech = find_speech(levels_of(laid(take, 1.2, *whispered, step_s=0.24)))
    assert speech.first_row == pytest.approx(1200, abs=60)


def test_lips_before_the_first_word():
    """A soft short noise just before a word is kept as heard, but the head is measured from the word."""
    take = speech_like(2, -65.0, head_s=2.0, seed=5)
    speech = find_speech(levels_of(laid(take, 1.75, burst(0.07, -42.0, 1))))
    assert speech.first_row == pytest.approx(1000 * take.spans_s[0][0], abs=40)


def test_quiet_speech():
    """What counts is the distance from the room, not the level: 25 dB lower finds the same."""
    samples = speech_like(3, -60.0).samples
    one, other = find_speech(levels_of(samples)), find_speech(levels_of(samples * 10 ** (-25 / 20)))
    np.testing.assert_array_equal(one.rows, other.rows)
    assert other.speech_lufs == pytest.approx(one.speech_lufs - 25, abs=0.01)


def test_floor_moves_with_the_room():
    """A fan that starts half way does not turn the rest of the take into speech."""
    quiet, loud = speech_like(6, -75.0, tail_s=6.0), speech_like(6, -52.0, seed=2, head_s=6.0)
    found = find_speech(levels_of(np.concatenate([quiet.samples, loud.samples]))).rows
    expected = np.concatenate([quiet.rows(guard=-60), loud.rows(guard=-60)])
    wrong = found & ~expected[: len(found)]
    seam = len(quiet.samples) * 1000 // quiet.rate
    wrong[seam - 6000 : seam + 6000] = False  # so far the floor looks to either side
    assert not wrong.any()


NO_SPEECH = {
    "room tone": room_tone(8, -60.0),
    "loud room tone": room_tone(8, -45.0),
    "white noise": noise(8, -50.0),
    "digital silence": np.zeros(8 * 48_000),
    "one click": room_tone(8, -60.0) + 0.5 * (np.arange(8 * 48_000) == 200_000),
    "one click in silence": 0.5 * (np.arange(8 * 48_000) == 200_000),
    "a few samples": np.full(100, 0.1),
    "one frame": np.full(240, 1e-4),
}


@pytest.mark.parametrize("kind", NO_SPEECH)
def test_no_speech(kind):
    """Where nobody speaks none is found."""
    speech = find_speech(levels_of(NO_SPEECH[kind]))
    assert not speech.found
    assert speech.speech_lufs is None


def test_exact_zeros_between_phrases():
    """In a take whose pauses were cut to zeros, all that is not zero is speech."""
    take = speech_like(3, floor_dbfs=None)
    found = find_speech(take.levels).rows
    assert found[take.rows(guard=15) & (take.levels.peak > 1e-3)].all()
    assert not found[~take.rows(guard=-60)].any()


def test_zeros_around_a_take():
    """Exact zeros before and behind a take do not make its room pass for speech."""
    take = speech_like(3, -60.0)
    zeros = np.zeros(6 * 48_000)
    speech = find_speech(levels_of(np.concatenate([zeros, take.samples, zeros])))
    assert speech.first_row == pytest.approx(6000 + 1000 * take.spans_s[0][0], abs=30)
    assert speech.last_row == pytest.approx(6000 + 1000 * take.spans_s[-1][1], abs=30)


def test_steady_sound_meant_to_be_heard():
    """A test tone from end to end is no noise floor: it is found."""
    assert find_speech(levels_of(tone(5, -20.0))).rows.all()


def frames(text: str, letters: str) -> np.ndarray:
    return np.array([c in letters for c in text], bool)


def test_stretches_exact():
    """A stretch grows over the lower margin, and needs the upper one for long enough."""
    text = "..cc" + "O" * 8 + "cc.." + "c" * 30 + ".."
    found = stretches(frames(text, "cO"), frames(text, "O"))
    np.testing.assert_array_equal(found, frames("..XXXXXXXXXXXX" + "." * 34, "X"))


@pytest.mark.parametrize(("gap", "kept"), [(10, True), (59, True), (60, False), (200, False)])
def test_short_burst(gap, kept):
    """A short burst counts within 300 ms behind speech, and is a click when it stands alone."""
    text = "O" * 20 + "." * gap + "OO" + "." * 80
    found = stretches(frames(text, "O"), frames(text, "O"))
    assert found[20 + gap] == kept


def test_rows_cover_the_rest():
    """The mask is as long as the table, also where the last frame is not whole."""
    speech = find_speech(table([-20.0] * 1003))
    assert len(speech.rows) == 1003
    assert speech.last_row == 1003


def test_a_take_that_is_cut_off_anywhere():
    """Wherever a recording breaks off, even in the middle of a sound, its speech is still told."""
    take = speech_like(4, -60.0, pause_s=0.5)
    for stop in range(40_000, len(take.samples), 6_333):
        for samples in (take.samples[:stop], take.samples[-stop:]):
            speech = find_speech(levels_of(samples))
            assert len(speech.rows) == -(-len(samples) * 1000 // 48_000)


@pytest.mark.parametrize("lasts_s", [0.2, 0.26])
def test_a_breath_that_runs_into_the_first_word(lasts_s: float):
    """A lowered breath close before the word, with a dip between, is no word."""
    take = speech_like(2, -72.0, head_s=2.0, seed=5)
    word_s = take.spans_s[0][0]
    speech = find_speech(levels_of(laid(take, word_s - 0.28, burst(lasts_s, -44.0, 1))))
    assert speech.first_row == pytest.approx(1000 * word_s, abs=40)


def test_a_soft_consonant_that_grows_into_the_first_word():
    """Noise that swells without a dip up to the voice is the word's own first sound."""
    take = speech_like(2, -72.0, head_s=2.0, seed=5)
    word_s = take.spans_s[0][0]
    rng = np.random.default_rng(1)
    swell = rng.standard_normal(9_600) * np.linspace(0, 10 ** (-42 / 20), 9_600)
    speech = find_speech(levels_of(laid(take, word_s - 0.19, swell)))
    assert speech.first_row < 1000 * word_s - 120

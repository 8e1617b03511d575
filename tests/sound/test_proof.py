"""fairtake.sound.proof: no syllable is lost silently."""

from __future__ import annotations

import numpy as np
import pytest

from fairtake.sound.levels import Sound
from fairtake.sound.proof import UNHARMED, Harm, prove_speech, spoken_power
from signals import burst, speech_like


def two_phrases() -> np.ndarray:
    power = np.zeros(8000, np.float32)
    power[1000:3500] = power[4500:7000] = 1e-3
    return power


def test_an_even_gain_loses_nothing():
    """One gain for all, and a deep fall in the pauses, harm no speech."""
    spoken = two_phrases()
    proof = prove_speech(spoken, np.where(spoken > 0, -3, -20).astype(np.float32))
    assert proof == UNHARMED


def test_a_lost_syllable_is_seen():
    """A hole of 100 ms, 8 dB deep, is 2 % of five seconds of speech. By algebra."""
    spoken = two_phrases()
    gain_db = np.zeros(8000, np.float32)
    gain_db[2000:2100] = -8
    proof = prove_speech(spoken, gain_db)
    assert proof.lost_share == pytest.approx(0.02)
    assert proof.longest_lost_ms == 100
    assert proof.lost == (Harm(2000, 2100),)


@pytest.mark.parametrize("edge", [slice(1000, 1040), slice(3440, 3500)])
def test_a_dulled_edge_is_seen(edge: slice):
    """The first 40 or the last 60 ms of a phrase, 4 dB down, count as a dulled edge."""
    gain_db = np.zeros(8000, np.float32)
    gain_db[edge] = -4
    (harm,) = prove_speech(two_phrases(), gain_db).dulled
    assert edge.start - 20 <= harm.start and harm.stop <= edge.stop + 20


@pytest.mark.parametrize(("edge_power", "pressed"), [(1e-2, 1), (1e-4, 0)])
def test_what_lowered_an_edge_is_told_by_its_loudness(edge_power: float, pressed: int):
    """An edge louder than its word was pressed down; a softer one was taken for a pause."""
    power, gain_db = two_phrases(), np.zeros(8000, np.float32)
    power[1000:1060], gain_db[1000:1060] = edge_power, -4
    (harm,) = prove_speech(power, gain_db).dulled
    assert harm.pressed == bool(pressed)


def test_a_burst_behind_a_soft_start_is_an_edge_too():
    """Rows that can hardly be heard do not hide the burst 15 ms behind them."""
    power, gain_db = two_phrases(), np.zeros(8000, np.float32)
    power[1000:1015] = 1e-6
    power[1035:1055], gain_db[1035:1055] = 1e-2, -4
    assert len(prove_speech(power, gain_db).dulled) == 1


def test_a_burst_counts_by_what_is_heard():
    """A burst of 8 ms that holds most of an edge's energy and lies 5 dB down dulls the edge."""
    power, gain_db = two_phrases(), np.zeros(8000, np.float32)
    gain_db[1010:1018] = -5
    assert not prove_speech(power, gain_db).harms
    power[1010:1018] = 1.0
    assert len(prove_speech(power, gain_db).dulled) == 1


def test_a_slow_move_between_sections_is_no_loss():
    """Sections ridden 15 dB apart across a pause keep all their speech."""
    spoken = two_phrases()
    gain_db = np.zeros(8000, np.float32)
    gain_db[4000:] = -15
    assert not prove_speech(spoken, gain_db).harms


def test_speech_is_drawn_wide():
    """The rows that are judged hold all of the speech there is."""
    take = speech_like(4, -60.0)
    spoken = spoken_power(take.levels) > 0
    assert spoken[take.rows(guard=10)[: len(spoken)]].mean() > 0.8


def test_no_speech_no_loss():
    """Without speech there is nothing to lose."""
    assert prove_speech(np.zeros(1000, np.float32), np.full(1000, -20, np.float32)) == UNHARMED


def test_the_ear_does_not_prove_itself():
    """What the ear missed right beside a word and stands out of the room is judged all the same; what it
    calls a breath is not, and the room is not."""
    take = speech_like(2, -65.0, pause_s=1.5, seed=5)
    end_s = take.spans_s[0][1]
    for sound, judged in ((Sound.ROOM, True), (Sound.UNSURE, True), (Sound.BREATH, False)):
        laid = take.with_sound(end_s, burst(0.09, -40.0), sound)
        rows = slice(round(end_s * 1000) + 20, round(end_s * 1000) + 70)
        assert bool((spoken_power(laid.levels)[rows] > 0).any()) == judged
    assert not (spoken_power(take.levels)[rows.stop + 200 : rows.stop + 800] > 0).any()

"""The instrument before what it measures: takes whose fate is known by construction.

A perfect hand must meet every goal, a hand that does nothing must miss them, and what is taken from
speech must be counted to the frame.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from scipy import signal

import hearing_measures as hearing
from chain import Finished
from heard import Heard
from measuring import Compared, edges
from noises import page
from sources import EDGE_MS, FRAME, RATE_HZ
from takes import Take, Track, make_take

PHRASE_S, EDGE_S = 1.5, EDGE_MS / 1000


def phrase() -> np.ndarray:
    """Something voiced of a steady level, with the fades that utterances have."""
    t = np.arange(round(PHRASE_S * RATE_HZ)) / RATE_HZ
    fade = np.clip(np.minimum(t, t[::-1]) / EDGE_S, 0.0, 1.0)
    return 0.1 * signal.sawtooth(2 * np.pi * 140 * t) * fade


@dataclass(frozen=True)
class Known(Heard):
    """A page; four phrases; a breath that is clear, one that touches, and a pause of its own."""

    name: str = "known"
    voice: str = "nobody"

    def lay(self, track: Track) -> None:
        track.wait(0.3)
        track.lay("end noise", page(track.rng), what="page", gap_s=1.0)
        track.wait(1.0)
        for gap_s in (0.2, 0.02, None):
            track.lay("speech", phrase(), level_db=-25.0, what="spoken")
            if gap_s is not None:
                air = 0.01 * track.rng.standard_normal(round(0.4 * RATE_HZ))
                start = track.pen + round((gap_s - EDGE_S) * RATE_HZ)
                track.lay_at(start, "breath", air, what="swell", gap_s=gap_s, under_db=20.0)
            track.wait(1.0)
        track.lay("speech", phrase(), level_db=-25.0, what="spoken")
        track.wait(1.0)


@pytest.fixture(scope="module")
def take() -> Take:
    return make_take(Known(), 1)


def treated(take: Take, gain_db: np.ndarray, kept: np.ndarray | None = None) -> Compared:
    """The take after a gain for each frame, and a cut."""
    n = len(take.samples)
    whole_db = np.repeat(np.append(gain_db, gain_db[-1]), FRAME)[:n]
    kept = np.ones(n, bool) if kept is None else kept
    aligned = np.where(kept, take.reference * 10 ** (whole_db / 20), 0.0)
    unused: Any = None
    return Compared(
        take, Finished(unused, unused, aligned[:, None], RATE_HZ, aligned, kept, 0, 0, 0)
    )


def perfect_db(take: Take) -> np.ndarray:
    """Speech and 20 ms around it as it is, 20 dB less elsewhere, 3 dB more all over."""
    near = np.convolve(take.speech_frames, np.ones(5), "same") > 0.5
    return np.where(near, 3.0, -17.0)


def test_a_perfect_hand_meets_the_goals(take: Take) -> None:
    """All breaths lowered, the page gone, no frame of speech lost, no edge dulled."""
    kept = np.arange(len(take.samples)) > take.of("speech")[0].start - RATE_HZ // 2
    c = treated(take, perfect_db(take), kept)
    breaths, speech, pauses = hearing.breaths(c), hearing.kept_speech(c), hearing.pauses(c)
    assert (breaths["clear_lowered"], breaths["clear_breaths"]) == (1, 1)
    assert (breaths["touching_lowered"], breaths["touching_breaths"]) == (1, 1)
    assert speech["audible_lost"] == speech["loud_lost"] == 0
    assert edges(c)["edges_dulled"] == 0
    assert pauses["pause_db"] == pytest.approx(20.0, abs=0.3)
    assert hearing.end_noises(c)["end_noises_gone"] == 1


def test_a_hand_that_does_nothing_misses_them(take: Take) -> None:
    """No breath lowered, the page still there, no pause lowered; and nothing lost."""
    c = treated(take, np.zeros(len(take.samples) // FRAME))
    breaths = hearing.breaths(c)
    assert breaths["clear_lowered"] == breaths["touching_lowered"] == 0
    assert hearing.pauses(c)["pause_db"] == pytest.approx(0.0, abs=0.1)
    ends = hearing.end_noises(c)
    assert (ends["end_noises_gone"], ends["end_noises"]) == (0, 1)
    assert hearing.kept_speech(c)["audible_lost"] == 0


@pytest.mark.parametrize(("by_db", "frames", "lost"), [(-7.0, 5, 5), (-5.0, 5, 0), (-20.0, 12, 12)])
def test_lost_speech_is_counted_to_the_frame(
    take: Take, by_db: float, frames: int, lost: int
) -> None:
    """More than 6 dB under the speech around it is lost; less is not."""
    gain_db = perfect_db(take)
    middle = (take.of("speech")[1].start + take.of("speech")[1].stop) // 2 // FRAME
    gain_db[middle : middle + frames] += by_db
    assert hearing.kept_speech(treated(take, gain_db))["loud_lost"] == lost


def test_a_clipped_word_is_a_dulled_edge(take: Take) -> None:
    """The first 40 ms of one phrase, 4 dB lower: one edge of eight."""
    gain_db = perfect_db(take)
    first = int(np.flatnonzero(take.speech_frames)[0])
    gain_db[first : first + 4] -= 4.0
    found = edges(treated(take, gain_db))
    assert (found["edges_dulled"], found["edges"]) == (1, 8)


def test_half_a_breath_left_is_a_breath_left(take: Take) -> None:
    """What counts is the energy that is left, not the part that was treated."""
    gain_db = perfect_db(take)
    mark = take.of("breath")[0]
    gain_db[(mark.start + mark.stop) // 2 // FRAME : mark.stop // FRAME] = 3.0
    assert hearing.breaths(treated(take, gain_db))["clear_lowered"] == 0

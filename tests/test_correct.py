"""fairtake.correct: what one round of files tells about the next, in plain figures."""

from __future__ import annotations

import numpy as np
import pytest

from fairtake.correct import (
    CEILING_MARGIN_DB,
    OVER_MARGIN_DB,
    Seen,
    corrected,
    sparing,
    turned_down,
)
from fairtake.sound.overs import Over, lowered_db
from fairtake.sound.plan import Correction
from fairtake.sound.proof import UNHARMED, Harm, Proof
from fairtake.sound.spared import Spared
from fairtake.sound.stages.limit import LimitSettings

LIMIT = LimitSettings(ceiling_dbtp=-1.0, most_reduction_db=12)
RIGHT = Seen(-18.0, -18.02, -1.4, 3.0, -18.03, -1.3)


def seen(**changes: object) -> Seen:
    return Seen(**{**vars(RIGHT), **changes})  # type: ignore[arg-type]


def test_right_files_need_nothing() -> None:
    """Files within 0.05 dB and under the ceiling end the rounds."""
    assert corrected(RIGHT, Correction(mp3_db=0.26), LIMIT) == Correction(mp3_db=0.26)


def test_level_is_moved_by_what_is_missing() -> None:
    """A WAV 0.3 dB low gets 0.3 dB more. By algebra."""
    low = seen(wav_level=-18.3, greatest_reduction_db=0.0)
    assert corrected(low, Correction(), LIMIT).level_db == pytest.approx(0.3)
    low = seen(wav_level=-18.3)
    assert corrected(low, Correction(peaks_known=True), LIMIT).level_db == pytest.approx(0.3)


def test_what_was_only_guessed_is_worked_out_first() -> None:
    """Where the limiter worked on guessed peaks, the next plan knows them, and aims as before."""
    low = seen(wav_level=-18.3, mp3_level=-18.3)
    assert corrected(low, Correction(), LIMIT) == Correction(peaks_known=True)


def test_a_wav_over_the_ceiling_lowers_the_aim() -> None:
    """By that and a margin, for the whole take: the limiter itself aimed too high. By algebra."""
    wanted = corrected(seen(wav_peak_dbtp=-0.7, mp3_peak_dbtp=None), Correction(), LIMIT)
    assert wanted.ceiling_db == pytest.approx(0.3 + CEILING_MARGIN_DB)


def test_an_mp3_over_the_ceiling_is_kept_lower_there() -> None:
    """What an encoder adds in one place costs no level elsewhere; told twice, it counts twice."""
    near = Over(1_000, 1_017, 0.05)
    once = corrected(seen(mp3_peak_dbtp=-1.1, mp3_overs=(near,)), Correction(), LIMIT)
    assert once.ceiling_db == 0.0
    assert once.overs == (Over(1_000, 1_017, 0.05 + OVER_MARGIN_DB),)
    twice = corrected(seen(mp3_peak_dbtp=-1.12, mp3_overs=(near,)), once, LIMIT)
    lower_db = lowered_db(twice.overs, 2_000)
    assert lower_db is not None
    np.testing.assert_allclose(lower_db[1_000:1_017], 2 * (0.05 + OVER_MARGIN_DB), rtol=1e-6)
    assert not lower_db[:1_000].any()
    assert not lower_db[1_017:].any()


def test_what_is_right_by_the_standard_is_not_turned_down() -> None:
    """The last rounds hold the ceiling by the standard's meter, and cost no level for another's."""
    assert turned_down(seen(mp3_peak_dbtp=-1.05), Correction(), LIMIT) == Correction()


def test_the_mp3_is_brought_to_the_wav() -> None:
    """What the encoder took is given to it beforehand. By algebra."""
    wanted = corrected(seen(mp3_level=-18.28), Correction(), LIMIT)
    assert wanted.mp3_db == pytest.approx(0.26)


def test_the_limiter_has_the_last_word() -> None:
    """Where the limiter may take no more, the level is not raised."""
    held = seen(wav_level=-19.0, greatest_reduction_db=12.0)
    assert corrected(held, Correction(), LIMIT).level_db == 0.0


def test_harm_is_mended_where_it_is() -> None:
    """A place that was harmed is spared in the next round, and those of rounds before stay so."""
    lost = Proof(0.01, (Harm(2000, 2050),))
    once = sparing(Correction(), lost, lost)
    assert once.spared == {Spared(2000, 2050, "pauses")}
    assert corrected(seen(stages=lost, speech=lost), Correction(), LIMIT) == once
    more = Proof(0.01, (Harm(7000, 7050),))
    assert sparing(once, more, more).spared == {*once.spared, Spared(7000, 7050, "pauses")}


def test_no_new_harm_ends_the_rounds() -> None:
    """A place that is spared already and is harmed still asks for nothing more."""
    lost = Proof(0.01, (Harm(2000, 2050),))
    once = sparing(Correction(), lost, lost)
    assert sparing(once, lost, lost) is once
    assert sparing(Correction(), UNHARMED, UNHARMED) == Correction()


def test_turned_down_until_it_holds() -> None:
    """In the last rounds everything is turned down by what is over, and nothing else changes."""
    used = Correction(level_db=0.5, ceiling_db=1.0)
    wanted = turned_down(seen(mp3_peak_dbtp=-0.9), used, LIMIT)
    assert wanted.down_db == pytest.approx(0.1 + CEILING_MARGIN_DB)
    assert (wanted.level_db, wanted.ceiling_db) == (0.5, 1.0)
    assert turned_down(RIGHT, used, LIMIT) == used

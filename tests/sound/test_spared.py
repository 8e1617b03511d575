"""fairtake.sound.spared: harm is mended where it is."""

from __future__ import annotations

import numpy as np
import pytest

from fairtake.sound.proof import UNHARMED, Harm, Proof
from fairtake.sound.spared import AROUND_ROWS, Spared, added, share_spared, wanted

SOFT, LOUD = Harm(2000, 2060), Harm(5000, 5040, pressed=True)


def test_inside_all_is_taken_away_and_a_little_off_nothing():
    """1 in the harmed rows, half of it half way out, 0 from `AROUND_ROWS` on. By algebra."""
    share = share_spared([Spared(2000, 2100, "pauses")], "gate", 5000)
    assert share is not None
    assert (share[2000:2100] == 1).all()
    assert share[2000 - AROUND_ROWS // 2] == pytest.approx(0.5, abs=0.01)
    assert share[2099 + AROUND_ROWS // 2] == pytest.approx(0.5, abs=0.01)
    assert not share[: 2000 - AROUND_ROWS].any() and not share[2100 + AROUND_ROWS :].any()
    assert np.abs(np.diff(share)).max() < 0.02


@pytest.mark.parametrize(
    ("by", "stages"), [("pauses", {"gate", "breath"}), ("peaks", {"compress", "limit"})]
)
def test_only_what_did_it_is_held_back(by: str, stages: set[str]):
    """Harm by what lowers pauses leaves limiter and compressor as they are, and the reverse."""
    places = [Spared(100, 200, by)]  # type: ignore[arg-type]
    held = {s for s in ("gate", "breath", "ride", "compress", "limit") if share_spared(places, s, 900) is not None}  # fmt: skip
    assert held == stages


def test_places_at_the_ends_fit_into_the_take():
    """A place at the first or the last row reaches no further than the take."""
    for place in (Spared(0, 50, "pauses"), Spared(950, 1000, "pauses")):
        share = share_spared([place], "gate", 1000)
        assert share is not None and len(share) == 1000 and share.max() == 1


@pytest.mark.parametrize(
    ("stages", "whole", "expected"),
    [
        (UNHARMED, UNHARMED, set()),
        (Proof(0.01, (SOFT,)), Proof(0.01, (SOFT,)), {Spared(2000, 2060, "pauses")}),
        (Proof(0, (), (LOUD,)), Proof(0, (), (LOUD,)), {Spared(5000, 5040, "peaks")}),
        (UNHARMED, Proof(0.01, (SOFT,)), {Spared(2000, 2060, "peaks")}),
        (Proof(0, (), (LOUD,)), Proof(0, (SOFT,), (LOUD,)), {Spared(5000, 5040, "peaks"), Spared(2000, 2060, "peaks")}),
    ],
)  # fmt: skip
def test_who_did_it(stages: Proof, whole: Proof, expected: set[Spared]):
    """Soft sounds fell to what lowers pauses, loud ones to what lowers peaks; what only shows behind the
    limiter is the limiter's."""
    assert wanted(stages, whole) == expected


def test_what_is_spared_already_asks_for_nothing_more():
    """A harm that overlaps a spared place of the same doer, moved by some rows, is no new one; that of
    another doer is."""
    known = frozenset({Spared(2000, 2060, "pauses")})
    assert added(known, frozenset({Spared(2005, 2070, "pauses")})) == known
    other = Spared(2005, 2070, "peaks")
    assert added(known, frozenset({other})) == known | {other}


def test_a_moment_too_short_to_be_heard_spares_nothing():
    """5 ms are no reason to leave a breath as it was."""
    assert wanted(Proof(0.001, (Harm(100, 105),)), UNHARMED) == frozenset()

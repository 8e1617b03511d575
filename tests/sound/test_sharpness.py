"""fairtake.sound.sharpness: rows with a click in them stand out, and others do not."""

from __future__ import annotations

import numpy as np
import pytest

from fairtake.sound.sharpness import MOST_PER_S, REACH_ROWS, candidates, step_of
from fairtake.units import power_gain

MIDDLE = 100


def rows_of(levels_db: dict[int, float], rest_db: float = -50.0, rows: int = 201) -> np.ndarray:
    """Sharpness of some rows by their offset from the middle one; the rest is even."""
    line_db = np.full(rows, rest_db)
    for offset, level_db in levels_db.items():
        line_db[MIDDLE + offset] = level_db
    return power_gain(line_db)


def told(sharp: np.ndarray) -> list[tuple[int, str]]:
    """The candidates: offset from the middle row, and what is said of each."""
    some = candidates(sharp, REACH_ROWS, len(sharp) - REACH_ROWS)
    kinds = zip(some.rows - MIDDLE, some.plain, some.steady, strict=True)
    return [(int(r), " ".join(["plain"] * int(p) + ["steady"] * int(s))) for r, p, s in kinds]


@pytest.mark.parametrize(("rate", "step"), [(8000, 1), (44_100, 1), (96_000, 2), (192_000, 4)])
def test_the_step_follows_the_rate(rate, step):
    assert step_of(rate) == step


@pytest.mark.parametrize(
    ("levels_db", "kinds"),
    [
        ({0: -30}, ["plain steady"]),
        ({0: -41}, ["steady"]),
        ({0: -44}, []),
        # As sharp a row within 25 ms, then a few dB less of one.
        ({0: -30, 12: -30}, []),
        ({0: -30, 12: -35}, [""]),
        ({0: -30, 12: -40}, ["plain steady"]),
        # A row right behind: a click that rings on, or the begin of something longer.
        ({0: -30, 3: -36}, []),
        ({0: -30, 3: -38}, [""]),
        # The next pulse of a creaky voice, and a fricative as far off.
        ({0: -30, 40: -30}, []),
        ({0: -30, 40: -38}, ["plain steady"]),
        ({0: -30} | dict.fromkeys(range(33, 60), -30.0), ["steady"]),
        # A burst that goes over into something, by little and by much.
        ({0: -30} | dict.fromkeys(range(3, 26), -45.0), ["plain"]),
        ({0: -30} | dict.fromkeys(range(3, 26), -41.0), [""]),
        ({0: -30} | dict.fromkeys(range(3, 26), -36.0), []),
        # A burst that goes on for a few milliseconds.
        ({0: -22} | dict.fromkeys(range(3, 9), -39.0), [""]),
        ({0: -22} | dict.fromkeys(range(3, 9), -37.0), []),
        # Behind it the sound is a little louder, and much louder; much softer it may be.
        ({0: -22} | dict.fromkeys(range(9, 26), -36.0), ["plain"]),
        ({0: -22} | dict.fromkeys(range(9, 26), -33.0), []),
        ({0: -22} | dict.fromkeys(range(-25, -8), -30.0), [""]),
        # So soft that nobody hears it.
        (dict.fromkeys(range(-100, 101), -100.0) | {0: -79}, []),
        (dict.fromkeys(range(-100, 101), -100.0) | {0: -77}, ["plain steady"]),
    ],
)
def test_candidates(levels_db, kinds):
    """What may be a click, and how sure that is, from the rows around alone. By construction."""
    assert told(rows_of(levels_db)) == [(0, kind) for kind in kinds]


def test_no_more_than_so_many_a_second():
    """Of a crowd the most prominent are taken, in order of time."""
    sharp = power_gain(np.full(1110, -60.0))
    heights_db = np.linspace(-40, -20, 18)
    places = 80 + 55 * np.arange(18)
    sharp[places] = power_gain(heights_db)
    some = candidates(sharp, REACH_ROWS, len(sharp) - REACH_ROWS)
    np.testing.assert_array_equal(some.rows, places[-MOST_PER_S:])


def test_an_even_line_has_none():
    """Neither sound that stays nor silence has a candidate."""
    assert not len(candidates(np.ones(400), 55, 345).rows)
    assert not len(candidates(np.zeros(400), 55, 345).rows)

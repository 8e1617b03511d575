"""False starts: words at a take's beginning that are broken off and said again.

Conventions: a false start is a short group of words, parted by a pause from the next, that begins as
the next group does. How like is like enough the take itself says: the words have to be clearly nearer to
what follows them than to the beginnings of the take's other groups. A title that is spoken before
the text is not said again, and so is no false start; in a take of few groups nobody can tell.

Source: none; the method is our own.
"""

from __future__ import annotations

import numpy as np

from fairtake.sound.ear.features import FRAME_ROWS
from fairtake.sound.levels import Levels
from fairtake.sound.likeness import distance_db, shapes
from fairtake.sound.runs import Indices, runs
from fairtake.sound.speech import heard_rows

#: Groups of words, and a noise and a word, are parted by so much without any.
PARTED_ROWS = 600
SHORTEST_ROWS, LONGEST_ROWS = 250, 4000
#: The words count as the same when their distance is under this share of that to any other group.
NEARER_SHARE = 0.8
#: So many other groups are needed to judge by, and no more are looked at.
LEAST_OTHERS, MOST_OTHERS = 3, 12


def groups(levels: Levels) -> tuple[Indices, Indices]:
    """Starts and stops of the groups of words that can be heard, in rows."""
    starts, stops = runs(heard_rows(levels) & levels.voice)
    if not len(starts):
        return starts, stops
    apart = starts[1:] - stops[:-1] >= PARTED_ROWS
    return starts[np.append(True, apart)], stops[np.append(apart, True)]


def false_start(levels: Levels) -> tuple[int, int] | None:
    """The rows from the beginning of a false start up to where the words are said again, or None."""
    starts, stops = groups(levels)
    if len(starts) < 2 + LEAST_OTHERS:
        return None
    if not SHORTEST_ROWS <= stops[0] - starts[0] <= LONGEST_ROWS:
        return None
    broken = _stretch(levels, int(starts[0]), int(stops[0]))
    again, *others = (
        distance_db(broken, _stretch(levels, int(start), int(start + 2 * (stops[0] - starts[0]))))
        for start in starts[1 : 2 + MOST_OTHERS]
    )
    known = [distance for distance in others if np.isfinite(distance)]
    if len(known) < LEAST_OTHERS or again >= NEARER_SHARE * min(known):
        return None
    return int(starts[0]), int(starts[1])


def _stretch(levels: Levels, start: int, stop: int) -> np.ndarray:
    return shapes(levels.bands_db[start // FRAME_ROWS : stop // FRAME_ROWS])

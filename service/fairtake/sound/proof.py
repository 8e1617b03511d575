"""The proof of speech: was any syllable turned down that its neighbours were not, and where?

Conventions: what counts as speech is not only what the ear kept, so that the ear cannot prove itself:
besides voice it is what the ear is unsure of, and whatever else lies close to a voice and stands out of the
room without being a breath or a noise. A row is lost when its gain lies more than 6 dB under the
median of the speech rows around it. An edge is dulled when the first 40 ms or the last 60 ms of a
word lie more than 2 dB under the median of the half second of the word beside them, weighed by what
is heard in them: a burst counts more than the closure before it. The gain is what all stages and the
limiter did together; what was lowered in one band alone, as sibilants are, is not in it. A dulled
edge that is louder than its word was pressed down by what lowers loud sound, not by what lowers
pauses. Every harm is told with its place, so that it can be mended there.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fairtake.sound.around import percentile_around
from fairtake.sound.envelope import greatest_ahead
from fairtake.sound.levels import Levels, Rows, Sound
from fairtake.sound.runs import Indices, Mask, runs, widened
from fairtake.sound.speech import FRAME_ROWS, stands_out
from fairtake.units import power_db, power_gain

NEAR_ROWS = 100
LOST_DB = 6.0
MEDIAN_ROWS = 1000
DULLED_DB = 2.0
FIRST_ROWS, LAST_ROWS = 40, 60
#: Where exactly a word begins is anybody's guess within so many rows: the worst counts.
GUESS_ROWS = (0, 10, 20)
WORD_PAUSE_ROWS = 80
#: A long word's edge is held against so much of it.
BESIDE_ROWS = 500
LEAST_POWER = 1e-20


@dataclass(frozen=True, order=True)
class Harm:
    """Rows from *start* up to *stop* in which speech was harmed, and whether because it was loud."""

    start: int
    stop: int
    pressed: bool = False


@dataclass(frozen=True)
class Proof:
    """What became of the speech. ``lost`` and ``dulled`` are in order of time."""

    lost_share: float = 0.0
    lost: tuple[Harm, ...] = ()
    dulled: tuple[Harm, ...] = ()

    @property
    def harms(self) -> tuple[Harm, ...]:
        return self.lost + self.dulled

    @property
    def longest_lost_ms(self) -> int:
        return max((harm.stop - harm.start for harm in self.lost), default=0)


UNHARMED = Proof()


def spoken_power(levels: Levels) -> Rows:
    """K-weighted power of every row in which speech may be heard; 0 elsewhere."""
    kept, other = levels.kept, levels.is_sound(Sound.BREATH, Sound.NOISE)
    # What lies between a breath and its word is the breath's rise and fall.
    near = widened(kept, NEAR_ROWS, NEAR_ROWS) & ~widened(other, NEAR_ROWS, NEAR_ROWS)
    spoken = (kept | near | levels.is_sound(Sound.UNSURE)) & stands_out(levels)
    return np.where(spoken, np.maximum(levels.k_power, LEAST_POWER), 0).astype(np.float32)


def prove_speech(power: Rows, gain_db: Rows) -> Proof:
    """Hold the gain curve against its own neighbourhood, where *power* is spoken, not 0."""
    spoken = power > 0
    # Frames are fine enough, and five times fewer.
    frames = len(spoken) // FRAME_ROWS
    whole = slice(frames * FRAME_ROWS)
    inside: Mask = np.asarray(spoken[whole].reshape(frames, -1).all(axis=1))
    gains = gain_db[whole].reshape(frames, -1).mean(axis=1)
    if not inside.any():
        return UNHARMED
    # Pauses take the gain of the speech nearest to them, so that the median is one over time.
    told, size = gains[_nearest(inside)], MEDIAN_ROWS // FRAME_ROWS + 1
    # A median is no greater than the greatest: few places have to be looked at closely.
    greatest = greatest_ahead(np.pad(told, size // 2, mode="edge"), size - 1)[: len(told)]
    places = np.flatnonzero(inside & (gains < greatest - LOST_DB))
    lost = np.zeros(frames, bool)
    lost[places] = gains[places] < percentile_around(told, 50, size, places=places) - LOST_DB
    spans = zip(*(edges * FRAME_ROWS for edges in runs(lost)), strict=True)
    harms = tuple(Harm(int(start), int(stop)) for start, stop in spans)
    return Proof(float(lost.sum() / inside.sum()), harms, tuple(sorted(_dulled(power, gain_db))))


def _nearest(inside: Mask) -> npt.NDArray[np.intp]:
    """The index of the nearest True for each place of *inside*, which holds at least one."""
    places = np.flatnonzero(inside)
    after = np.clip(np.searchsorted(places, np.arange(len(inside))), 0, len(places) - 1)
    before = np.maximum(after - 1, 0)
    here = np.arange(len(inside))
    nearer = here - places[before] < places[after] - here
    return places[np.where(nearer, before, after)]


def _dulled(power: Rows, gain_db: Rows) -> Iterator[Harm]:
    """The words' first and last moments that lie under their word's own gain."""
    starts, stops = _words(power > 0)
    if not len(starts):
        return
    guesses = np.array(GUESS_ROWS)
    for begins, width, near_starts, near_stops in (
        (starts[:, None] + guesses, FIRST_ROWS, starts, np.minimum(starts + BESIDE_ROWS, stops)),
        (stops[:, None] - guesses - LAST_ROWS, LAST_ROWS, np.maximum(stops - BESIDE_ROWS, starts), stops),
    ):  # fmt: skip
        edges_db, loud = _heard(power, gain_db, begins, width)
        worst = edges_db.argmin(axis=1)
        for word, near in enumerate(map(slice, near_starts, near_stops)):
            edge = word, worst[word]
            if edges_db[edge] < np.median(gain_db[near]) - DULLED_DB:
                begin = int(begins[edge])
                yield Harm(begin, begin + width, bool(loud[edge] > power[near].mean()))


def _words(spoken: Mask) -> tuple[Indices, Indices]:
    """Runs of speech, apart by `WORD_PAUSE_ROWS` or more; the shortest have no edges to tell."""
    starts, stops = runs(spoken)
    if len(starts):
        near = starts[1:] - stops[:-1] < WORD_PAUSE_ROWS
        starts, stops = starts[np.append(True, ~near)], stops[np.append(~near, True)]
    long = stops - starts >= FIRST_ROWS + LAST_ROWS
    return starts[long], stops[long]


def _heard(
    power: Rows, gain_db: Rows, begins: Indices, width: int
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """The gain of the energy, dB, and the mean power of *width* rows from each of *begins*."""
    view = np.lib.stride_tricks.sliding_window_view
    powers = view(power, width)[begins].astype(np.float64)
    heard = powers + LEAST_POWER  # a window may lie between two sounds
    kept = (power_gain(view(gain_db, width)[begins]) * heard).sum(axis=-1) / heard.sum(axis=-1)
    return power_db(kept), powers.mean(axis=-1)

"""Decode: from how likely each kind of sound is to one kind a frame.

Conventions: frames of 10 ms. What is *kept* is voice or music: no stage turns it down by itself. It is
the likeliest path through two states, kept or not, where every change costs; and because a lost
consonant is worse than a noise left in, by far, what is kept need not be likely (`KEEP_BIAS`). Around
it lie guards, and short sounds close to a voice are the release of a stop until proved otherwise.
But no consonant is in doubt for long: what is rather breath for 0.3 s on end is
breath. What swings like a voice for 70 ms is kept whatever the net says: no breath does. But a short sound that
stands alone is no part of any word, and asks for as much proof as a noise: a chair may swing too.

What is not kept is what it most resembles: breath, noise or room; where a voice is not unlikely it is
*unsure*, which stages treat gently.

Source: the path is Viterbi's (IEEE Trans. Inf. Theory 13(2), 1967); costs and guards are measured on
voices kept apart, see tests/quality/README.md.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fairtake.sound.around import mean_around, percentile_around
from fairtake.sound.ear.bands import Table
from fairtake.sound.ear.features import OVER_FLOOR, OVER_SPEECH, PERIODIC, UNIT_DB
from fairtake.sound.ear.net import BREATH, MUSIC, NOISE, ROOM, VOICE
from fairtake.sound.levels import Sound, Sounds
from fairtake.sound.runs import Mask, lasting, mask_of, runs, widened

#: Natural logarithms of odds: what is kept may be so much less likely than what is not; a frame alone
#: says at most so much; a change of state costs so much.
KEEP_BIAS, MOST_ODDS, CHANGE_COST = 3.0, 7.0, 6.0
#: What is kept by the bias alone, and not with this one, for so many frames, is no consonant.
LONG_BIAS, LONG_FRAMES = 1.5, 30
GUARD_BEFORE, GUARD_BEHIND = 4, 4
#: A voice by its swinging alone: so periodic at least, over so many frames, so near to speech and so
#: far over the room; its odds are then at least so much.
SWINGING, SWINGING_FRAMES, SWINGING_UNDER_DB, SWINGING_OVER_DB = 0.72, 7, 26.0, 6.0
SWINGING_ODDS = 3.0
#: What never stands out of the room by so much is the room.
STANDS_OUT_DB = 4.0
#: A sound of up to the second figure, in frames, that is so far from any other that is kept, the first, has
#: to be a voice by this itself: the farther and the shorter, the more so.
LONE = ((30, 80, 0.25), (90, 60, 0.3), (60, 30, 0.7))
#: The same for what is then no word for sure.
LONE_SURELY = ((30, 80, 0.25), (60, 30, 0.5))
#: A burst that belongs to a word: so short behind it and before it, and so near.
BURST_BEHIND, BURST_BEFORE = (9, 15), (6, 8)
#: Where a voice is likelier than this, but not kept, nobody can be sure.
UNSURE_LEAST, UNSURE_FRAMES = 0.1, 3
#: Music is kept from this likelihood on. It goes on for so long; a voice that is taken for it does not.
MUSIC_LEAST, MUSIC_FRAMES = 0.3, 100
#: A held vowel is no further from what is plainly a voice.
VOWEL_FRAMES = 100
#: A room's level, over a tenth of a second, lies within this nearly all the time.
EVEN_FRAMES, EVEN_DB = 10, 4.0


def decoded(likely: Table, told: Table) -> Sounds:
    """What each frame is, from the net's likelihoods and the last three features *told* to it."""
    voice = likely[:, VOICE]
    music = is_music(likely, told)
    # A held vowel may pass for music; a mere hint of music is none of a voice.
    tune = likely[:, MUSIC]
    odds = log_odds(voice + np.where((tune > MUSIC_LEAST) & (music | near_voice(voice)), tune, 0))
    swings = swinging(told)
    likely_kept, surely_kept = (
        likeliest(
            np.where(swings, np.maximum(odds + bias, SWINGING_ODDS), odds + bias), CHANGE_COST
        )
        for bias in (KEEP_BIAS, LONG_BIAS)
    )
    possible = standing_out(likely_kept, music, told)
    found = possible & ~long_breaths(possible & ~surely_kept, likely)
    core = without_lone_noises(found, voice + tune, LONE)
    no_word = possible & ~without_lone_noises(found, voice + tune, LONE_SURELY)
    kept = widened(core, GUARD_BEFORE, GUARD_BEHIND)
    kept |= bursts(core, kept, likely[:, ROOM] < 0.5)
    sounds = np.where(likely[:, NOISE] > likely[:, BREATH], Sound.NOISE, Sound.BREATH)
    sounds = np.where(likely[:, BREATH] + likely[:, NOISE] > likely[:, ROOM], sounds, Sound.ROOM)
    unsure = lasting(voice > UNSURE_LEAST, UNSURE_FRAMES) & ~no_word
    sounds = np.where(unsure, Sound.UNSURE, sounds)
    sounds = np.where(kept, np.where(music, Sound.MUSIC, Sound.VOICE), sounds)
    return sounds.astype(np.uint8)


def near_voice(voice: Table) -> Mask:
    """Where a voice is near enough for a held vowel of it to pass for music."""
    return widened(voice > 0.5, VOWEL_FRAMES, VOWEL_FRAMES)


def log_odds(share: Table) -> Table:
    """The logarithm of the odds, no more than a frame alone may say."""
    odds: Table = np.log(np.maximum(share, 1e-4) / np.maximum(1 - share, 1e-4))
    return np.clip(odds, -MOST_ODDS, MOST_ODDS)


def swinging(told: Table) -> Mask:
    """Where cords swing for long enough, near enough to speech and clear of the room."""
    periodic = percentile_around(told[:, PERIODIC].astype(np.float64), 50, SWINGING_FRAMES) / 2
    near = told[:, OVER_SPEECH] * UNIT_DB > -SWINGING_UNDER_DB
    clear = told[:, OVER_FLOOR] * UNIT_DB > SWINGING_OVER_DB
    return np.asarray((periodic > SWINGING) & near & clear)


def standing_out(core: Mask, music: Mask, told: Table) -> Mask:
    """The runs of *core* that stand out of the room somewhere; music may be as even as a room."""
    out = told[:, OVER_FLOOR] * UNIT_DB > STANDS_OUT_DB
    counts = np.concatenate([[0], np.cumsum(out | music)])
    starts, stops = runs(core)
    found = counts[stops] > counts[starts]
    return mask_of(starts[found], stops[found], len(core))


def long_breaths(doubtful: Mask, likely: Table) -> Mask:
    """The runs of *doubtful* that last too long for a consonant and are rather breath than noise."""
    starts, stops = runs(lasting(doubtful, LONG_FRAMES))
    rather = np.concatenate(
        [[0.0], np.cumsum(likely[:, BREATH] - likely[:, NOISE], dtype=np.float64)]
    )
    found = rather[stops] > rather[starts]
    return mask_of(starts[found], stops[found], len(doubtful))


def without_lone_noises(
    core: Mask, voice: Table, demands: tuple[tuple[int, int, float], ...]
) -> Mask:
    """*core* without the short runs that stand alone and are rather something else than a voice.

    What is unlikely is kept for the sake of the word it may belong to; there is none near these.
    """
    starts, stops = runs(core)
    if not len(starts):
        return core
    gaps = np.concatenate([[len(core)], starts[1:] - stops[:-1], [len(core)]])
    away, length = np.minimum(gaps[:-1], gaps[1:]), stops - starts
    total = np.concatenate([[0.0], np.cumsum(voice, dtype=np.float64)])
    mean = (total[stops] - total[starts]) / length
    kept = np.ones(len(starts), bool)
    for alone, longest, least in demands:
        kept &= ~((away >= alone) & (length <= longest) & (mean < least))
    return mask_of(starts[kept], stops[kept], len(core))


def likeliest(odds: npt.NDArray[np.float32], change: float) -> Mask:
    """The likeliest path through on and off, where being on is worth *odds* and a change costs."""
    off = on = 0.0
    came_on, came_off = bytearray(len(odds)), bytearray(len(odds))
    for n, worth in enumerate(odds.tolist()):
        stay_off, stay_on = off, on
        if on - change > off:
            stay_off, came_off[n] = on - change, 1
        if off - change > on:
            stay_on, came_on[n] = off - change, 1
        off, on = stay_off, stay_on + worth
    path = np.zeros(len(odds), bool)
    is_on = on > off
    for n in range(len(odds) - 1, -1, -1):
        path[n] = is_on
        if (came_on if is_on else came_off)[n]:
            is_on = not is_on
    return path


def bursts(core: Mask, kept: Mask, sounding: Mask) -> Mask:
    """Short sounds close behind or before a voice: the release of a stop may stand apart from it."""
    starts, stops = runs(sounding & ~kept)
    (longest_behind, behind), (longest_before, before) = BURST_BEHIND, BURST_BEFORE
    after_voice, before_voice = widened(core, 0, behind), widened(core, before, 0)
    found = np.zeros(len(core), bool)
    for start, stop in zip(starts, stops, strict=True):
        length = stop - start
        if (length <= longest_behind and after_voice[start]) or (
            length <= longest_before and before_voice[stop - 1]
        ):
            found[max(start - 1, 0) : stop + 1] = True
    return found


def is_music(likely: Table, told: Table) -> Mask:
    """Where it is rather music than a voice, for long, and moves: what is as even as a room is one."""
    tune = likely[:, MUSIC]
    over = ((tune > likely[:, VOICE]) & (tune > MUSIC_LEAST)).astype(np.float64)
    long = lasting(mean_around(over, MUSIC_FRAMES // 2) > 0.5, MUSIC_FRAMES)
    level_db = mean_around(told[:, OVER_FLOOR].astype(np.float64) * UNIT_DB, EVEN_FRAMES)
    starts, stops = runs(long)
    moving = np.array([moves(level_db[a:b]) for a, b in zip(starts, stops, strict=True)], bool)
    return mask_of(starts[moving], stops[moving], len(long))


def moves(level_db: npt.NDArray[np.float64]) -> bool:
    """Whether a level rises and falls further than a room's does."""
    return bool(np.subtract(*np.percentile(level_db, (90, 10))) > EVEN_DB)

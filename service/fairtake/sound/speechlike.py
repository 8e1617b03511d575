"""Whether a sound is speech, music or noise, as far as a draft needs to guess it.

Speech changes between voiced and unvoiced a few times a second, and its level falls far between
syllables; music holds its notes, and places and noises have no voice. The limits are our own, set on
synthetic voices, chords, plucked strings, beats and noise; common practice, no source.
"""

from __future__ import annotations

import numpy as np

from fairtake.sound.levels import ROWS_PER_S, Levels
from fairtake.sound.runs import runs
from fairtake.sound.speech import FRAME_ROWS, frame_levels
from fairtake.sound.voicing import voiced_frames

#: Frames so far under the loudest twentieth are pauses, and tell nothing.
HEARD_DB = 35.0
#: A voice sounds for so long at least; so many times a second, counted over what is heard.
VOICE_FRAMES = 8
#: Slow and full of vowels, it still does so more than twice; a plucked string once.
FEWEST_HZ, MOST_HZ = 1.6, 8.0
VOICED_SHARE = 0.15
#: So far apart lie the loud and the soft parts of what is heard.
DEPTH_DB = 4.0


def is_speech_like(levels: Levels) -> bool:
    """A guess, for a draft that a person looks over."""
    level = frame_levels(levels)
    if not len(level):
        return False
    heard = level > np.percentile(level, 95) - HEARD_DB
    voiced = voiced_frames(levels, FRAME_ROWS)[: len(level)] & heard
    starts, stops = runs(voiced)
    heard_s = max(float(heard.sum()) * FRAME_ROWS / ROWS_PER_S, 0.1)
    times_hz = float((stops - starts >= VOICE_FRAMES).sum()) / heard_s
    loud, soft = np.percentile(level[heard], [90, 20])
    return bool(
        FEWEST_HZ <= times_hz <= MOST_HZ
        and voiced.sum() >= VOICED_SHARE * heard.sum()
        and loud - soft >= DEPTH_DB
    )

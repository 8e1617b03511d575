"""Whether a sound is speech, as far as a draft needs to guess it: by what the ear has heard, and by its swing.

A knock or a beat may pass for a voice that is broken off; but a fair part of any speech swings.
"""

from __future__ import annotations

import numpy as np

from fairtake.sound.ear.features import FRAME_ROWS
from fairtake.sound.levels import Levels
from fairtake.sound.voicing import periodicity

#: A voice that speaks fills so much of a recording, what is kept in it is voice by so much, and of that
#: so much swings, which is so periodic.
LEAST_SHARE, VOICE_SHARE, SWINGING_SHARE, SWINGING = 0.05, 0.7, 0.15, 0.55
#: Less than this many seconds are no speech that anything would be laid under.
LEAST_S = 1.0


def is_speech_like(levels: Levels) -> bool:
    """A guess, for a draft that a person looks over."""
    voice, kept = levels.voice, int(levels.kept.sum())
    spoken = int(voice.sum())
    if spoken < max(LEAST_SHARE * levels.rows, 1000 * LEAST_S) or spoken < VOICE_SHARE * kept:
        return False
    frames = levels.rows // FRAME_ROWS
    swings = periodicity(levels.heard_low, frames, FRAME_ROWS) > SWINGING
    return bool(np.mean(swings[voice[: frames * FRAME_ROWS : FRAME_ROWS]]) >= SWINGING_SHARE)
